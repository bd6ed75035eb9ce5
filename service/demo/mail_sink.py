"""An SMTP server on loopback that keeps every mail it receives."""

from __future__ import annotations

import asyncio
import socket
from email import message_from_bytes, policy
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller


class MailSink:
    """Accepts every mail; use as a context manager, then read ``mails``."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self._taken = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._taken.getsockname()[1])
        self._controller = _Server(self, self._taken)

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
        self._controller.hang_up()
        self._controller.stop()


class _Server(Controller):
    """Listens on a socket that is taken already: a port that is chosen first and taken later may be somebody else's by then."""

    def __init__(self, handler: MailSink, taken: socket.socket) -> None:
        super().__init__(handler, hostname="127.0.0.1", port=taken.getsockname()[1])
        self._taken = taken
        self._lines: list[Any] = []

    def factory(self) -> Any:
        """Called for each connection."""
        self._lines.append(super().factory())  # type: ignore[no-untyped-call]
        return self._lines[-1]

    def _create_server(self) -> Any:
        return self.loop.create_server(self._factory_invoker, sock=self._taken)

    def hang_up(self) -> None:
        """Close what clients have left open; the controller only stops to listen."""

        async def close() -> None:
            await asyncio.sleep(0)  # whoever has just come in gets a line first
            for line in self._lines:
                if line.transport is not None:
                    line.transport.abort()
            await asyncio.sleep(0)  # which lets go of its socket a turn later

        asyncio.run_coroutine_threadsafe(close(), self.loop).result()
