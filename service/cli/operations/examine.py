"""``underweir examine``: what is wrong with this installation, and what to do about it."""

from __future__ import annotations

import os
from collections import Counter
from typing import TYPE_CHECKING, Annotated

import typer

from service.bootstrap import wall_clock
from service.cli.base.options import Json, SiteFile
from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json

if TYPE_CHECKING:
    from service.examination import ExaminationResult

_MARK = {"FINE": "fine  ", "LOOK": "look  ", "WRONG": "WRONG "}


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("examine")(_examine)


def _examine(
    site: SiteFile = None,
    probe: Annotated[
        bool, typer.Option(help="Also speak to the live sources; some devices take one visitor at a time.")
    ] = True,
    json: Json = False,
) -> None:
    """Look at settings, site file, disks, database, clocks, jobs, messages, mail server, gateways and sources.

    Changes nothing and sends nothing. Exit status 1 when something is wrong: people may not be called, or data may be lost.
    """
    # It knows every part of the service; loading them would slow down every other command.
    from service.examination import Grade
    from service.examination import examine as look_at_everything

    found: list[ExaminationResult] = []
    for verdict in look_at_everything(os.environ, wall_clock, site, probe=probe):
        found.append(verdict)
        if not json:
            _say(verdict, _MARK[verdict.grade.name])
    count = Counter(verdict.grade for verdict in found)
    if json:
        say_json({"wrong": count[Grade.WRONG], "look": count[Grade.LOOK], "verdicts": [v.row() for v in found]})
    else:
        say()
        say(f"{count[Grade.WRONG]} wrong, {count[Grade.LOOK]} to look at, {count[Grade.FINE]} fine")
    exit_with(PROBLEMS if count[Grade.WRONG] else DONE)


def _say(verdict: ExaminationResult, mark: str) -> None:
    say(f"{mark}{verdict.about}: {verdict.found}")
    if verdict.remedy:
        say(f"      → {verdict.remedy}")
