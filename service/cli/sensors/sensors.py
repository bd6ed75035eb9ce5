"""``underweir drift``, ``calibrate`` and ``certificate``: sensor drift and advice, and work on sensors recorded."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated
from uuid import UUID

import typer
from pydantic_core import PydanticCustomError

from service.bootstrap import Installation, wall_clock
from service.cli.base.actor import login_name, typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, say_table, usage_error, warn
from service.cli.base.plant import reading, storing
from service.cli.base.times import moment
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.plant.display import format_length, format_local_time
from service.domain.plant.units import Dimension, shown_unit
from service.domain.sensors.advice import TOLERANCE, Action, Advice
from service.errors import InputError
from service.jobs.sensors.calibrate import record_work
from service.jobs.sensors.review import Reviewed, certify, review, setup_of
from service.site.sections.quantity import quantity
from service.storage.database.session import transaction
from service.storage.sensors.calibrations import find_calibration

Tag = Annotated[str, typer.Argument(help="The sensor's tag.", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("drift")(_drift)
    app.command("calibrate")(_calibrate)
    app.command("certificate")(_certificate)


def _drift(
    signal: Annotated[str | None, typer.Option(help="Only this sensor.", show_default=False)] = None,
    tolerance: Annotated[
        str | None, typer.Option(help="Error that is still good enough; 0.1 m otherwise.", show_default=False)
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Show how far each blanket sensor is off, since when, how certain that is, and what to set it to; the most urgent first."""
    now = wall_clock()
    with reading(site) as plant:
        tags = [signal] if signal else [s.tag for setup in plant.setups for s in setup.blankets]
        good = _metres(plant, "--tolerance", tolerance) if tolerance else None
        found = [
            review(plant.engine, plant.model, tag, now, tolerance=TOLERANCE if good is None else good) for tag in tags
        ]
        found.sort(key=lambda r: (r.review.advice.action.urgency, -abs(r.review.advice.error)))
        if json:
            say_json([one.record() for one in found])
            return
        for number, one in enumerate(found):
            if number:
                say()
            _tell(plant, one)


