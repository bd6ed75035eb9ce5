"""``underweir shift``, ``note`` and ``report``: shift log, notes, daily and monthly reports."""

from __future__ import annotations

import sys
from dataclasses import asdict
from datetime import date, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any
from uuid import UUID, uuid4

import typer

from service.bootstrap import Installation, open_installation, wall_clock
from service.cli.base.actor import typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import as_json, say, say_json, usage_error
from service.cli.base.plant import reading
from service.cli.base.times import moment
from service.domain.plant.display import format_local_time
from service.domain.plant.period import Period, PeriodKind, last_whole, period_of
from service.jobs.reports.report import read_period
from service.jobs.reports.shift import read_shift, write_note
from service.reports.period_document import period_document
from service.reports.rendering.document import Document
from service.reports.rendering.plain_text import as_text
from service.reports.shift_document import shift_document


class Form(StrEnum):
    """How a report comes."""

    TEXT = "text"
    PDF = "pdf"
    XLSX = "xlsx"
    JSON = "json"


At = Annotated[str, typer.Option(help="A moment of the shift: '03:10', '2 h ago', '2026-03-14 03:10' (plant time).")]
As = Annotated[Form, typer.Option("--format", help="How it comes.")]
Output = Annotated[Path | None, typer.Option(help="The file to write; standard output otherwise.", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("shift")(_shift)
    app.command("note")(_note)
    app.command("report")(_report)


def _shift(at: At = "now", format: As = Form.TEXT, output: Output = None, site: SiteFile = None) -> None:
    """Show the shift log: what happened in order, what stands, notes, and who took over."""
    now = wall_clock()
    with reading(site) as plant:
        asked = moment(at, plant.site.time_zone, now)
        log = read_shift(plant.engine, plant.model, plant.model.shift(asked), now)
        document = shift_document(log, site=plant.site.name, zone=plant.site.time_zone, now=now)
        hand_out(plant, document, asdict(log), format, output)


def _note(
    text: Annotated[str, typer.Argument(help="What the next shift has to know.", show_default=False)],
    by: Annotated[str | None, typer.Option(help="Who writes; your login name otherwise.", show_default=False)] = None,
    at: At = "now",
    corrects: Annotated[
        UUID | None,
        typer.Option(help="The note this one corrects (its ref in: shift --format json).", show_default=False),
    ] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Write a note into the shift log. Notes cannot be edited; correct a mistake with another note."""
    now = wall_clock()
    with open_installation(site) as plant:
        zone = plant.site.time_zone
        record = write_note(
            plant.engine,
            plant.model,
            text,
            typed_by(by),
            id=uuid4(),
            now=now,
            at=moment(at, zone, now),
            corrects=corrects,
        )
    if json:
        say_json(asdict(record))
    else:
        say(f"written into the log of the shift that began {format_local_time(record.shift_start, zone)}")


def _report(
    span: Annotated[PeriodKind, typer.Argument(help="Of a day or of a month.", show_default=False)],
    day: Annotated[
        str | None,
        typer.Option(
            "--date",
            help="The day, or a day of the month, as 2026-03-14 or 2026-03; the last whole one otherwise.",
            show_default=False,
        ),
    ] = None,
    format: As = Form.TEXT,
    output: Output = None,
    site: SiteFile = None,
) -> None:
    """Report a day or month: blankets, cores, sensors, loading, alarms, and how much of it was seen."""
    now = wall_clock()
    with reading(site) as plant:
        period = period_asked(plant, span, day)
        report = read_period(plant.engine, plant.model, period, now)
        document = period_document(
            report, site=plant.site.name, units=plant.site.units, zone=plant.site.time_zone, now=now
        )
        hand_out(plant, document, asdict(report), format, output)


def period_asked(plant: Installation, span: PeriodKind, day: str | None) -> Period:
    """The day or month that was asked for; the last whole one where none was."""
    zone, now = plant.site.time_zone, wall_clock()
    if day is None:
        return last_whole(span, now, zone)
    try:
        found = date.fromisoformat(day if len(day) > 7 else f"{day}-01")
    except ValueError:
        usage_error(f"{day!r} is not a day; write one as 2026-03-14")
    if found > now.astimezone(zone).date():
        usage_error(f"{day} is in the future")
    if found.year < 1970:
        usage_error(f"{day} is too long ago")
    return period_of(span, found, zone)


def hand_out(plant: Installation, document: Document, values: dict[str, Any], form: Form, output: Path | None) -> None:
    """Write or print a document in its form."""
    now = wall_clock()
    match form:
        case Form.TEXT:
            content = as_text(document).encode("utf-8")
        case Form.JSON:
            content = (as_json(_seconds(values)) + "\n").encode("utf-8")
        case Form.PDF:
            from service.reports.rendering.pdf import as_pdf  # the libraries of documents load slowly

            content = as_pdf(document, units=plant.site.units, made_at=now)
        case Form.XLSX:
            from service.reports.rendering.workbook import as_workbook

            content = as_workbook(document, made_at=now)
    if output is not None:
        output.write_bytes(content)
        say(str(output))
    elif form in (Form.PDF, Form.XLSX) and sys.stdout.isatty():
        usage_error(f"a {form} is not for a terminal: name a file with --output")
    else:
        sys.stdout.flush()
        sys.stdout.buffer.write(content)


def _seconds(value: Any) -> Any:
    """Stretches of time as seconds, in whatever they lie."""
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _seconds(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_seconds(one) for one in value]
    return value
