"""Sends e-mail by SMTP submission (RFC 6409), one recipient a message; classifies every answer."""

from __future__ import annotations

import contextlib
import hashlib
import smtplib
import socket
import ssl
from dataclasses import dataclass
from datetime import datetime
from email.errors import MessageError
from email.message import EmailMessage
from email.utils import format_datetime, formataddr, parseaddr
from typing import Literal

from service.calls.retry import Failure
from service.notify.channels.base import Message, Receipt


@dataclass(frozen=True, slots=True, kw_only=True)
class SmtpAccount:
    """Submission server and credentials."""

    host: str
    port: int
    sender: str  #: an address, with or without a display name
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password: str | None = None
    timeout: float = 30.0  #: for every answer of the server [s]
    #: CA certificates in place of the system store, for servers with a private CA.
    ca_file: str | None = None

    def __repr__(self) -> str:
        return f"SmtpAccount({self.user or ''}@{self.host}:{self.port}, {self.security})"


class SmtpNotifier:
    """Sends through one account; keeps the connection for a batch and closes it with :meth:`close`."""

    channel = "email"

    def __init__(self, account: SmtpAccount) -> None:
        self._account = account
        self._client: smtplib.SMTP | None = None

    def send(self, message: Message, now: datetime) -> Receipt:
        """Hand one message over."""
        try:
            mail = compose(message, sender=self._account.sender, now=now)
        except (ValueError, MessageError, UnicodeError) as exc:
            return Receipt(failure=Failure.UNUSABLE_ADDRESS, answer=str(exc))
        reused = self._client is not None
        receipt = self._try(mail, message.recipient)
        if reused and receipt.failure is Failure.UNREACHABLE:
            # Servers close idle connections; nothing of this message was accepted yet, so a fresh one may try at once.
            return self._try(mail, message.recipient)
        return receipt

    def greet(self) -> Receipt:
        """Test the connection: connect, TLS, sign in; sends no message."""
        try:
            client = self._connected()
            code, answer = client.noop()
            if code != 250:
                return self._refused(code, answer, recipient=False)
            done = {"starttls": "STARTTLS", "tls": "TLS", "none": "without protection"}[self._account.security]
            signed_in = f", signed in as {self._account.user}" if self._account.user is not None else ""
            return Receipt(answer=f"it answers, {done}{signed_in}")
        except Exception as exc:
            failure = _failure_of(exc, handed=False)
            if failure is None:
                raise
            return Receipt(failure=failure, answer=_said(exc))
        finally:
            self.close()

    def close(self) -> None:
        """Close the connection."""
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(smtplib.SMTPException, OSError):
                client.quit()

    def _try(self, mail: EmailMessage, recipient: str) -> Receipt:
        """One attempt; unreachable means that the server certainly did not accept the message."""
        handed = False
        try:
            client = self._connected()
            code, answer = client.mail(parseaddr(self._account.sender)[1])
            if code != 250:
                return self._refused(code, answer, recipient=False)
            code, answer = client.rcpt(recipient)
            if code not in (250, 251):
                return self._refused(code, answer, recipient=True)
            handed = True
            code, answer = client.data(mail.as_bytes(policy=mail.policy.clone(linesep="\r\n")))
            if code != 250:
                return self._refused(code, answer, recipient=False)
            return Receipt(answer=_words(code, answer))
        except smtplib.SMTPDataError as exc:
            return self._refused(exc.smtp_code, exc.smtp_error, recipient=False)
        except Exception as exc:
            self._drop()
            failure = _failure_of(exc, handed=handed)
            if failure is None:
                raise
            return Receipt(failure=failure, answer=_said(exc))

    def _connected(self) -> smtplib.SMTP:
        if self._client is not None:
            return self._client
        account = self._account
        context = ssl.create_default_context(cafile=account.ca_file) if account.security != "none" else None
        client: smtplib.SMTP
        if account.security == "tls":
            client = smtplib.SMTP_SSL(account.host, account.port, timeout=account.timeout, context=context)
        else:
            client = smtplib.SMTP(account.host, account.port, timeout=account.timeout)
        try:
            client.ehlo_or_helo_if_needed()
            if account.security == "starttls":
                try:
                    code, answer = client.starttls(context=context)
                except smtplib.SMTPResponseException as exc:
                    raise _NoTls(_said(exc)) from exc
                if code != 220:  # some versions of smtplib go on in the clear
                    raise _NoTls(_words(code, answer))
                client.ehlo_or_helo_if_needed()
            if account.user is not None and account.password is not None:
                client.login(account.user, account.password)
        except BaseException:
            client.close()
            raise
        self._client = client
        return client

    def _refused(self, code: int, answer: bytes | str, *, recipient: bool) -> Receipt:
        words = _words(code, answer)
        if self._client is not None:
            if code == 421:
                self._drop()  # RFC 5321 section 3.8: the server closes the connection after it
            else:
                with contextlib.suppress(smtplib.SMTPException, OSError):
                    self._client.rset()
        if code == 421 or (400 <= code < 500 and _slow_down(words)):
            return Receipt(failure=Failure.RATE_LIMITED, answer=words)
        if 400 <= code < 500:
            return Receipt(failure=Failure.TEMPORARY, answer=words)
        if code in (530, 534, 535, 538):  # RFC 4954: the account, not the message, is refused
            return Receipt(failure=Failure.SIGN_IN, answer=words)
        if 500 <= code < 600:
            return Receipt(failure=Failure.RECIPIENT_REFUSED if recipient else Failure.REFUSED, answer=words)
        return Receipt(failure=Failure.GARBAGE, answer=words)

    def _drop(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with contextlib.suppress(OSError):
                client.close()


def compose(message: Message, *, sender: str, now: datetime) -> EmailMessage:
    """The mail itself: RFC 5322 headers, text and HTML parts, marked as machine-made by RFC 3834.

    Raises
    ------
    ValueError
        when an address cannot stand in a header.
    """
    name, address = parseaddr(sender)
    domain = address.rpartition("@")[2]
    if message.recipient.count("@") != 1 or any(c.isspace() or c in "<>,;" for c in message.recipient):
        raise ValueError(f"{message.recipient!r} is not an e-mail address")
    if not message.recipient.isascii():
        # Such an address would need SMTPUTF8 (RFC 6531) all the way to the mailbox.
        raise ValueError(f"{message.recipient!r} has characters that mail servers do not carry in addresses")
    mail = EmailMessage()
    mail["Date"] = format_datetime(now)
    mail["From"] = formataddr((name or "Underweir", address))
    mail["To"] = message.recipient
    mail["Subject"] = " ".join(message.subject.split())  # a line break would begin another header, and refuses the mail
    mail["Message-ID"] = message_id(message.key, domain)
    if message.reply_to_key is not None:
        first = message_id(message.reply_to_key, domain)
        mail["In-Reply-To"] = first
        mail["References"] = first
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(message.text, cte="quoted-printable")
    if message.html:
        mail.add_alternative(message.html, subtype="html", cte="quoted-printable")
    for document in message.attached:
        kind, _, subtype = document.type.partition("/")
        mail.add_attachment(document.content, maintype=kind, subtype=subtype, filename=document.name)
    return mail


def message_id(key: str, domain: str) -> str:
    """The Message-ID of an outbox key: the same on every try, so that mailbox and people recognise a duplicate.

    >>> message_id("a|b", "example.org") == message_id("a|b", "example.org")
    True
    """
    return f"<{hashlib.sha256(key.encode()).hexdigest()[:32]}@{domain}>"


class _NoTls(Exception):
    """The server offers STARTTLS but refuses it."""


def _slow_down(words: str) -> bool:
    return any(mark in words.casefold() for mark in ("rate limit", "too many", "slow down", "throttl"))


def _failure_of(exc: Exception, *, handed: bool) -> Failure | None:
    """What an exception of smtplib, ssl or the socket means; None for a defect of our own."""
    if isinstance(exc, smtplib.SMTPAuthenticationError):
        return Failure.TEMPORARY if 400 <= exc.smtp_code < 500 else Failure.SIGN_IN
    if isinstance(exc, smtplib.SMTPNotSupportedError):
        # No STARTTLS or no sign-in offered: sending on in the clear is not ours to decide.
        return Failure.TLS if "STARTTLS" in str(exc) else Failure.SIGN_IN
    if isinstance(exc, ssl.SSLError | _NoTls):
        return Failure.TLS
    if handed and isinstance(exc, smtplib.SMTPServerDisconnected | OSError):
        return Failure.BROKE_OFF
    if isinstance(exc, TimeoutError):
        return Failure.TIMED_OUT
    if isinstance(exc, smtplib.SMTPServerDisconnected):
        # smtplib turns a time-out while reading an answer into a disconnect.
        return Failure.TIMED_OUT if "timed out" in str(exc) else Failure.UNREACHABLE
    if isinstance(exc, smtplib.SMTPConnectError):
        return Failure.TEMPORARY if 400 <= exc.smtp_code < 500 else Failure.UNREACHABLE
    if isinstance(exc, socket.gaierror | OSError) and not isinstance(exc, smtplib.SMTPException):
        return Failure.UNREACHABLE
    if isinstance(exc, smtplib.SMTPException | ValueError | UnicodeError):
        return Failure.GARBAGE
    return None


def _words(code: int, answer: bytes | str) -> str:
    words = answer.decode("utf-8", "replace") if isinstance(answer, bytes) else answer
    return f"{code} {' '.join(words.split())}"


def _said(exc: Exception) -> str:
    if isinstance(exc, smtplib.SMTPResponseException):
        return _words(exc.smtp_code, exc.smtp_error)
    return f"{type(exc).__name__}: {exc}"
