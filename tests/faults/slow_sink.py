"""A mail server that notes when each mail came, and can be told to misbehave."""

from __future__ import annotations

import asyncio
import time
from email.message import EmailMessage
from typing import Any

from service.demo.mail_sink import MailSink


class SlowSink(MailSink):
    """A mail server that may take its time, drop the line after taking a mail, or refuse for now."""

    def __init__(self) -> None:
        super().__init__()
        self.arrived_at: list[float] = []
        self.wait = 0.0
        self.vanish = False
        self.refuse = False

    def __enter__(self) -> SlowSink:
        super().__enter__()
        return self

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        if self.refuse:
            return "451 4.3.0 not now"
        if self.wait:
            await asyncio.sleep(self.wait)
        answer = await super().handle_DATA(server, session, envelope)
        self.arrived_at.append(time.monotonic())
        if self.vanish:
            server.transport.close()
        return answer

    def since(self, count: int) -> list[tuple[EmailMessage, float]]:
        """Mails from the *count*-th on, with their times."""
        return list(zip(self.mails[count:], self.arrived_at[count:], strict=False))
