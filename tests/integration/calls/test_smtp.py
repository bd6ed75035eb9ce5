"""The mail channel against real servers: TLS, sign-in, greylisting, refusals, silence, and the headers of what arrives."""

from __future__ import annotations

import re
import socket
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest
import trustme

from service.calls.retry import Failure
from service.notify.channels.base import Message, Receipt
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier, message_id
from tests.support.mail_server import PASSWORD, USER, Mailbox, mail_server

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)


def message(**more: Any) -> Message:
    given: dict[str, Any] = {
        "key": "east.high|1|alarm",
        "recipient": "night@example.org",
        "subject": "DANGER East clarifier – 0.55 m",
        "text": "DANGER\n.\nlast line — " + "x" * 2000 + "\n",
        "html": "<p>DANGER</p>",
        "created_at": NOW,
    }
    return Message(**given | more)


def send(port: int, *, times: int = 1, given: Message | None = None, **account: Any) -> Receipt:
    settings: dict[str, Any] = {"security": "none", "timeout": 2.0, "host": "127.0.0.1"}
    notifier = SmtpNotifier(SmtpAccount(port=port, sender="Alder Creek <underweir@example.org>", **settings | account))
    try:
        for _ in range(times):
            receipt = notifier.send(given or message(), NOW)
        return receipt
    finally:
        notifier.close()


class Certificates:
    """A private authority, and contexts of servers it vouches for."""

    def __init__(self, folder: Path) -> None:
        self.authority = trustme.CA()
        self.ca_file = str(folder / "ca.pem")
        self.authority.cert_pem.write_to_path(self.ca_file)

    def server(self, name: str = "127.0.0.1") -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.authority.issue_cert(name).configure_cert(context)
        return context


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("ca"))


@pytest.fixture(scope="module")
def mailbox() -> Mailbox:
    """An alarm and its end, as they arrived."""
    arrived = Mailbox()
    with mail_server(arrived) as port:
        assert send(port).sent
        assert send(port, given=message(key="east.high|1|cleared", reply_to_key="east.high|1|alarm")).sent
    return arrived


class TestArrival:
    """What arrives is a mail as the RFCs want it."""

    def test_required_and_recommended_headers(self, mailbox: Mailbox) -> None:
        # RFC 5322 section 3.6 (from memory): Date and From are required, Message-ID should be there; each at most once.
        mail = mailbox.mails[0]
        for header in ("Date", "From", "To", "Subject", "Message-ID", "MIME-Version"):
            assert len(mail.get_all(header, [])) == 1, header
        assert parsedate_to_datetime(mail["Date"]) == NOW
        assert mail["From"] == "Alder Creek <underweir@example.org>"
        assert mail["To"] == "night@example.org"
        assert mail["Subject"] == "DANGER East clarifier – 0.55 m"
        assert re.fullmatch(r"<[0-9a-f]{32}@example\.org>", mail["Message-ID"])

    def test_marked_as_machine_made(self, mailbox: Mailbox) -> None:
        # RFC 3834 section 5: keeps vacation responders from answering.
        assert mailbox.mails[0]["Auto-Submitted"] == "auto-generated"

    def test_lines_are_short_enough(self, mailbox: Mailbox) -> None:
        # RFC 5322 section 2.1.1: at most 998 characters without the CRLF; and the long text line came through whole.
        assert all(len(line) <= 998 for line in mailbox.raw[0].split(b"\r\n"))
        assert b"\n" not in mailbox.raw[0].replace(b"\r\n", b"")
        assert "x" * 2000 in self._text(mailbox)

    def test_text_comes_first_and_html_beside_it(self, mailbox: Mailbox) -> None:
        mail = mailbox.mails[0]
        assert mail.get_content_type() == "multipart/alternative"
        assert [part.get_content_type() for part in mail.iter_parts()] == ["text/plain", "text/html"]
        assert self._text(mailbox).startswith("DANGER\n.\nlast line — ")

    def test_later_messages_hang_under_the_first(self, mailbox: Mailbox) -> None:
        first, second = mailbox.mails
        assert second["In-Reply-To"] == second["References"] == first["Message-ID"]
        assert first["Message-ID"] != second["Message-ID"]
        assert first["In-Reply-To"] is None

    def test_the_same_key_is_the_same_message_id(self, mailbox: Mailbox) -> None:
        assert mailbox.mails[0]["Message-ID"] == message_id("east.high|1|alarm", "example.org")

    @pytest.mark.parametrize("field", ["subject", "recipient", "text"])
    @pytest.mark.parametrize("line_end", ["\r\n", "\n", "\r"])
    def test_nothing_typed_becomes_a_header(self, field: str, line_end: str) -> None:
        """A tank's label, a note, an address: a line within must not bring a header, nor another recipient (ASVS 5.2.3)."""
        arrived = Mailbox()
        injected = f"night@example.org{line_end}Bcc: thief@example.org{line_end}X-Mine: yes{line_end}{line_end}body"
        with mail_server(arrived) as port:
            sent = send(port, given=message(**{field: injected}))
        assert sent.sent == bool(arrived.mails)
        for mail in arrived.mails:
            assert {"Bcc", "X-Mine"}.isdisjoint(mail.keys())
            assert "thief" not in str(mail["To"])
        assert arrived.mails or field == "recipient"

    @staticmethod
    def _text(mailbox: Mailbox) -> str:
        part = mailbox.mails[0].get_body(("plain",))
        assert part is not None
        return str(part.get_content()).replace("\r\n", "\n")


