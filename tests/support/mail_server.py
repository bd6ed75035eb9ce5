"""A real SMTP server in this process that can be told to misbehave."""

from __future__ import annotations

import asyncio
import email.policy
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.parser import BytesParser
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session


@dataclass
class Mailbox:
    """What arrived, and how the server is to behave. Answers are used up from the front; when empty, all is well."""

    raw: list[bytes] = field(default_factory=list)
    recipients: list[str] = field(default_factory=list)
    rcpt_answers: list[str] = field(default_factory=list)
    data_answers: list[str] = field(default_factory=list)
    #: Recipients refused for good.
    unknown: set[str] = field(default_factory=set)
    #: Seconds to wait before answering the end of DATA.
    hang: float = 0.0
    #: Drop the connection instead of answering the end of DATA; the message is kept.
    vanish: bool = False
    connections: int = 0

    @property
    def mails(self) -> list[EmailMessage]:
        parser = BytesParser(policy=email.policy.default)
        return [parser.parsebytes(raw) for raw in self.raw]

    @property
    def subjects(self) -> list[str]:
        return [str(mail["Subject"]) for mail in self.mails]

    async def handle_RCPT(  # noqa: N802  (aiosmtpd's name)
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.unknown:
            return "550 5.1.1 no such mailbox"
        if self.rcpt_answers:
            return self.rcpt_answers.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.data_answers:
            return self.data_answers.pop(0)
        if self.hang:
            await asyncio.sleep(self.hang)
        assert isinstance(envelope.content, bytes)
        self.raw.append(envelope.content)
        self.recipients += [str(recipient) for recipient in envelope.rcpt_tos]
        if self.vanish:
            assert server.transport is not None
            server.transport.close()
        return "250 2.0.0 taken"


class _Counting(Controller):
    def factory(self) -> Any:
        self.handler.connections += 1
        return super().factory()  # type: ignore[no-untyped-call]

    def _trigger_server(self) -> None:
        # aiosmtpd checks itself by connecting to the port asked for, which is 0 here.
        server: Any = self.server
        self.port = server.sockets[0].getsockname()[1]
        super()._trigger_server()  # type: ignore[no-untyped-call]


USER, PASSWORD = "underweir", "correct horse"


def _authenticate(
    server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: LoginPassword
) -> AuthResult:
    right = data.login.decode() == USER and data.password.decode() == PASSWORD
    return AuthResult(success=right, handled=False)


@contextmanager
def mail_server(
    mailbox: Mailbox,
    *,
    starttls: ssl.SSLContext | None = None,
    tls: ssl.SSLContext | None = None,
    auth: bool = False,
) -> Iterator[int]:
    """Run the server and yield its port."""
    options: dict[str, Any] = {}
    if starttls is not None:
        options |= {"tls_context": starttls, "require_starttls": True}
    if auth:
        options |= {
            "authenticator": _authenticate,
            "auth_required": True,
            # aiosmtpd does not see that implicit TLS is TLS too.
            "auth_require_tls": starttls is not None,
        }
    controller = _Counting(mailbox, hostname="127.0.0.1", port=0, ssl_context=tls, **options)
    controller.start()
    mailbox.connections = 0  # the controller has tried itself
    try:
        yield controller.port
    finally:
        controller.stop(no_assert=True)
