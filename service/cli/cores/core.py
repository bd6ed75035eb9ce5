"""``underweir core``: hand cores logged, listed, corrected and withdrawn from the command line."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated
from uuid import UUID, uuid4

import typer
from pydantic_core import PydanticCustomError

from service.bootstrap import Installation, wall_clock
from service.cli.base.actor import typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json, say_table, usage_error, warn
from service.cli.base.plant import known_tank, reading, storing
from service.cli.base.times import moment
from service.domain.cores.check import CoreFinding
from service.domain.cores.core import Core, Surface, surface_of
from service.domain.plant.display import describe_clearance, format_clock, format_length, format_local_time
from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension, shown_unit, to_si
from service.errors import InputError
from service.jobs.cores.core import CoreDraft, Logged, known_words, submit_core, withdraw_core
from service.site.sections.quantity import closest_word, quantity
from service.storage.cores.cores import CoreRecord, core_history, current_cores, find_core
from service.storage.database.session import transaction

TankKey = Annotated[str, typer.Argument(help="The tank's key in the site file.", show_default=False)]
Thickness = Annotated[
    str,
    typer.Argument(
        help="Sludge above the floor where the sampler stood: '3.4 ft', '41 in', '3 ft 5 in', '1.05 m'; a bare number is in the site's unit.",
        show_default=False,
    ),
]
At = Annotated[
    str | None,
    typer.Option(
        help="When it was taken: '03:10', '2026-03-14 03:10' (plant time) or ISO 8601; now otherwise.",
        show_default=False,
    ),
]
Where = Annotated[
    str | None,
    typer.Option(
        "--from-wall",
        help="Where the sampler stood, from the wall (rectangular: along it, from the end where the floor is highest); the tank's usual spot otherwise.",
        show_default=False,
    ),
]
Arm = Annotated[
    float | None, typer.Option(help="Position of the rotating arm against the sampler [degrees].", show_default=False)
]
Replicate = Annotated[int, typer.Option(help="Number of the replicate in this round.")]
Fluff = Annotated[
    str | None,
    typer.Option(
        help="Top of the dispersed layer as read on the tube, above the floor, when seen.", show_default=False
    ),
]
Seen = Annotated[
    list[str] | None,
    typer.Option(
        "--surface",
        help=f"What the surface looked like; may be repeated: {', '.join(s.value for s in Surface)}.",
        show_default=False,
    ),
]
By = Annotated[str, typer.Option("--by", help="Who took it.")]
Note = Annotated[str, typer.Option(help="Anything else worth knowing.")]
Yes = Annotated[bool, typer.Option("--yes", help="Store it although it looks doubtful.")]
Reason = Annotated[str, typer.Option(help="Why; kept in the history.")]
CoreId = Annotated[UUID, typer.Argument(help="The core's id, as listed.", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(help="Hand cores: add, list, correct, withdraw.", no_args_is_help=True, rich_markup_mode=None)
    group.command("add")(_add)
    group.command("list")(_list)
    group.command("correct")(_correct)
    group.command("withdraw")(_withdraw)
    app.add_typer(group, name="core")


def _add(
    tank: TankKey,
    thickness: Thickness,
    at: At = None,
    from_wall: Where = None,
    arm: Arm = None,
    replicate: Replicate = 1,
    fluff: Fluff = None,
    surface: Seen = None,
    by: By = "",
    note: Note = "",
    id: Annotated[
        UUID | None,
        typer.Option(
            help="Id of the core, so that sending it twice stores it once; made otherwise.", show_default=False
        ),
    ] = None,
    yes: Yes = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Log a hand core.

    It is checked first: an impossible value is refused, an unlikely one (wrong unit, far from the estimate) must be confirmed
    with --yes. Take cores only where and when it is safe; the site's own procedures come first.
    """
    now = wall_clock()
    with storing(site) as plant:
        found = plant.tanks[known_tank(tank, plant.tanks)]
        core, value, unit = _typed(
            plant, found, thickness, at, from_wall, arm, replicate, fluff, surface, by, note, id, now
        )
        draft = CoreDraft(core=core, typed_value=value, typed_unit=unit, confirmed=yes)
        with transaction(plant.engine) as conn:
            logged = submit_core(conn, plant.model, found, draft, typed_by(), now=now)
        _tell(plant, found, core, logged, json)


