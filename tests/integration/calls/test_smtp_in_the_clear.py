"""A mail server that offers STARTTLS and then refuses it, as one that somebody in between has tampered with does."""

from __future__ import annotations

import smtplib
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from service.calls.retry import Failure
from service.notify.channels.base import Message
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)


@contextmanager
def refusing(answer: bytes, heard: list[bytes]) -> Iterator[int]:
    """A server that takes everything but STARTTLS, and keeps what it heard."""
    listening = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        connection, _ = listening.accept()
        with connection, connection.makefile("rwb", buffering=0) as line:
            line.write(b"220 mail.example.org\r\n")
            data = False
            while said := line.readline():
                heard.append(said.strip())
                verb = said.split()[0].upper() if said.split() else b""
                if data:
                    data = said != b".\r\n"
                    if not data:
                        line.write(b"250 taken\r\n")
                elif verb == b"EHLO":
                    line.write(b"250-mail.example.org\r\n250-AUTH PLAIN LOGIN\r\n250 STARTTLS\r\n")
                elif verb == b"STARTTLS":
                    line.write(answer + b"\r\n")
                elif verb == b"AUTH":
                    line.write(b"235 signed in\r\n")
                elif verb == b"DATA":
                    data = True
                    line.write(b"354 go on\r\n")
                else:
                    line.write(b"250 OK\r\n")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listening.getsockname()[1]
    finally:
        listening.close()
        thread.join(120)


def send(port: int) -> Failure | None:
    account = SmtpAccount(
        host="127.0.0.1", port=port, sender="underweir@example.org", user="plant", password="secret", timeout=30.0
    )
    notifier = SmtpNotifier(account)
    try:
        given = Message(key="k", recipient="night@example.org", subject="DANGER", text="DANGER", created_at=NOW)
        return notifier.send(given, NOW).failure
    finally:
        notifier.close()


# RFC 3207 section 4: 454 is "TLS not available due to temporary reason"; the other two are what middle boxes answer (from memory).
@pytest.mark.parametrize("answer", [b"454 4.7.0 TLS not available", b"500 what?", b"250 OK"])
def test_neither_password_nor_alarm_goes_out_in_the_clear_when_starttls_is_refused(answer: bytes) -> None:
    heard: list[bytes] = []
    with refusing(answer, heard) as port:
        assert send(port) is Failure.TLS
    said = [line.split()[0].upper() for line in heard if line.split()]
    assert b"STARTTLS" in said
    assert not {b"AUTH", b"MAIL", b"RCPT", b"DATA"} & set(said)


def test_a_library_that_only_reports_the_refusal_is_not_trusted_to_have_stopped(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """``smtplib.SMTP.starttls`` returns the answer in some Python versions where others raise."""
    monkeypatch.setattr(smtplib.SMTP, "starttls", lambda self, context: (454, b"4.7.0 not now"))
    heard: list[bytes] = []
    with refusing(b"454 4.7.0 not now", heard) as port:
        assert send(port) is Failure.TLS
    assert not [line for line in heard if line.upper().startswith((b"AUTH", b"MAIL"))]
