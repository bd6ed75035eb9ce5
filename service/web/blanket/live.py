"""What every open page listens to: one stream of small events, which say that something changed and how many alarms wait.

The plant is read once for all listeners, and an event is the same for everybody. A page that hears of a change fetches itself
again and takes over what differs (``static/live.js``), so that what somebody is typing stays.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response, StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.errors import ServiceError
from service.web.base.access import Viewer, visitor_of
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import words_of
from service.web.blanket.board import Board
from service.web.blanket.board_page import board_html

router = APIRouter(include_in_schema=False)

#: Interval of events. [s]
BEAT_S = 2.0
#: Events between checks of the session.
CHECK_BEATS = 15
#: Open streams of all screens together; a stream holds no thread while it waits.
MOST_SCREENS = 500


@dataclass(frozen=True, slots=True)
class LiveState:
    """The plant as screens are told of it."""

    clock: str
    waiting: int  #: alarms that nobody has acknowledged
    alarms: str  #: changes with what the alarms say
    plant: str  #: changes with what any tank or alarm says

    @property
    def id(self) -> str:
        """The event's id: the same plant has the same on every node and after a restart, so that a screen resumes anywhere."""
        return f"{self.alarms}.{self.plant}"


class LiveFeed:
    """Reads the plant for all streams at once, at most once a beat and only while somebody listens."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._lock = asyncio.Lock()
        self._read_at = -BEAT_S
        self._state: LiveState | None = None
        #: Streams open now.
        self.screens = 0

    async def state(self, plant: WebPlant) -> LiveState | None:
        """The plant now, at most a beat old; None when it cannot be read."""
        async with self._lock:
            if time.monotonic() - self._read_at >= BEAT_S * 0.9:
                try:
                    self._state = await run_in_threadpool(self._read, plant)
                except ServiceError:
                    self._state = None
                # Also after a failure: a database that is away is asked once a beat, not once a screen.
                self._read_at = time.monotonic()
            return self._state

    def _read(self, plant: WebPlant) -> LiveState:
        view = self._board.view()
        alarms = [
            (a.record.key, a.state, a.record.machine.code, a.record.machine.occurred_at, a.record.machine.actor)
            for a in view.alarms
        ]
        # The minute, as pages say how long ago things were and how long it takes until danger.
        shown = board_html(self._board, plant, view, may_log=False) + view.at.isoformat(timespec="minutes")
        return LiveState(
            clock=words_of(plant).clock(view.at),
            waiting=view.waiting,
            alarms=_mark(repr(alarms)),
            plant=_mark(shown + repr(alarms)),
        )


def _mark(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@router.get("/live")
async def live(request: Request, plant: Plant, visitor: Viewer, once: bool = False) -> Response:
    """The stream; with *once* its present event alone, for pages that nobody looks at."""
    feed: LiveFeed = request.app.state.live
    if once:
        state = await feed.state(plant)
        if state is None:
            raise HTTPException(503, "The plant cannot be read now; try again.")
        return Response(_data(state), media_type="application/json", headers={"Cache-Control": "no-store"})
    if feed.screens >= MOST_SCREENS:
        raise HTTPException(503, "Too many screens are open; close some.")

    def authorized() -> bool:
        return visitor_of(request, plant).person is not None

    return StreamingResponse(
        _events(request, feed, plant, authorized),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _events(
    request: Request, feed: LiveFeed, plant: WebPlant, authorized: Callable[[], bool]
) -> AsyncIterator[str]:
    # A coroutine, not a thread: an open page waits nearly all the time.
    beats = 0
    stopping = request.app.state.stopping
    feed.screens += 1
    try:
        yield "retry: 3000\n\n"
        while not stopping.is_set():
            beats += 1
            if beats % CHECK_BEATS == 0 and not await run_in_threadpool(authorized):
                yield "event: leave\ndata: {}\n\n"
                return
            state = await feed.state(plant)
            yield "event: trouble\ndata: {}\n\n" if state is None else f"id: {state.id}\ndata: {_data(state)}\n\n"
            await asyncio.sleep(BEAT_S)
    finally:
        feed.screens -= 1


def _data(state: LiveState) -> str:
    return json.dumps(
        {"clock": state.clock, "waiting": state.waiting, "alarms": state.alarms, "plant": state.plant},
        separators=(",", ":"),
    )
