"""Closes connections that send their request too slowly; connections are limited."""

from __future__ import annotations

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

#: The head of a request takes no longer [s]; more than the pause that a kept connection may make between two of them.
HEAD_S = 30.0
#: Nor does its body [s]: a large round over a weak mobile connection still gets through.
BODY_S = 120.0
#: How often it is looked at [s].
LOOK_S = 2.0


class PatientProtocol(H11Protocol):
    """Uvicorn's own protocol, which waits for ever, with an end to it. Answers may take as long as they like: pages stay open."""

    _since: float = 0.0
    _looking: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Somebody has connected."""
        super().connection_made(transport)
        self._since = self.loop.time()
        self._look_again()

    def connection_lost(self, exc: Exception | None) -> None:
        """They are gone."""
        if self._looking is not None:
            self._looking.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """An answer is out; the next request may come."""
        self._since = self.loop.time()
        super().on_response_complete()

    def _look_again(self) -> None:
        self._looking = self.loop.call_later(LOOK_S, self._look)

    def _look(self) -> None:
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
            self._look_again()
