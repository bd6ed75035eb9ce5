"""What each channel's other side answers, and what that means: tables written from the standards, not from the code.

RFC 5321 (SMTP replies), RFC 4954 (sign-in), RFC 9110 (HTTP), 3GPP TS 24.011 annex E-2 and TS 27.005 section 3.2.5 (from memory).
"""

from __future__ import annotations

import smtplib
import socket
import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest
import requests
import requests.exceptions as http_errors

from service.calls.retry import Failure
from service.errors import ConfigError
from service.notify import health_check as look
from service.notify.channels import http_gateway, smtp
from service.notify.channels.base import Message
from service.notify.channels.http_gateway import HttpGateway, HttpNotifier
from service.notify.channels.sms_modem import ModemNotifier
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier, compose

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)
F = Failure


def message(**more: Any) -> Message:
    given: dict[str, Any] = {
        "key": "k",
        "recipient": "+15550100199",
        "subject": "DANGER",
        "text": "DANGER",
        "created_at": NOW,
    }
    return Message(**given | more)


# --- mail -------------------------------------------------------------------------------------------------------------


def account(**more: Any) -> SmtpAccount:
    given: dict[str, Any] = {"host": "mail.example.org", "port": 587, "sender": "Plant <u@example.org>"}
    return SmtpAccount(**given | more)


class Server:
    """A mail server in name only: what it answers to each command, and what it was asked."""

    def __init__(self, **answers: Any) -> None:
        self.answers, self.asked, self.given = answers, list[str](), dict[str, tuple[Any, ...]]()

    def __getattr__(self, verb: str) -> Callable[..., tuple[int, bytes]]:
        if verb.startswith("_"):
            raise AttributeError(verb)

        def answered(*given: Any, **more: Any) -> tuple[int, bytes]:
            self.asked.append(verb)
            self.given[verb] = given
            answer = self.answers.get(verb, (220 if verb == "starttls" else 250, b"ok"))
            if isinstance(answer, list):
                answer = answer.pop(0) if answer else (250, b"ok")
            if isinstance(answer, BaseException):
                raise answer
            return (answer, b"said") if isinstance(answer, int) else answer

        return answered


def mailed(server: Server, **more: Any) -> Failure | None:
    notifier = SmtpNotifier(account())
    notifier._client = server  # type: ignore[assignment]
    return notifier.send(message(recipient="a@example.org", **more), NOW).failure


@pytest.mark.parametrize(
    ("code", "words", "at_mail", "at_rcpt", "at_data"),
    [
        (250, "ok", None, None, None),
        (251, "will forward", F.GARBAGE, None, F.GARBAGE),
        (399, "?", F.GARBAGE, F.GARBAGE, F.GARBAGE),
        (421, "closing", F.RATE_LIMITED, F.RATE_LIMITED, F.RATE_LIMITED),
        (450, "busy", F.TEMPORARY, F.TEMPORARY, F.TEMPORARY),
        (450, "Rate limit exceeded", F.RATE_LIMITED, F.RATE_LIMITED, F.RATE_LIMITED),
        (452, "too many recipients", F.RATE_LIMITED, F.RATE_LIMITED, F.RATE_LIMITED),
        (451, "slow down", F.RATE_LIMITED, F.RATE_LIMITED, F.RATE_LIMITED),
        (451, "throttled", F.RATE_LIMITED, F.RATE_LIMITED, F.RATE_LIMITED),
        (400, "x", F.TEMPORARY, F.TEMPORARY, F.TEMPORARY),
        (499, "x", F.TEMPORARY, F.TEMPORARY, F.TEMPORARY),
        (500, "x", F.REFUSED, F.RECIPIENT_REFUSED, F.REFUSED),
        (530, "sign in", F.SIGN_IN, F.SIGN_IN, F.SIGN_IN),
        (534, "x", F.SIGN_IN, F.SIGN_IN, F.SIGN_IN),
        (535, "x", F.SIGN_IN, F.SIGN_IN, F.SIGN_IN),
        (538, "x", F.SIGN_IN, F.SIGN_IN, F.SIGN_IN),
        (550, "too many", F.REFUSED, F.RECIPIENT_REFUSED, F.REFUSED),
        (599, "x", F.REFUSED, F.RECIPIENT_REFUSED, F.REFUSED),
        (600, "x", F.GARBAGE, F.GARBAGE, F.GARBAGE),
    ],
)
def test_a_mail_servers_answers(
    code: int, words: str, at_mail: Failure | None, at_rcpt: Failure | None, at_data: Failure | None
) -> None:
    answer = (code, words.encode())
    assert mailed(Server(mail=answer)) is at_mail
    assert mailed(Server(rcpt=answer)) is at_rcpt
    assert mailed(Server(data=answer)) is at_data
    if code not in (250, 251):
        assert mailed(Server(data=smtplib.SMTPDataError(code, words))) is at_data


