"""``underweir check``: reports every mistake of a site file at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from service.cli.base.output import DONE, PROBLEMS, exit_with, say, say_json
from service.domain.effluent.permit import limit_words
from service.site.reading.finding import errors_of
from service.site.site import Site, check_site, load_site


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check")(_check)


def _check(
    file: Annotated[Path, typer.Argument(help="The site file.", show_default=False)],
    json: Annotated[bool, typer.Option("--json", help="Print the findings as JSON.")] = False,
) -> None:
    """Check a site file and report every mistake with its line, what is wrong and what would be right.

    Exit status 0: the service can start with it (there may be warnings); 1: it cannot.
    """
    findings = check_site(file)
    errors = errors_of(findings)
    if json:
        say_json({"file": str(file), "usable": not errors, "findings": [finding.row() for finding in findings]})
    else:
        for finding in findings:
            say(finding.text(str(file)))
        if not findings:
            say(f"{file}: no mistakes found")
        elif errors:
            say(f"{file}: {_count(len(errors), 'mistake')}; the service will not start with it")
        else:
            say(f"{file}: {_count(len(findings), 'warning')}, no mistakes")
        if not errors:
            _say_permit(load_site(file))
    exit_with(PROBLEMS if errors else DONE)


def _say_permit(site: Site) -> None:
    """The limits as they were read: a slip of a unit there is found by nobody else."""
    permit = site.permit
    if permit.limits:
        say(f"  permit{f', {permit.name}' if permit.name else ''}: {'; '.join(limit_words(permit, site.units))}")
        sampled = ", ".join(site.tanks()[key].label for key in permit.sampled_tanks)
        say(f"  laboratory values that count for it: of the whole plant{f', {sampled}' if sampled else ''}")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