class TestSecurity:
    """Nothing goes out in the clear, or to a stranger, unless the site says so."""

    def test_starttls_with_sign_in(self, certificates: Certificates) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox, starttls=certificates.server(), auth=True) as port:
            receipt = send(port, security="starttls", ca_file=certificates.ca_file, user=USER, password=PASSWORD)
        assert receipt.sent
        assert receipt.answer == "250 2.0.0 taken"
        assert len(mailbox.raw) == 1

    @pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
    def test_implicit_tls_with_sign_in(self, certificates: Certificates) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox, tls=certificates.server(), auth=True) as port:
            assert send(port, security="tls", ca_file=certificates.ca_file, user=USER, password=PASSWORD).sent
        assert len(mailbox.raw) == 1

    @pytest.mark.parametrize("security", ["starttls", "tls"])
    @pytest.mark.parametrize("trusted", [False, True])
    def test_a_certificate_nobody_vouches_for_or_of_another_name(
        self, certificates: Certificates, security: Any, trusted: bool
    ) -> None:
        context = certificates.server("127.0.0.2" if trusted else "127.0.0.1")
        mailbox = Mailbox()
        options: dict[str, Any] = {"tls": context} if security == "tls" else {"starttls": context}
        with mail_server(mailbox, **options) as port:
            receipt = send(port, security=security, ca_file=certificates.ca_file if trusted else None)
        assert receipt.failure is Failure.TLS
        assert "certificate" in receipt.answer.lower()
        assert mailbox.raw == []

    def test_a_server_without_starttls_gets_no_mail(self) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            assert send(port, security="starttls").failure is Failure.TLS
        assert mailbox.raw == []

    def test_a_wrong_password(self, certificates: Certificates) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox, starttls=certificates.server(), auth=True) as port:
            receipt = send(port, security="starttls", ca_file=certificates.ca_file, user=USER, password="wrong")
        assert receipt.failure is Failure.SIGN_IN
        assert "wrong" not in receipt.answer

    def test_a_missing_sign_in(self, certificates: Certificates) -> None:
        with mail_server(Mailbox(), starttls=certificates.server(), auth=True) as port:
            receipt = send(port, security="starttls", ca_file=certificates.ca_file)
        assert receipt.failure is Failure.SIGN_IN

    def test_the_password_is_not_shown(self) -> None:
        account = SmtpAccount(host="h", port=1, sender="a@example.org", user="u", password="secret")
        assert "secret" not in repr(account)