def test_a_refusal_leaves_the_connection_fit_for_the_next_message_but_421_ends_it() -> None:
    for code, after in ((550, "rset"), (421, "close")):
        server = Server(rcpt=(code, b"no"))
        notifier = SmtpNotifier(account())
        notifier._client = server  # type: ignore[assignment]
        assert not notifier.send(message(recipient="a@example.org"), NOW).sent
        assert server.asked == ["mail", "rcpt", after]
        assert (notifier._client is None) is (code == 421)


@pytest.mark.parametrize(
    ("error", "before", "handed"),
    [
        (smtplib.SMTPAuthenticationError(454, b"later"), F.TEMPORARY, F.TEMPORARY),
        (smtplib.SMTPAuthenticationError(400, b"later"), F.TEMPORARY, F.TEMPORARY),
        (smtplib.SMTPAuthenticationError(499, b"later"), F.TEMPORARY, F.TEMPORARY),
        (smtplib.SMTPAuthenticationError(500, b"no"), F.SIGN_IN, F.SIGN_IN),
        (smtplib.SMTPAuthenticationError(535, b"no"), F.SIGN_IN, F.SIGN_IN),
        (smtplib.SMTPAuthenticationError(334, b"?"), F.SIGN_IN, F.SIGN_IN),
        (smtplib.SMTPNotSupportedError("STARTTLS extension not supported"), F.TLS, F.TLS),
        (smtplib.SMTPNotSupportedError("SMTP AUTH extension not supported"), F.SIGN_IN, F.SIGN_IN),
        (ssl.SSLCertVerificationError("expired"), F.TLS, F.TLS),
        (smtp._NoTls("454 not now"), F.TLS, F.TLS),
        (TimeoutError("timed out"), F.TIMED_OUT, F.BROKE_OFF),
        (smtplib.SMTPServerDisconnected("gone: timed out"), F.TIMED_OUT, F.BROKE_OFF),
        (smtplib.SMTPServerDisconnected("gone"), F.UNREACHABLE, F.BROKE_OFF),
        (ConnectionResetError("reset"), F.UNREACHABLE, F.BROKE_OFF),
        (socket.gaierror("no such host"), F.UNREACHABLE, F.BROKE_OFF),
        (smtplib.SMTPConnectError(421, "busy"), F.TEMPORARY, F.BROKE_OFF),
        (smtplib.SMTPConnectError(400, "busy"), F.TEMPORARY, F.BROKE_OFF),
        (smtplib.SMTPConnectError(554, "no"), F.UNREACHABLE, F.BROKE_OFF),
        (smtplib.SMTPConnectError(500, "no"), F.UNREACHABLE, F.BROKE_OFF),
        (smtplib.SMTPHeloError(500, "?"), F.GARBAGE, F.BROKE_OFF),
        (ValueError("?"), F.GARBAGE, F.GARBAGE),
        (ZeroDivisionError(), None, None),
    ],
)
def test_what_goes_wrong_on_the_way_to_a_mail_server(
    error: Exception, before: Failure | None, handed: Failure | None
) -> None:
    assert smtp._failure_of(error, handed=False) is before
    if handed is F.BROKE_OFF or before is handed:
        assert smtp._failure_of(error, handed=True) is handed


def test_a_defect_of_our_own_is_not_taken_for_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(ZeroDivisionError):
        mailed(Server(mail=ZeroDivisionError()))
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: Server(noop=ZeroDivisionError()))
    with pytest.raises(ZeroDivisionError):
        SmtpNotifier(account()).greet()


