"""Closes connections that send their request too slowly; connections are limited."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

#: Timeout of a request's head [s]; longer than the keep-alive pause between two requests.
HEAD_S = 30.0
#: Timeout of its body [s]: a large round over a weak mobile connection still gets through.
BODY_S = 120.0
#: Interval of the checks [s].
CHECK_S = 2.0


class RequestTimeoutProtocol(H11Protocol):
    """Uvicorn's HTTP protocol with timeouts on requests. Responses have none: event streams stay open."""

    _since: float = 0.0
    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Start the clock."""
        super().connection_made(transport)
        self._since = self.loop.time()
        self._schedule_check()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop the checks."""
        if self._timer is not None:
            self._timer.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Restart the clock for the next request."""
        self._since = self.loop.time()
        super().on_response_complete()

    def _schedule_check(self) -> None:
        self._timer = self.loop.call_later(CHECK_S, self._check)

    def _check(self) -> None:
        waited = self.loop.time() - self._since
        sending: Any = self.cycle
        answering = sending is not None and not sending.response_complete
        if answering:
            # The head is here; h11 knows whether more of the body has to come.
            too_slow = self.conn.their_state is h11.SEND_BODY and waited > BODY_S
        else:
            too_slow = waited > HEAD_S
        if too_slow:
            self.transport.close()
        else:
            self._schedule_check()
