"""A real SMTP server on loopback that keeps what it is given: the demo's other end of the line."""

from __future__ import annotations

from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller


class MailSink:
    """Accepts every mail; use as a context manager, then read ``mails``."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        # Port 0: the system picks a free one, so that two demos can run side by side.
        self._controller = Controller(self, hostname="127.0.0.1", port=0)

    @property
    def port(self) -> int:
        """Where it listens."""
        server = self._controller.server
        assert server is not None
        return int(server.sockets[0].getsockname()[1])

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        """Called by the server for each mail (aiosmtpd's handler interface)."""
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.mails.append(message)
        return "250 kept"

    def __enter__(self) -> MailSink:
        self._controller.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        self._controller.stop()
