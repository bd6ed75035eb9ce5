"""What-if page: the blanket over the coming hours, unchanged and changed. A GET; nothing is changed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from service.domain.blanket.estimate import TankSetup
from service.domain.diagnosis.ranking_words import RANKING_CAUTION, ranking_lines
from service.domain.forecast.wording import clear_water_words, reaching_words
from service.domain.loading.sheet import verdict_words
from service.domain.loading.split import split_over
from service.errors import InputError
from service.jobs.diagnosis.ranking import ranking_of
from service.jobs.diagnosis.what_if import CAUTION, Course, Wish, course
from service.jobs.plant.outage import tanks_out
from service.web.base.access import Viewer
from service.web.base.plant import Plant, WebPlant
from service.web.base.templating import page
from service.web.blanket.board import TankView
from service.web.blanket.board_page import tank_view
from service.web.charts.course import draw_course

router = APIRouter(include_in_schema=False)

#: Hours ahead in the table.
AHEAD = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0)

#: An empty form.
NOTHING_TYPED: Mapping[str, Any] = {"return_flow": "", "out": (), "storm": "", "hours": ""}

Flow = Annotated[str, Query(max_length=40)]


@router.get("/tanks/{key}/what-if")
def what_if(
    request: Request,
    plant: Plant,
    visitor: Viewer,
    key: str,
    return_flow: Flow = "",
    out: Annotated[list[str] | None, Query(max_length=50)] = None,
    storm: Flow = "",
    hours: Annotated[str, Query(max_length=10)] = "",
) -> HTMLResponse:
    """The page; mistakes are shown on it, with all entries kept."""
    view = tank_view(request, key)
    typed = {"return_flow": return_flow, "out": out or [], "storm": storm, "hours": hours}
    found, wrong = None, ""
    try:
        wish = Wish(
            return_flow=return_flow,
            out_of_service=tuple(out or ()),
            storm=storm,
            storm_hours=_hours(hours) if storm.strip() else None,
        )
        if not wish.empty:
            found = _course(plant, view, wish)
    except InputError as error:
        wrong = str(error)
    return page(
        request,
        plant,
        visitor,
        "what_if.html.j2",
        status=400 if wrong else 200,
        view=view,
        typed=typed,
        wrong=wrong,
        found=found,
        others=others_of(plant, view),
        caution=CAUTION,
        ranking=_ranking(plant, view),
        ranking_caution=RANKING_CAUTION,
        **({} if found is None else _shown(found, plant)),
    )


def split_now(plant: WebPlant, view: TankView) -> TankSetup:
    """The tank with its share of the plant's flow over the tanks in service now."""
    out = tanks_out(plant.engine, plant)
    return next(s for s in split_over(plant.setups, out) if s.tank.key == view.tank.key)


def others_of(plant: WebPlant, view: TankView) -> list[tuple[str, str]]:
    """Key and name of the tanks that share the flow with this one."""
    return [
        (s.tank.key, s.tank.label)
        for s in plant.setups
        if s.tank.kind is view.tank.kind and s.tank.key != view.tank.key
    ]


def _course(plant: WebPlant, view: TankView, wish: Wish) -> Course:
    out = tanks_out(plant.engine, plant)
    setups = split_over(plant.setups, out)
    return course(
        plant.engine,
        next(s for s in setups if s.tank.key == view.tank.key),
        setups,
        plant.ids,
        wish,
        believed=view.estimate,
        danger_clearance=view.danger_limit,
        units=plant.units,
        now=plant.clock(),
        out=out,
    )


def _ranking(plant: WebPlant, view: TankView) -> tuple[str, ...]:
    """What the site can do, ranked; or why that cannot be said."""
    try:
        found = ranking_of(plant.engine, plant, split_now(plant, view), view.estimate, plant.clock())
    except InputError as error:
        return (f"{error}.",)
    return ranking_lines(found, plant.units)


def _shown(found: Course, plant: WebPlant) -> dict[str, object]:
    tank, units = found.setup.tank, plant.units
    before, after = found.now.load.state, found.then.state if found.then is not None else None
    return {
        "picture": draw_course(found, units),
        "steps": [
            (
                "30 min" if hours == 0.5 else f"{hours:g} h",
                clear_water_words(tank, found.as_is, hours, units),
                clear_water_words(tank, found.changed, hours, units),
            )
            for hours in AHEAD
        ],
        "reaches": None
        if found.danger is None
        else (reaching_words(found.as_is, found.danger), reaching_words(found.changed, found.danger)),
        "verdicts": None if before is None or after is None else (verdict_words(before), verdict_words(after)),
    }


def _hours(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise InputError("Say for how many hours the storm lasts, such as 4.") from None