def test_a_server_is_told_the_addresses_alone_and_one_that_hangs_up_while_we_leave_breaks_nothing() -> None:
    gone = smtplib.SMTPServerDisconnected("gone")
    server = Server(quit=gone, rset=gone, close=OSError("gone"))
    notifier = SmtpNotifier(account())
    notifier._client = server  # type: ignore[assignment]
    assert notifier.send(message(recipient="a@example.org"), NOW).sent
    assert (server.given["mail"], server.given["rcpt"]) == (("u@example.org",), ("a@example.org",))
    notifier.close()
    assert server.asked[-1] == "quit"
    for answer in (550, 421):
        assert mailed(Server(rcpt=answer, rset=gone, close=OSError("gone"))) is not None


@pytest.mark.parametrize("length", [500, 501])
def test_no_more_is_kept_of_an_answer_than_a_page_shows_and_no_part_of_a_secret(length: int) -> None:
    found = posted(Answer(500, "x" * length)).answer
    assert (len(found), found[:5]) == (500, "500 x")
    # Cut before it is made unreadable, the beginning of a secret would stay.
    assert posted(Answer(500, "x" * 493 + "AC/12")).answer == "500 " + "x" * 493 + "***"
    assert len(ModemNotifier._classified(b"\r\n" + b"x" * length + b"\r\n").answer) == 500


def test_a_connection_the_server_closed_meanwhile_is_tried_once_more_at_once_unless_the_mail_was_handed_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    fresh = list[Server]()

    def connect(*_: Any, **__: Any) -> Server:
        fresh.append(Server())
        return fresh[-1]

    monkeypatch.setattr(smtplib, "SMTP", connect)
    gone = smtplib.SMTPServerDisconnected("gone")
    assert mailed(Server(mail=gone)) is None
    assert [s.asked.count("data") for s in fresh] == [1]
    assert mailed(Server(data=gone)) is F.BROKE_OFF
    assert len(fresh) == 1
    # What the server refused in words is not asked again.
    assert mailed(Server(rcpt=(450, b"later"))) is F.TEMPORARY
    assert len(fresh) == 1
    # The first connection of a batch is not tried twice.
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: Server(mail=gone))
    notifier = SmtpNotifier(account(security="none"))
    assert notifier.send(message(recipient="a@example.org"), NOW).failure is F.UNREACHABLE


@pytest.mark.parametrize(("user", "password", "signs_in"), [("u", "p", True), ("u", None, False), (None, None, False)])
def test_a_password_goes_out_only_after_starttls(
    monkeypatch: pytest.MonkeyPatch, user: str | None, password: str | None, signs_in: bool
) -> None:
    server = Server()
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: server)
    notifier = SmtpNotifier(account(user=user, password=password))
    assert notifier.send(message(recipient="a@example.org"), NOW).sent
    begin = ["ehlo_or_helo_if_needed", "starttls", "ehlo_or_helo_if_needed"]
    assert server.asked == [*begin, *["login"] * signs_in, "mail", "rcpt", "data"]
    for refusal in ((454, b"not now"), smtplib.SMTPResponseException(454, "not now")):
        refusing = Server(starttls=refusal)
        monkeypatch.setattr(smtplib, "SMTP", lambda *_, refusing=refusing, **__: refusing)
        notifier = SmtpNotifier(account(user="u", password="p"))
        assert notifier.send(message(recipient="a@example.org"), NOW).failure is F.TLS
        assert refusing.asked == ["ehlo_or_helo_if_needed", "starttls", "close"]


def test_greeting_a_mail_server_sends_nothing_and_leaves(monkeypatch: pytest.MonkeyPatch) -> None:
    server = Server()
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: server)
    found = SmtpNotifier(account(user="u", password="p")).greet()
    assert (found.failure, found.answer) == (None, "it answers, STARTTLS, signed in as u")
    assert server.asked[-2:] == ["noop", "quit"]
    assert not {"mail", "rcpt", "data"} & set(server.asked)
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: Server(noop=(451, b"later")))
    assert SmtpNotifier(account()).greet().failure is F.TEMPORARY
    monkeypatch.setattr(smtplib, "SMTP", lambda *_, **__: Server(noop=TimeoutError("timed out")))
    assert SmtpNotifier(account()).greet().failure is F.TIMED_OUT
    assert SmtpNotifier(account(security="none")).greet().failure is F.TIMED_OUT


