"""``underweir permit`` and ``permit-sign``: the effluent of a month against the permit, and who stands for it."""

from __future__ import annotations

import sys
from dataclasses import asdict
from enum import StrEnum
from typing import Annotated
from uuid import uuid4

import typer

from service.bootstrap import open_installation, wall_clock
from service.cli.base.actor import typed_by
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import say, say_json, usage_error
from service.cli.base.plant import reading
from service.cli.reports.reports import Form, Output, hand_out, period_asked
from service.domain.plant.display import format_local_time
from service.domain.plant.period import PeriodKind
from service.jobs.effluent.report import effluent_of
from service.jobs.effluent.signing import sign_month
from service.reports.effluent_document import effluent_csv, effluent_document


class PermitForm(StrEnum):
    """How the month comes."""

    TEXT = "text"
    PDF = "pdf"
    CSV = "csv"
    XLSX = "xlsx"
    JSON = "json"


Month = Annotated[
    str | None,
    typer.Option("--date", help="The month, as 2026-03; the last whole one otherwise.", show_default=False),
]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("permit")(_permit)
    app.command("permit-sign")(_sign)


def _permit(
    day: Month = None,
    format: Annotated[PermitForm, typer.Option("--format", help="How it comes.")] = PermitForm.TEXT,
    output: Output = None,
    site: SiteFile = None,
) -> None:
    """Show a month of effluent against the permit: days within, hours beyond, solids lost, averages, and how complete it is."""
    now = wall_clock()
    with reading(site) as plant:
        units, zone = plant.site.units, plant.site.time_zone
        period = period_asked(plant, PeriodKind.MONTHLY, day)
        report = effluent_of(plant.engine, plant.model, period, now)
        if format is PermitForm.CSV:
            content = effluent_csv(report, units, zone)
            if output is None:
                sys.stdout.write(content)
            else:
                output.write_text(content, "utf-8", newline="")
                say(str(output))
            return
        document = effluent_document(report, period, site=plant.site.name, units=units, zone=zone, now=now)
        hand_out(plant, document, asdict(report), Form(format.value), output)


def _sign(
    reason: Annotated[str, typer.Argument(help="What is signed and why.", show_default=False)],
    day: Month = None,
    by: Annotated[str | None, typer.Option(help="Who signs; your login name otherwise.", show_default=False)] = None,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Sign a month of effluent figures. What changes later is listed with the signature; signing again adds one."""
    now = wall_clock()
    if not reason.strip():
        usage_error("the reason is empty: write what is signed and why")
    with open_installation(site) as plant:
        period = period_asked(plant, PeriodKind.MONTHLY, day)
        signed = sign_month(plant.engine, plant.model, period, reason, typed_by(by), id=uuid4(), now=now)
        zone = plant.site.time_zone
    if json:
        say_json(asdict(signed))
    else:
        say(f"{period.name} signed by {signed.signed_by}, {format_local_time(signed.signed_at, zone)}: {signed.reason}")