class TestRefusals:
    """Every answer is sorted by whether trying again can help (RFC 5321 section 4.2.1: 4yz transient, 5yz permanent)."""

    @pytest.mark.parametrize(
        ("answer", "failure"),
        [
            ("450 4.7.1 greylisted, try again in 60 seconds", Failure.TEMPORARY),
            ("451 4.3.0 local error", Failure.TEMPORARY),
            ("452 4.2.2 mailbox full", Failure.TEMPORARY),
            ("450 4.7.28 rate limit exceeded", Failure.RATE_LIMITED),
            ("550 5.1.1 no such mailbox", Failure.RECIPIENT_REFUSED),
            ("553 5.1.3 bad address", Failure.RECIPIENT_REFUSED),
        ],
    )
    def test_of_the_recipient(self, answer: str, failure: Failure) -> None:
        mailbox = Mailbox(rcpt_answers=[answer])
        with mail_server(mailbox) as port:
            receipt = send(port)
        assert (receipt.failure, receipt.answer) == (failure, answer)
        assert mailbox.raw == []

    @pytest.mark.parametrize(
        ("answer", "failure"),
        [
            ("451 4.3.0 try later", Failure.TEMPORARY),
            ("452 4.3.1 no space", Failure.TEMPORARY),
            ("554 5.7.1 looks like spam", Failure.REFUSED),
            ("552 5.3.4 too big", Failure.REFUSED),
        ],
    )
    def test_of_the_message(self, answer: str, failure: Failure) -> None:
        with mail_server(Mailbox(data_answers=[answer])) as port:
            assert send(port).failure is failure

    def test_a_greylisted_message_gets_in_on_the_next_try(self) -> None:
        mailbox = Mailbox(rcpt_answers=["450 4.7.1 greylisted"])
        with mail_server(mailbox) as port:
            assert send(port, times=2).sent
        assert len(mailbox.raw) == 1
        assert mailbox.connections == 1

    def test_one_refused_recipient_does_not_spoil_the_next(self) -> None:
        mailbox = Mailbox(unknown={"gone@example.org"})
        with mail_server(mailbox) as port:
            notifier = SmtpNotifier(
                SmtpAccount(host="127.0.0.1", port=port, sender="underweir@example.org", security="none", timeout=60)
            )
            assert notifier.send(message(recipient="gone@example.org"), NOW).failure is Failure.RECIPIENT_REFUSED
            assert notifier.send(message(), NOW).sent
            notifier.close()
        assert mailbox.recipients == ["night@example.org"]

    @pytest.mark.parametrize(
        "recipient",
        ["", "nobody", "a@b@example.org", "a b@example.org", "a@example.org\r\nBcc: x@example.org", "ü@example.org"],
    )
    def test_an_address_that_cannot_be_used(self, recipient: str) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            assert send(port, given=message(recipient=recipient)).failure is Failure.UNUSABLE_ADDRESS
        assert mailbox.raw == []


@contextmanager
def talker(*lines: bytes, wait: float = 0.0) -> Iterator[int]:
    """A server that says these lines, one per line it hears, and then nothing; it drops the line after *wait*."""
    done = threading.Event()
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listening.accept()
        with connection, connection.makefile("rb") as heard:
            for index, line in enumerate(lines):
                if index:
                    heard.readline()
                connection.sendall(line)
            done.wait(wait)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        done.set()
        thread.join(120)
        listening.close()


class TestSilence:
    """A server that is away, silent or mad."""

    def test_nobody_listens(self) -> None:
        with socket.create_server(("127.0.0.1", 0)) as taken:
            port = taken.getsockname()[1]
        assert send(port).failure is Failure.UNREACHABLE

    def test_no_such_host(self) -> None:
        assert send(25, host="mail.invalid").failure is Failure.UNREACHABLE

    def test_a_server_that_never_greets(self) -> None:
        with talker(wait=30) as port:
            assert send(port, timeout=0.3).failure is Failure.TIMED_OUT

    def test_a_server_that_hangs_up(self) -> None:
        with talker(b"220 hello\r\n") as port:
            assert send(port).failure is Failure.UNREACHABLE

    def test_a_server_that_is_closing(self) -> None:
        with talker(b"421 4.3.2 shutting down\r\n") as port:
            assert send(port).failure is Failure.TEMPORARY

    def test_a_server_that_talks_nonsense(self) -> None:
        with talker(b"HTTP/1.1 400 Bad Request\r\n\r\n") as port:
            assert send(port).failure in (Failure.GARBAGE, Failure.UNREACHABLE)

    def test_a_server_that_takes_back_its_offer_of_tls(self) -> None:
        lines = (b"220 hello\r\n", b"250-hello\r\n250 STARTTLS\r\n", b"454 4.7.0 not now\r\n", b"221 bye\r\n")
        with talker(*lines) as port:
            assert send(port, security="starttls").failure is Failure.TLS

    def test_no_answer_to_the_message_leaves_it_open_whether_it_was_taken(self) -> None:
        mailbox = Mailbox(hang=1.5)
        with mail_server(mailbox) as port:
            assert send(port, timeout=0.4).failure is Failure.BROKE_OFF

    def test_a_line_cut_at_the_very_end_leaves_it_open(self) -> None:
        mailbox = Mailbox(vanish=True)
        with mail_server(mailbox) as port:
            assert send(port).failure is Failure.BROKE_OFF
        assert len(mailbox.raw) == 1

    def test_an_idle_connection_closed_by_the_server_is_opened_anew(self) -> None:
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            notifier = SmtpNotifier(
                SmtpAccount(host="127.0.0.1", port=port, sender="underweir@example.org", security="none", timeout=60)
            )
            assert notifier.send(message(), NOW).sent
            client = notifier._client
            assert client is not None
            assert client.sock is not None
            client.sock.shutdown(socket.SHUT_RDWR)
            assert notifier.send(message(), NOW).sent
            notifier.close()
        assert len(mailbox.raw) == 2