@pytest.mark.parametrize("address", ["a", "a@b@c", "a b@c", "<a@c>", "a@c,b@c", "a;b@c", "ä@c", "a\n@c"])
def test_an_address_that_cannot_stand_in_a_header_is_none(address: str) -> None:
    with pytest.raises(ValueError, match="address"):
        compose(message(recipient=address), sender="u@example.org", now=NOW)


def test_a_mail_has_its_sender_its_thread_and_its_attachments() -> None:
    from service.notify.channels.base import Attachment

    plain = compose(message(recipient="a@b"), sender="u@example.org", now=NOW)
    assert plain["From"] == "Underweir <u@example.org>"
    assert plain["Message-ID"].endswith("@example.org>")
    assert not plain.is_multipart()
    assert compose(message(recipient="a@b"), sender="u", now=NOW)["Message-ID"].endswith("@u>")
    sheet = Attachment(name="day.csv", type="text/csv", content=b"1,2\n")
    full = compose(
        message(recipient="a@b", html="<p>x</p>", attached=(sheet,), reply_to_key="first"),
        sender="Plant <u@example.org>",
        now=NOW,
    )
    assert full["From"] == "Plant <u@example.org>"
    # RFC 5322 section 3.6; RFC 3834 section 5 keeps vacation responders from answering.
    assert (full["Date"], full["To"], full["Subject"]) == ("Wed, 14 Jan 2026 08:10:00 +0000", "a@b", "DANGER")
    assert full["Auto-Submitted"] == "auto-generated"
    text = full.get_body(("plain",))
    assert text is not None
    assert text.get_content() == "DANGER\n"
    assert full["References"] == full["In-Reply-To"] == smtp.message_id("first", "example.org")
    assert [(p.get_content_type(), p.get_filename()) for p in full.iter_attachments()] == [("text/csv", "day.csv")]


# --- gateways ---------------------------------------------------------------------------------------------------------


class Answer:
    """An answer of a gateway."""

    encoding = "utf-8"

    def __init__(self, status: int, text: str = "", headers: dict[str, str] | None = None) -> None:
        self.status_code, self.text, self.headers = status, text, headers or {}

    def iter_content(self, chunk_size: int) -> list[bytes]:
        raw = self.text.encode()
        return [raw[i : i + chunk_size] for i in range(0, len(raw), chunk_size)]

    def __enter__(self) -> Answer:
        return self

    def __exit__(self, *_: object) -> None:
        return None


def gateway(**more: Any) -> HttpGateway:
    given: dict[str, Any] = {
        "channel": "sms",
        "url": "https://gw.example.org/${account}/send",
        "body": '{"t": "${text}"}',
    }
    return HttpGateway(**given | {"secrets": {"account": "AC/12"}} | more)


class Session:
    """What requests would be, with one answer."""

    def __init__(self, answer: Answer | Exception) -> None:
        self.answer, self.asked, self.closed = answer, list[tuple[str, str, dict[str, Any]]](), False

    def request(self, method: str, url: str, **more: Any) -> Answer:
        self.asked.append((method, url, more))
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer

    def close(self) -> None:
        self.closed = True


def posted(answer: Answer | Exception, **more: Any) -> Any:
    notifier = HttpNotifier(gateway(**more))
    notifier._session = Session(answer)  # type: ignore[assignment]
    return notifier.send(message(), NOW)


@pytest.mark.parametrize(
    ("status", "failure"),
    [(199, F.GARBAGE), (200, None), (250, None), (299, None), (300, F.GARBAGE), (301, F.GARBAGE), (404, F.GARBAGE), (405, F.GARBAGE),
     (400, F.REFUSED), (413, F.REFUSED), (422, F.REFUSED), (401, F.SIGN_IN), (403, F.SIGN_IN), (407, F.SIGN_IN),
     (408, F.TEMPORARY), (429, F.RATE_LIMITED), (499, F.GARBAGE), (500, F.TEMPORARY), (503, F.TEMPORARY), (599, F.TEMPORARY)],
)  # fmt: skip
def test_a_gateways_statuses(status: int, failure: Failure | None) -> None:
    found = posted(Answer(status, "", {"Retry-After": "90"}))
    assert found.failure is failure
    assert found.retry_after == (timedelta(seconds=90) if failure in (F.RATE_LIMITED, F.TEMPORARY) else None)


