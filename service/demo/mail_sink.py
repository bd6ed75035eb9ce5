"""A real SMTP server on loopback that keeps what it is given: the demo's other end of the line."""

from __future__ import annotations

import socket
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller


class MailSink:
    """Accepts every mail; use as a context manager, then read ``mails``."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.port = free_port()
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port)

    async def handle_DATA(  # noqa: N802  (aiosmtpd calls it by this name)
        self, server: Any, session: Any, envelope: Any
    ) -> str:
        """Called by the server for each mail."""
        message = message_from_bytes(envelope.content, policy=policy.default)
        assert isinstance(message, EmailMessage)
        self.mails.append(message)
        return "250 kept"

    def __enter__(self) -> MailSink:
        self._controller.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        self._controller.stop()


def free_port() -> int:
    """A TCP port of the loopback interface that nothing listens on now."""
    # The controller cannot be asked for "any port": it connects to the number it was given to see whether it is up.
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