def _correct(
    core: CoreId,
    thickness: Thickness,
    reason: Reason,
    tank: Annotated[
        str | None, typer.Option(help="The right tank, if it was the wrong one.", show_default=False)
    ] = None,
    at: At = None,
    from_wall: Where = None,
    arm: Arm = None,
    fluff: Fluff = None,
    by: By = "",
    note: Note = "",
    yes: Yes = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Correct a core; the old version is kept, with the reason. What is not given stays as it was."""
    now = wall_clock()
    with storing(site) as plant:
        with transaction(plant.engine) as conn:
            old = find_core(conn, core)
        if old is None:
            raise InputError(f"there is no core {core}; list them with: underweir core list")
        found = plant.tanks[known_tank(tank or old.core.tank, plant.tanks)]
        right, value, unit = _typed(
            plant, found, thickness, at, from_wall, arm, old.core.replicate, fluff, None, by, note, None, now, old.core
        )
        draft = CoreDraft(core=right, typed_value=value, typed_unit=unit, confirmed=yes, supersedes=core, reason=reason)
        with transaction(plant.engine) as conn:
            logged = submit_core(conn, plant.model, found, draft, typed_by(), now=now)
        _tell(plant, found, right, logged, json)


def _withdraw(core: CoreId, reason: Reason, by: By = "", site: SiteFile = None, json: Json = False) -> None:
    """Withdraw a core that was not taken (wrong tank and time, entered twice); it stays in the history."""
    now = wall_clock()
    with storing(site) as plant, transaction(plant.engine) as conn:
        withdraw_core(conn, plant.model, core, typed_by(by), reason=reason, now=now)
    say_json({"withdrawn": core, "reason": reason}) if json else say(f"core {core} withdrawn: {reason}")


def _list(
    tank: Annotated[str | None, typer.Argument(help="Only this tank.", show_default=False)] = None,
    days: Annotated[float, typer.Option(help="How far back.")] = 7.0,
    history: Annotated[UUID | None, typer.Option(help="Every version of this core.", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """List hand cores as they stand now, newest last."""
    now = wall_clock()
    with reading(site) as plant:
        with transaction(plant.engine) as conn:
            if history is not None:
                records = core_history(conn, history)
            else:
                keys = [known_tank(tank, plant.tanks)] if tank else list(plant.tanks)
                records = current_cores(conn, [plant.ids.tanks[k] for k in keys], now - timedelta(days=days))
        if json:
            say_json([_row(plant, record) for record in records])
        elif not records:
            warn("no cores found")
        else:
            say_table(
                ("taken", "tank", "thickness", "height", "by", "note", "id"),
                [_line(plant, record) for record in records],
            )


def _typed(
    plant: Installation,
    tank: Tank,
    thickness: str,
    at: str | None,
    from_wall: str | None,
    arm: float | None,
    replicate: int,
    fluff: str | None,
    surface: list[str] | None,
    by: str,
    note: str,
    id: UUID | None,
    now: datetime,
    old: Core | None = None,
) -> tuple[Core, float, str]:
    metres, value, unit = _length(plant, "thickness", thickness)
    wall = old.distance_from_wall if old is not None and old.tank == tank.key else tank.core_distance_from_wall
    core = Core(
        id=id or uuid4(),
        tank=tank.key,
        taken_at=moment(at, plant.site.time_zone, now) if at else (old.taken_at if old else now),
        recorded_at=now,
        thickness=metres,
        distance_from_wall=_length(plant, "--from-wall", from_wall)[0] if from_wall else wall,
        arm_position=arm if arm is not None else (old.arm_position if old else None),
        replicate=replicate,
        fluff=_length(plant, "--fluff", fluff)[0] if fluff else (old.fluff if old else None),
        surface=tuple(_surface(word) for word in surface) if surface else (old.surface if old else ()),
        taken_by=by or (old.taken_by if old else ""),
        note=note or (old.note if old else ""),
    )
    return core, value, unit


def _length(plant: Installation, name: str, text: str) -> tuple[float, float, str]:
    """The length in metres, and what was typed: number and unit."""
    unit = shown_unit(Dimension.LENGTH, plant.site.units)
    try:
        metres = quantity(text, Dimension.LENGTH, unit, f"3.4 {unit}")
    except PydanticCustomError as error:
        context = error.context or {}
        usage_error(f"{name}: {context.get('problem')}; {context.get('remedy')}")
    words = text.replace(",", ".").split()
    typed = next((u for u in ("ft", "in", "cm", "mm", "m") if words[-1].endswith(u)), unit)
    return metres, metres / to_si(1.0, typed), typed


def _surface(word: str) -> Surface:
    seen = surface_of(word)
    if seen is None:
        near = closest_word(word, tuple(s.value for s in Surface))
        known = ", ".join(s.value for s in Surface)
        usage_error(
            f"--surface: {word!r} is not one of the words; "
            + (f"did you mean {near!r}?" if near else f"use one of: {known}")
        )
    return seen


def _tell(plant: Installation, tank: Tank, core: Core, logged: Logged, json: bool) -> None:
    units, zone = plant.site.units, plant.site.time_zone
    if logged.known is not None:
        core = logged.known.core
    height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
    if json:
        say_json(
            {
                "stored": logged.stored,
                "already_stored": logged.already,
                "id": core.id,
                "tank": core.tank,
                "taken_at": core.taken_at,
                "thickness_m": core.thickness,
                "height_m": height,
                "clearance_m": tank.clearance(height),
                "expected_height_m": logged.expected.height if logged.expected else None,
                "expected_sd_m": logged.expected.sd if logged.expected else None,
                "findings": [_finding(finding) for finding in logged.findings],
            }
        )
        exit_with(DONE if logged.stored else PROBLEMS)
    for finding in logged.findings:
        warn(finding.sentence)
    if not logged.stored:
        confirmable = all(finding.severity.value == "confirm" for finding in logged.findings)
        warn("not stored" + ("; if it is correct all the same, confirm it with --yes" if confirmable else ""))
        exit_with(PROBLEMS)
    say(
        f"{tank.label}: core of {format_length(core.thickness, units)} at {format_clock(core.taken_at, zone)}"
        f" stored; blanket {describe_clearance(tank.clearance(height), units, tank.side_water_depth)}"
        + (" (stored already)" if logged.already else "")
    )
    if logged.expected is not None:
        believed = describe_clearance(tank.clearance(logged.expected.height), units, tank.side_water_depth)
        say(f"  the estimate was {believed}")
    if logged.known is not None:
        say(f"  {known_words(logged.known, plant.alarms)}")
    say(f"  id {core.id}")


def _finding(finding: CoreFinding) -> dict[str, str]:
    return {"problem": finding.problem.value, "severity": finding.severity.value, "sentence": finding.sentence}


def _row(plant: Installation, record: CoreRecord) -> dict[str, object]:
    core, tank = record.core, plant.tanks.get(record.core.tank)
    return {
        "id": core.id,
        "tank": core.tank,
        "taken_at": core.taken_at,
        "recorded_at": core.recorded_at,
        "thickness_m": core.thickness,
        "height_m": tank.height_from_thickness(core.thickness, core.distance_from_wall) if tank else None,
        "distance_from_wall_m": core.distance_from_wall,
        "arm_position_deg": core.arm_position,
        "replicate": core.replicate,
        "fluff_m": core.fluff,
        "surface": [seen.value for seen in core.surface],
        "taken_by": core.taken_by,
        "note": core.note,
        "typed": f"{record.typed_value:g} {record.typed_unit}",
        "source": record.source,
        "warnings": list(record.warnings),
        "supersedes": record.supersedes,
        "withdrawn": record.withdrawn,
        "correction_reason": record.correction_reason,
    }


def _line(plant: Installation, record: CoreRecord) -> tuple[str, ...]:
    core, tank, units = record.core, plant.tanks.get(record.core.tank), plant.site.units
    height = tank.height_from_thickness(core.thickness, core.distance_from_wall) if tank else None
    return (
        format_local_time(core.taken_at, plant.site.time_zone),
        core.tank,
        format_length(core.thickness, units) + (" withdrawn" if record.withdrawn else ""),
        "" if height is None else format_length(height, units),
        core.taken_by,
        "; ".join(part for part in (core.note, record.correction_reason) if part),
        str(core.id),
    )