def test_a_gateway_is_believed_when_it_says_what_the_site_file_asks_for() -> None:
    assert posted(Answer(200, "OK: 17"), success="^OK").sent
    assert posted(Answer(200, "sorry"), success="^OK").failure is F.GARBAGE
    assert posted(Answer(200, "bad number"), success="^OK", refused="bad number").failure is F.RECIPIENT_REFUSED
    assert posted(Answer(500, "bad number"), refused="bad number").failure is F.RECIPIENT_REFUSED
    named = posted(Answer(200, "OK: 17"), message_id=r"OK: (\d+)")
    assert (named.message_id, named.answer) == ("17", "id 17")
    assert posted(Answer(200, "fine"), message_id=r"OK: (\d+)").message_id is None


@pytest.mark.parametrize(
    ("error", "failure"),
    [
        (http_errors.SSLError("bad"), F.TLS),
        (http_errors.ConnectTimeout("slow"), F.TIMED_OUT),
        (http_errors.ReadTimeout("slow"), F.BROKE_OFF),
        (http_errors.ConnectionError("RemoteDisconnected"), F.BROKE_OFF),
        (http_errors.ConnectionError("ConnectionResetError"), F.BROKE_OFF),
        (http_errors.ConnectionError("refused"), F.UNREACHABLE),
        (http_errors.InvalidURL("?"), F.GARBAGE),
        (ValueError("?"), F.GARBAGE),
    ],
)
def test_what_goes_wrong_on_the_way_to_a_gateway(error: Exception, failure: Failure) -> None:
    notifier = HttpNotifier(gateway())
    session = Session(error)
    notifier._session = session  # type: ignore[assignment]
    assert notifier.send(message(), NOW).failure is failure
    assert session.closed  # the next message begins with a connection of its own


def test_an_answer_that_comes_too_late_leaves_it_open_whether_the_message_was_taken() -> None:
    assert posted(Answer(200, "OK"), timeout=-1.0).failure is F.BROKE_OFF


def test_a_gateway_is_asked_through_the_plants_proxy_and_a_webhook_never() -> None:
    plain = HttpNotifier(gateway())
    assert plain._connected().trust_env
    assert plain._connected() is plain._connected()
    adapter = requests.adapters.HTTPAdapter()
    guarded = HttpNotifier(gateway(), adapter=lambda: adapter)
    assert not guarded._connected().trust_env
    assert [guarded._connected().get_adapter(f"{scheme}://x/") for scheme in ("http", "https")] == [adapter, adapter]


@pytest.mark.parametrize(
    ("url", "proxies", "to"),
    [
        ("http://gw.example.org/x", {}, ("gw.example.org", 80)),
        ("http://gw.example.org:8080/${account}", {}, ("gw.example.org", 8080)),
        ("https://${account}.example.org/x", {"https": "http://proxy.example.org:3128"}, ("proxy.example.org", 3128)),
    ],
)
def test_greeting_a_gateway_connects_to_it_or_its_proxy_and_asks_nothing(
    monkeypatch: pytest.MonkeyPatch, url: str, proxies: dict[str, str], to: tuple[str, int]
) -> None:
    asked = list[tuple[tuple[str, int], float]]()
    answers: list[BaseException | None] = [None, TimeoutError(), ConnectionRefusedError("no"), ssl.SSLError("bad")]

    class Line:
        def __enter__(self) -> Line:
            return self

        def __exit__(self, *_: object) -> None:
            return None

    def connect(address: tuple[str, int], timeout: float) -> Line:
        asked.append((address, timeout))
        if (answer := answers.pop(0)) is not None:
            raise answer
        return Line()

    monkeypatch.setattr(socket, "create_connection", connect)
    monkeypatch.setattr(requests.utils, "get_environ_proxies", lambda url: proxies)
    found = [HttpNotifier(gateway(url=url)).greet() for _ in range(4)]
    assert [one.failure for one in found] == [None, F.TIMED_OUT, F.UNREACHABLE, F.TLS]
    assert found[0].answer == f"{'the proxy ' if proxies else ''}{to[0]}:{to[1]} takes connections"
    assert asked == [(to, 10)] * 4