def _calibrate(
    tag: Tag,
    why: Annotated[str, typer.Option(help="Why it was done; kept for good.", show_default=False)],
    kind: Annotated[CalibrationKind, typer.Option(help="What was done.")] = CalibrationKind.CALIBRATION,
    as_found: Annotated[
        str | None, typer.Option(help="Reading minus truth before the work: '-0.8 ft'.", show_default=False)
    ] = None,
    as_left: Annotated[
        str | None,
        typer.Option(
            help="Reading minus truth after the work; about none is assumed where it is not given.", show_default=False
        ),
    ] = None,
    at: Annotated[str | None, typer.Option(help="When; now otherwise.", show_default=False)] = None,
    by: Annotated[str | None, typer.Option(help="Who did it; your login name otherwise.", show_default=False)] = None,
    note: Annotated[str, typer.Option(help="Anything else worth knowing.")] = "",
    corrects: Annotated[UUID | None, typer.Option(help="The record this one corrects.", show_default=False)] = None,
    yes: Annotated[bool, typer.Option(help="It is correct although it contradicts the cores: record it.")] = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Record work on a sensor: its drift is learned again from then on. Errors are reading minus truth, in blanket height.

    Lock out the drive and follow the site's procedures before reaching into a tank.
    """
    now = wall_clock()
    with storing(site) as plant:
        setup = setup_of(plant.setups, tag)
        work = Calibration(
            tag=tag,
            at=moment(at, plant.site.time_zone, now) if at else now,
            kind=kind,
            done_by=by or login_name(),
            reason=why,
            as_found_offset=_metres(plant, "--as-found", as_found) if as_found else None,
            as_left_offset=_metres(plant, "--as-left", as_left) if as_left else None,
        )
        record = record_work(
            plant.engine,
            setup,
            plant.ids,
            work,
            typed_by(),
            now=now,
            units=plant.site.units,
            note=note,
            typed=(f"error {as_found}" if as_found else "", f"error {as_left}" if as_left else ""),
            confirmed=yes,
            supersedes=corrects,
            correction_reason=why if corrects else "",
        )
    if json:
        say_json(asdict(record))
    else:
        say(
            f"{tag}: {kind.value} recorded; its drift is learned again from {format_local_time(work.at, plant.site.time_zone)}"
        )
        say(f"  id {record.id}; the certificate: underweir certificate {record.id}")


def _certificate(
    id: Annotated[UUID, typer.Argument(help="The record's id, as printed by calibrate or drift.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option(help="The PDF; certificate-<id>.pdf here otherwise.", show_default=False)
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Write the certificate of work on a sensor as a printable PDF: as found, as left, and the cores before and after."""
    now = wall_clock()
    with reading(site) as plant:
        with transaction(plant.engine) as conn:
            record = find_calibration(conn, id)
        if record is None:
            raise InputError(f"there is no record {id}; list them with: underweir drift --json")
        path = out or Path(f"certificate-{id}.pdf")
        path.write_bytes(certify(plant.engine, plant.model, record, now=now))
    if json:
        say_json({"id": id, "file": str(path)})
    else:
        say(str(path))


def _metres(plant: Installation, name: str, text: str) -> float:
    unit = shown_unit(Dimension.LENGTH, plant.site.units)
    try:
        return quantity(text, Dimension.LENGTH, unit, f"0.4 {unit}")
    except PydanticCustomError as error:
        context = error.context or {}
        usage_error(f"{name}: {context.get('problem')}; {context.get('remedy')}")


def _tell(plant: Installation, one: Reviewed) -> None:
    units, zone, advice = plant.site.units, plant.site.time_zone, one.review.advice

    def length(value: float) -> str:
        return format_length(value, units, signed=True)

    say(f"{one.review.tag} ({one.setup.tank.label}): {advice.action.value.upper()}")
    low, high = advice.error_interval
    say(
        f"  error now       {length(advice.error)} (95 % between {length(low)} and {length(high)}); cause: {advice.cause.value}"
    )
    low, high = advice.error_ahead_interval
    say(
        f"  in 30 days      {length(advice.error_ahead)} (between {length(low)} and {length(high)}) if it is left alone"
    )
    if advice.action is Action.MORE_CORES:
        where = ""
        if advice.core_heights is not None:
            first, last = (format_length(h, units) for h in advice.core_heights)
            where = f", best with the blanket between {first} and {last} above the floor"
        say(f"  to be sure      {advice.more_cores} more core{'s' if advice.more_cores != 1 else ''}{where}")
    if advice.action in (Action.WORK, Action.WATCH):
        if advice.clean_first:
            say(
                "  to do first     clean it, then core beside it; set only what is left, or this if cleaning changed nothing:"
            )
        for line in _setting(advice, plant, one):
            say(f"  {line}")
    for step in one.review.history.steps:
        say(
            f"  step            {length(step.size)} between {format_local_time(step.after, zone)} and {format_local_time(step.before, zone)}"
        )
    for core, doubt in one.review.doubts.items():
        warn(f"  doubtful core   {core}: {doubt.fault.value}: {doubt.explanation}")
    if one.works:
        say_table(
            ("  work", "when", "by", "why", "id"),
            [
                (
                    f"  {w.calibration.kind.value}",
                    format_local_time(w.calibration.at, zone),
                    w.calibration.done_by,
                    w.calibration.reason,
                    str(w.id),
                )
                for w in one.works
            ],
        )


def _setting(advice: Advice, plant: Installation, one: Reviewed) -> list[str]:
    units, setting = plant.site.units, advice.setting
    signal = next(s for s in one.setup.blankets if s.tag == one.review.tag)
    change = f"add {format_length(setting.add, units, signed=True)} to what it reads"
    if setting.multiply != 1.0:
        change = f"multiply what it reads by {setting.multiply:.3f}, then add {format_length(setting.add, units, signed=True)}"
    lines = [f"to set          {change}"]
    if (
        setting.at_4_ma is not None
        and setting.at_20_ma is not None
        and signal.low is not None
        and signal.high is not None
    ):
        lines.append(
            f"or the loop     4 mA = {format_length(setting.at_4_ma, units)} (now {format_length(signal.low, units)}),"
            f" 20 mA = {format_length(setting.at_20_ma, units)} (now {format_length(signal.high, units)})"
        )
    return lines
