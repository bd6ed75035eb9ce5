"""``underweir what-if``: a tank's blanket over the coming hours if return flow, tanks in service or the plant's flow changed."""

from __future__ import annotations

import math
import textwrap
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

import typer

from service.alarms.definition import AlarmKind
from service.bootstrap import Installation, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table, usage_error, warn
from service.cli.base.plant import known_tank, past_values, pasts_of, reading
from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.diagnosis.ranking import Ranking
from service.domain.diagnosis.ranking_words import RANKING_CAUTION, ranking_lines
from service.domain.forecast.outlook import HORIZONS, Forecast
from service.domain.forecast.wording import clear_water_words, reaching_words, spread
from service.domain.loading.sheet import verdict_words
from service.domain.loading.split import split_over
from service.domain.plant.display import format_duration, format_local_time
from service.domain.plant.units import Dimension, from_si, shown_unit
from service.errors import InputError
from service.jobs.blanket.estimate import project_all
from service.jobs.diagnosis.ranking import ranking_of
from service.jobs.diagnosis.what_if import CAUTION, Course, Wish, course
from service.jobs.plant.outage import tanks_out
from service.reports.course import CourseChart, CourseLine, draw_course


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("what-if")(_what_if)


def _what_if(
    tank: Annotated[str, typer.Argument(help="The tank's key.", show_default=False)],
    return_flow: Annotated[
        str, typer.Option(help="'+20%', '-0.5 MGD' or the flow itself, of this tank.", show_default=False)
    ] = "",
    out_of_service: Annotated[
        list[str] | None, typer.Option(metavar="TANK", help="Another tank taken out; may be given again.")
    ] = None,
    storm: Annotated[
        str,
        typer.Option(
            metavar="FLOW", help="Flow of the whole plant in a storm: '+80%' or '12 MGD'.", show_default=False
        ),
    ] = "",
    hours: Annotated[float | None, typer.Option(help="How long the storm lasts.", show_default=False)] = None,
    begins: Annotated[float, typer.Option(help="In how many hours the storm begins.")] = 0.0,
    picture: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Draw both courses: .png, .svg or .pdf.", show_default=False)
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show the blanket over the next hours as things are and if something were changed. Advice only; nothing is changed."""
    if picture is not None and picture.suffix.lower() not in (".png", ".svg", ".pdf"):
        usage_error(f"{picture}: a picture's name ends in .png, .svg or .pdf")
    now = wall_clock()
    wish = Wish(
        return_flow=return_flow,
        out_of_service=tuple(out_of_service or ()),
        storm=storm,
        storm_hours=hours,
        storm_start=begins,
    )
    with reading(site) as plant:
        out = tanks_out(plant.engine, plant.model)
        setup = next(s for s in split_over(plant.setups, out) if s.tank.key == known_tank(tank, plant.tanks))
        believed = project_all(plant.engine, [setup], plant.ids, now)[tank]
        found = course(
            plant.engine,
            setup,
            plant.setups,
            plant.ids,
            wish,
            believed=believed,
            danger_clearance=_danger(plant, tank),
            units=plant.site.units,
            now=now,
            out=out,
        )
        if picture is not None:
            draw_course(_picture(found, plant), picture)
        ranked, why_not = _ranking(plant, setup, believed, now)
        if json:
            say_json({**_told(found), **_ranked(ranked, why_not), "past": past_values(pasts_of(plant))})
        else:
            _say(found, plant)
            _say_ranking(ranked, why_not, plant)
        if picture is not None:
            warn(f"picture written to {picture}")


def _ranking(plant: Installation, setup: TankSetup, believed: Estimate, now: datetime) -> tuple[Ranking | None, str]:
    """What the site can do, ranked; or why that cannot be said."""
    try:
        return ranking_of(plant.engine, plant.model, setup, believed, now), ""
    except InputError as error:
        return None, str(error)


def _say_ranking(ranked: Ranking | None, why_not: str, plant: Installation) -> None:
    say("\nWhat the site can do now")
    for line in (why_not,) if ranked is None else (*ranking_lines(ranked, plant.site.units), RANKING_CAUTION):
        say(textwrap.fill(line, 100, initial_indent="  ", subsequent_indent="  "))


def _ranked(ranked: Ranking | None, why_not: str) -> dict[str, object]:
    if ranked is None:
        return {"actions": None, "actions_missing": why_not}
    return {
        "actions": [
            {
                "action": a.action,
                "lost_kg": a.lost,
                "saved_kg": a.saved,
                "blanket_m": a.height,
                "helps": a.helps,
            }
            for a in ranked.actions
        ],
        "lost_as_things_are_kg": ranked.lost,
        "lost_on_an_ordinary_day_kg": ranked.ordinary,
        "wasting_saves_kg": ranked.wasting_saves,
        "none_helps": ranked.none_helps,
        "actions_caution": RANKING_CAUTION,
    }


def _danger(plant: Installation, tank: str) -> float | None:
    return next((d.limit for d in plant.alarms.of_tank(tank) if d.kind is AlarmKind.HIGH_HIGH), None)


def _say(found: Course, plant: Installation) -> None:
    units, tank = plant.site.units, found.setup.tank
    say(f"What if, {tank.label}, {format_local_time(found.made_at, plant.site.time_zone)}")
    for line in found.said:
        say(f"  {line}")
    for doubt in found.doubts:
        say(f"  ! {doubt}")

    say_table(
        ("  in", "as things are", "changed"),
        [
            (
                f"  {format_duration(timedelta(hours=h))}",
                clear_water_words(tank, found.as_is, h, units),
                clear_water_words(tank, found.changed, h, units),
            )
            for h in HORIZONS
            if h in (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
        ],
    )
    say("  in parentheses: 90 % of outcomes lie between")
    if found.danger is not None:
        as_is, changed = (reaching_words(forecast, found.danger) for forecast in (found.as_is, found.changed))
        say(f"  danger limit: as things are {as_is}; changed {changed}")
    if found.now.load.state is not None and found.then is not None and found.then.state is not None:
        say(f"  state point: {verdict_words(found.now.load.state)}")
        say(f"    changed: {verdict_words(found.then.state)}")
    say(f"\n{CAUTION}")


def _told(found: Course) -> dict[str, object]:
    tank = found.setup.tank

    def path(forecast: Forecast) -> dict[str, object]:
        time = None if found.danger is None else forecast.time_to(found.danger)
        return {
            "pattern": forecast.pattern,
            "hours_to_danger": None if time is None or math.isinf(time.likely) else time.likely,
            "hours_to_danger_early": None if time is None or math.isinf(time.early) else time.early,
            "path": [
                dict(zip(("in_h", "height_m", "low_m", "high_m"), (h, *spread(tank, forecast, h)), strict=True))
                for h in HORIZONS
            ],
        }

    return {
        "tank": tank.key,
        "at": found.made_at,
        "changes": list(found.said),
        "doubts": list(found.doubts),
        "danger_height_m": found.danger,
        "interval": 0.9,
        "as_things_are": path(found.as_is),
        "changed": path(found.changed),
        "state_point": None if found.now.load.state is None else found.now.load.state.verdict,
        "state_point_changed": None if found.then is None or found.then.state is None else found.then.state.verdict,
        "caution": CAUTION,
    }


def _picture(found: Course, plant: Installation) -> CourseChart:
    tank, symbol = found.setup.tank, shown_unit(Dimension.LENGTH, plant.site.units)

    def line(forecast: Forecast) -> CourseLine:
        hours = (0.0, *HORIZONS)
        columns = zip(*(spread(tank, forecast, h) for h in hours), strict=True)
        middle, low, high = ([from_si(value, symbol) for value in column] for column in columns)
        return CourseLine(hours=hours, middle=middle, low=low, high=high)

    return CourseChart(
        title=f"{tank.label}: {'; '.join(found.said)}",
        subtitle=f"made {format_local_time(found.made_at, plant.site.time_zone)}, {plant.site.name}",
        unit=symbol,
        as_is=line(found.as_is),
        changed=line(found.changed),
        weir=from_si(tank.side_water_depth, symbol),
        danger=None if found.danger is None else from_si(found.danger, symbol),
        caution=CAUTION,
    )