def test_no_secret_comes_back_in_what_is_stored_of_an_answer() -> None:
    for answer in (Answer(500, "AC/12 at /AC%2F12/send"), http_errors.InvalidURL("AC/12 at /AC%2F12/send")):
        said = posted(answer).answer
        assert "***" in said
        assert "AC/12" not in said
        assert "AC%2F12" not in said
    assert posted(Answer(500, "x"), secrets={"account": "a", "empty": ""}).answer == "500 x"
    both = posted(Answer(500, "abcdef"), secrets={"account": "abc", "longer": "abcdef"}).answer
    assert both == "500 ***"


def test_what_is_asked_of_a_gateway() -> None:
    assert "AC/12" not in repr(gateway())
    notifier = HttpNotifier(gateway(headers={"X-Key": "${account}"}))
    session = Session(Answer(200))
    notifier._session = session  # type: ignore[assignment]
    notifier.send(message(text='5 m² "x"'), NOW)
    method, url, more = session.asked[0]
    assert (method, url) == ("POST", "https://gw.example.org/AC%2F12/send")
    assert more["data"] == b'{"t": "5 m2 \\"x\\""}'
    assert more["headers"] == {"X-Key": "AC/12", "Content-Type": "application/json"}
    assert (more["timeout"], more["allow_redirects"], more["stream"], more["verify"]) == (
        (10.0, 15.0),
        False,
        True,
        True,
    )
    signed = HttpNotifier(gateway(channel="webhook"), sign=lambda body, now: {"X-Sum": f"{len(body)} {now:%H:%M}"})
    session = Session(Answer(200))
    signed._session = session  # type: ignore[assignment]
    assert signed.send(message(recipient="a key, no number"), NOW).sent
    assert session.asked[0][2]["headers"]["X-Sum"] == f"{len(session.asked[0][2]['data'])} 08:10"
    got = HttpNotifier(gateway(body="", timeout=4.0, ca_file="/ca.pem"))
    session = Session(Answer(200))
    got._session = session  # type: ignore[assignment]
    got.send(message(), NOW)
    assert session.asked[0][2] == {
        "data": None, "headers": {}, "timeout": (4.0, 4.0), "allow_redirects": False, "stream": True, "verify": "/ca.pem"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("number", "usable"),
    [("+15550100199", True), ("15550100199", False), ("+05550100199", False), ("+1", False), ("+" + "1" * 15, True), ("+" + "1" * 16, False),
     (" +15550100199", False), ("+15550100199 ", False)],
)  # fmt: skip
def test_only_a_whole_number_of_at_most_fifteen_digits_is_asked_for(number: str, usable: bool) -> None:
    """ITU-T E.164: country code without a leading nought, fifteen digits at most."""
    notifier = HttpNotifier(gateway())
    notifier._session = Session(Answer(200))  # type: ignore[assignment]
    found = notifier.send(message(recipient=number), NOW)
    assert (found.failure is F.UNUSABLE_ADDRESS) is not usable


@pytest.mark.parametrize(
    ("kind", "value", "written"),
    [
        ("application/json; charset=utf-8", 'a"b\n', 'a\\"b\\n'),
        ("application/vnd.x+JSON", '"', '\\"'),
        ("application/x-www-form-urlencoded", "a&b=c d/", "a%26b%3Dc%20d%2F"),
        ("text/xml", "<&>\"'", "&lt;&amp;&gt;&quot;&apos;"),
        ("text/plain", "<&>", "<&>"),
    ],
)
def test_each_kind_of_body_has_its_own_way_to_write_a_value(kind: str, value: str, written: str) -> None:
    assert http_gateway._escape_for(kind)(value) == written


@pytest.mark.parametrize(
    ("said", "wait"),
    [(None, None), ("120", 120), (" 7 ", 7), ("99999999", 86_400), ("86400", 86_400), ("-5", None), ("soon", None), ("", None),
     ("Wed, 14 Jan 2026 08:12:00 GMT", 120), ("Wed, 14 Jan 2026 08:00:00 GMT", 0), ("Wed, 14 Jan 2026 08:12:00 -0000", None)],
)  # fmt: skip
def test_how_long_a_server_asks_to_wait(said: str | None, wait: int | None) -> None:
    """RFC 9110 section 10.2.3: seconds or a date."""
    assert http_gateway._retry_after(said, NOW) == (None if wait is None else timedelta(seconds=wait))


