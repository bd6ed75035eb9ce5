"""Overview page: every tank, the worst first, kept current by :mod:`.live`."""

from __future__ import annotations

from datetime import timedelta

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse

from service.domain.plant.display import describe_height
from service.domain.plant.role import Role
from service.web.base.access import Viewer
from service.web.base.formatters import Words
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import fragment, page, words_of
from service.web.blanket.board import Board, BoardView, TankView
from service.web.charts.tank_section import SectionDrawing, draw

router = APIRouter(include_in_schema=False)


@router.get("/")
def overview(request: Request, plant: Plant, visitor: Viewer) -> HTMLResponse:
    """The page."""
    view = board_of(request).view()
    return page(
        request,
        plant,
        visitor,
        "overview.html.j2",
        view=view,
        board=board_html(board_of(request), plant, view, may_log=visitor.may(Role.OPERATOR)),
    )


def board_of(request: Request) -> Board:
    """The application's cached overview."""
    found: Board = request.app.state.board
    return found


def tank_view(request: Request, key: str) -> TankView:
    """State of one tank; HTTPException 404 when there is none of that key."""
    for view in board_of(request).view().tanks:
        if view.tank.key == key:
            return view
    raise HTTPException(404, f"There is no tank {key!r}.")


def board_html(board: Board, plant: WebPlant, view: BoardView, *, may_log: bool) -> str:
    """HTML of the tanks' cards; made once for all screens that show the same state."""
    kept = board.rendered.get(may_log)
    if kept is None or kept[0] is not view:
        say = words_of(plant)
        cards = [(tank, drawing_of(tank, say), section_words(tank, say)) for tank in view.tanks]
        kept = (view, fragment("board.html.j2", plant, view=view, cards=cards, may_log=may_log))
        board.rendered[may_log] = kept
    return kept[1]


def drawing_of(view: TankView, say: Words, *, ticks: bool = False) -> SectionDrawing:
    """The tank's section drawing."""
    limits = (("warning", view.warning_limit), ("danger", view.danger_limit))
    # Without data the word would be read as the tank's state.
    marks = [
        (name, limit, f"{name} {say.length(limit)}" if ticks else name)
        for name, limit in limits
        if limit is not None and view.level != "unknown"
    ]
    core = view.core.core if view.core is not None else None
    recent = core is not None and say.now - core.taken_at < timedelta(hours=12)
    every = 0.3048 * 2 if say.units == "us" else 0.5
    count = int(view.tank.side_water_depth / every + 1e-6) + 1 if ticks else 0
    return draw(
        view.tank,
        height=view.estimate.height if view.known else None,
        intervals=view.estimate.mixture.intervals() if view.known else (),
        marks=tuple(marks),
        fluff=view.fluff_height if recent else None,
        core_thickness=core.thickness if core is not None and recent else None,
        core_distance=core.distance_from_wall if core is not None and recent else None,
        tick=every,
        tick_words=tuple(f"{say.in_unit(n * every):g}" for n in range(count)),
    )


def section_words(view: TankView, say: Words) -> str:
    """The section drawing in words, for screen readers."""
    if not view.known:
        return f"Section of {view.tank.label}: no data on its blanket."
    return (
        f"Section of {view.tank.label}, {say.length(view.tank.side_water_depth)} deep at the wall: blanket"
        f" {describe_height(view.estimate.height, say.units)}, {say.clearance(view.clearance, view.tank.side_water_depth)}."
    )
