"""Overview page: every tank, the worst first, kept current by an event stream."""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, StreamingResponse
from starlette.concurrency import run_in_threadpool

from service.domain.plant.display import describe_height
from service.domain.plant.role import Role
from service.errors import ServiceError
from service.web.base.access import Principal, Viewer, visitor_of
from service.web.base.formatters import Words
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import fragment, page, words_of
from service.web.blanket.board import Board, BoardView, TankView
from service.web.charts.tank_section import SectionDrawing, draw

router = APIRouter(include_in_schema=False)

#: How often a page that is open is told what is new, and that we are still there.
BEAT_S = 2.0
#: How often it is asked whether the one who looks may still look.
CHECK_BEATS = 15


@router.get("/")
def overview(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The page."""
    view = board_of(request).view()
    return page(request, plant, visitor, "overview.html.j2", view=view, board=board_html(plant, view, visitor))


@router.get("/live")
def live(request: Request, plant: Plant, visitor: Viewer) -> StreamingResponse:
    """What is new, as server-sent events, for as long as somebody looks."""
    board = board_of(request)

    def now() -> tuple[str, str]:
        view = board.view()
        return board_html(plant, view, visitor), words_of(plant).clock(view.at)

    def still_welcome() -> bool:
        return visitor_of(request, plant).person is not None

    return StreamingResponse(
        _events(request, now, still_welcome),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _events(request: Request, now: Any, still_welcome: Any) -> AsyncIterator[str]:
    # The one coroutine among threads: an open page waits nearly all the time, and must not hold a thread while it does.
    told, beats = "", 0
    stopping = request.app.state.stopping
    yield "retry: 3000\n\n"
    while not stopping.is_set():
        beats += 1
        if beats % CHECK_BEATS == 0 and not await run_in_threadpool(still_welcome):
            yield "event: leave\ndata: {}\n\n"
            return
        try:
            html, clock = await run_in_threadpool(now)
        except ServiceError:
            yield "event: trouble\ndata: {}\n\n"
        else:
            mark = hashlib.sha256(html.encode()).hexdigest()
            news = {"clock": clock} if mark == told else {"clock": clock, "board": html}
            told = mark
            yield f"data: {json.dumps(news)}\n\n"
        await asyncio.sleep(BEAT_S)


def board_of(request: Request) -> Board:
    """What is kept of the plant for everybody."""
    found: Board = request.app.state.board
    return found


def board_html(plant: WebPlant, view: BoardView, visitor: Principal) -> str:
    """The cards of all tanks."""
    say = words_of(plant)
    cards = [(tank, drawing_of(tank, say), spoken(tank, say)) for tank in view.tanks]
    return fragment("board.html.j2", plant, view=view, cards=cards, may_log=visitor.may(Role.OPERATOR))


def drawing_of(view: TankView, say: Words, *, ticks: bool = False) -> SectionDrawing:
    """The tank's picture."""
    marks = [
        (name, limit, f"{name} {say.length(limit)}" if ticks else name)
        for name, limit in (("warning", view.warning_limit), ("danger", view.danger_limit))
        if limit is not None
    ]
    core = view.core.core if view.core is not None else None
    recent = core is not None and say.now - core.taken_at < timedelta(hours=12)
    every = 0.3048 * 2 if say.units == "us" else 0.5
    count = int(view.tank.side_water_depth / every + 1e-6) + 1 if ticks else 0
    return draw(
        view.tank,
        height=view.estimate.height if view.known else None,
        sd=view.estimate.sd if view.known else 0.0,
        marks=tuple(marks),
        fluff=view.fluff_height if recent else None,
        core_thickness=core.thickness if core is not None and recent else None,
        core_distance=core.distance_from_wall if core is not None and recent else None,
        tick=every,
        tick_words=tuple(f"{say.in_unit(n * every):g}" for n in range(count)),
    )


def spoken(view: TankView, say: Words) -> str:
    """The picture in words."""
    if not view.known:
        return f"Section of {view.tank.label}: no data on its blanket."
    return (
        f"Section of {view.tank.label}, {say.length(view.tank.side_water_depth)} deep at the wall: blanket"
        f" {describe_height(view.estimate.height, say.units)} there, {say.clearance(view.clearance, view.tank.side_water_depth)}."
    )