def test_an_answer_is_read_only_so_far_and_so_long() -> None:
    long = SimpleNamespace(iter_content=lambda chunk_size: iter([b"x" * 30_000] * 9), encoding=None)
    assert len(http_gateway._read(long, float("inf"))) == 90_000  # type: ignore[arg-type]
    with pytest.raises(http_gateway._TooSlow):
        http_gateway._read(long, 0.0)  # type: ignore[arg-type]
    latin = SimpleNamespace(iter_content=lambda chunk_size: iter([b"\xe9"]), encoding="latin-1")
    assert http_gateway._read(latin, float("inf")) == "é"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "wrong",
    [{"body": "5 $"}, {"url": "https://x/${nobody}"}, {"headers": {"A": "${b"}}, {"success": "("}, {"refused": "["}, {"message_id": "no group"},
     {"message_id": "(two)(groups)"}],
)  # fmt: skip
def test_a_gateway_that_is_described_wrongly_is_refused_with_its_place(wrong: dict[str, Any]) -> None:
    with pytest.raises(ConfigError, match=r"gateway sms: .*(body|url|A|success|refused|message_id)"):
        gateway(**wrong)
    assert gateway(body="$$5 ${to} ${to_digits} ${text} ${subject} ${key} ${created_at}", message_id="(one)")


# --- what is looked at from outside -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("status", "well"), [(199, False), (200, True), (204, True), (299, True), (300, False), (302, False), (503, False)]
)
def test_only_a_success_is_a_sign_of_life(monkeypatch: pytest.MonkeyPatch, status: int, well: bool) -> None:
    asked = list[dict[str, Any]]()

    def get(url: str, **more: Any) -> Answer:
        asked.append({"url": url} | more)
        return Answer(status)

    monkeypatch.setattr(requests, "get", get)
    assert (look.check_health("https://u.example.org") is None) is well
    assert (look.send_heartbeat("https://watcher.example.org/secret") is None) is well
    assert [one["url"] for one in asked] == [
        "https://u.example.org/readyz/alarms",
        "https://watcher.example.org/secret",
    ]
    for one in asked:
        assert (one["timeout"], one["allow_redirects"], one["stream"]) == (10.0, False, True)


@pytest.mark.parametrize(
    ("error", "words"),
    [(http_errors.SSLError, "its certificate is not right"), (http_errors.ConnectTimeout, "no answer in time"),
     (http_errors.ReadTimeout, "no answer in time"), (http_errors.ConnectionError, "it cannot be reached"), (http_errors.InvalidURL, "InvalidURL")],
)  # fmt: skip
def test_why_nothing_was_seen_and_never_the_secret_address(
    monkeypatch: pytest.MonkeyPatch, error: type[Exception], words: str
) -> None:
    def get(url: str, **_: Any) -> Answer:
        raise error(url)

    monkeypatch.setattr(requests, "get", get)
    assert look.check_health("https://u.example.org/secret") == words
    assert look.send_heartbeat("https://watcher.example.org/secret") == error.__name__


@pytest.mark.parametrize(
    ("url", "shown"),
    [("http://[::1]:8080/x", "http://[::1]:8080"), ("https://u.example.org", "https://u.example.org"), ("https://a:b@c.example.org/", "https://c.example.org")],
)  # fmt: skip
def test_an_address_is_shown_without_what_is_secret_in_it(url: str, shown: str) -> None:
    assert look.redacted_url(url) == shown


# --- a modem ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "failure"),
    [
        *((f"+CMS ERROR: {cause}", F.RECIPIENT_REFUSED) for cause in (1, 8, 10, 28, 29, 30, 50, 69, 96, 305)),
        *((f"+CMS ERROR: {cause}", F.SIGN_IN) for cause in (310, 311, 312, 313, 315, 316, 317, 318)),
        *((f"+CMS ERROR: {cause}", F.RATE_LIMITED) for cause in (42, 47)),
        *((f"+CMS ERROR: {cause}", F.TEMPORARY) for cause in (38, 41, 314, 331, 332, 500)),
        ("+CME ERROR: 10", F.SIGN_IN),
        ("+CME ERROR: 30", F.TEMPORARY),
        ("ERROR", F.TEMPORARY),
        ("+CMGS: 17\r\n\r\nOK", None),
    ],
)  # fmt: skip
def test_a_modems_answers(said: str, failure: Failure | None) -> None:
    found = ModemNotifier._classified(f"\r\n{said}\r\n".encode())
    assert found.failure is failure
    assert found.answer == " ".join(said.split())
