"""``underweir ingest``: takes named files in as a watched folder would."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from service.bootstrap import Installation, wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json, usage_error, warn
from service.cli.base.plant import storing
from service.jobs.ingest import DeliveryReport, ingest
from service.site.sections.csv_drop import CsvSection
from service.sources import files_source


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("ingest")(_ingest)


def _ingest(
    files: Annotated[list[Path], typer.Argument(help="Files of readings or hand cores.", show_default=False)],
    connector: Annotated[
        str | None,
        typer.Option(
            help="Read them as this connector of the site file would; needed when there are several.",
            show_default=False,
        ),
    ] = None,
    move: Annotated[bool, typer.Option("--move", help="Move each file to processed/ when it is stored.")] = False,
    site: SiteFile = None,
    json: Json = False,
) -> None:
    """Take in files and report what was accepted, duplicate, revised and rejected.

    Rejected rows are written beside each file, with line number and reason. Exit status 1 when anything was rejected.
    """
    missing = [str(path) for path in files if not path.is_file()]
    if missing:
        usage_error(f"no such file: {', '.join(missing)}")
    with storing(site) as plant:
        key = connector or _only_connector(plant)
        source = files_source(plant.site, key, files, plant.engine, wall_clock, move=move)
        report = ingest(source, plant.model, plant.engine, wall_clock)
        source.close()
    if json:
        say_json(asdict(report))
    else:
        for delivery in report.deliveries:
            _say(delivery)
    if report.error:
        warn(report.error)
    clean = not report.error and not any(d.rejected or d.cores_rejected for d in report.deliveries)
    exit_with(DONE if clean else PROBLEMS)


def _only_connector(plant: Installation) -> str:
    keys = [section.key for section in plant.site.connectors() if isinstance(section, CsvSection)]
    if not keys:
        usage_error('the site file has no connector of kind "csv"')
    if len(keys) > 1:
        usage_error("name the connector that fits the files with --connector: " + ", ".join(keys))
    return keys[0]


def _say(delivery: DeliveryReport) -> None:
    if delivery.already_taken_in:
        say(f"{delivery.origin}: already ingested, nothing changed")
        return
    cores = ""
    if delivery.cores_accepted or delivery.cores_duplicate or delivery.cores_corrected or delivery.cores_rejected:
        cores = (
            f"; cores: accepted {delivery.cores_accepted}, duplicate {delivery.cores_duplicate},"
            f" corrected {delivery.cores_corrected}, rejected {delivery.cores_rejected}"
        )
    say(
        f"{delivery.origin}: accepted {delivery.accepted}, duplicate {delivery.duplicate},"
        f" revised {delivery.revised}, rejected {delivery.rejected}{cores}"
    )
    for warning in delivery.warnings:
        warn(f"{delivery.origin}: {warning}")
    for reject in delivery.rejects:
        warn(f"{delivery.origin}:{reject.line}: {reject.field}: {reject.reason}")
