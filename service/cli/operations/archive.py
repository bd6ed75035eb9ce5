"""``underweir archive``: old months moved from the database to files, checked, and restored."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from service.bootstrap import database, read_only_database, retention_policy, settings_from_environment, wall_clock
from service.cli.base.options import Json
from service.cli.base.output import PROBLEMS, exit_with, say, say_json, say_table, usage_error
from service.jobs.operations import archive
from service.storage.database.session import transaction
from service.storage.trends.archive_files import Kept
from service.storage.trends.archived import Archived, archive_files

#: What a file holds, in plain words.
_HOLDS: dict[Kept, str] = {
    "reading": "readings",
    "batch": "when readings came in, and from where",
    "assessment": "assessments of blanket readings",
    "estimate": "estimates of each tank",
    "alarm_event": "the alarms' journal",
    "outbox": "messages",
    "delivery_attempt": "delivery attempts",
}

Month = Annotated[str, typer.Argument(metavar="MONTH", help="Such as 2024-03 (UTC).", show_default=False)]


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(help="Old months in files: list, check, move now, bring back.", no_args_is_help=True)
    group.command("list")(_list)
    group.command("check")(_check)
    group.command("now")(_now)
    group.command("restore")(_restore)
    app.add_typer(group, name="archive")


def _list(json: Json = False) -> None:
    """Show every file of the archive."""
    settings = settings_from_environment()
    with read_only_database(settings) as engine, transaction(engine) as conn:
        files = archive_files(conn)
    if json:
        say_json({"folder": str(settings.archive_folder), "files": [_plain(file) for file in files]})
        return
    if not files:
        say("no files in the archive")
        return
    say_table(
        ("file", "holds", "rows", "moved", "brought back"),
        [
            (
                file.name,
                _HOLDS[file.source],
                f"{file.content.rows:,}",
                f"{file.archived_at:%Y-%m-%d}",
                "" if file.restored_at is None else f"{file.restored_at:%Y-%m-%d}",
            )
            for file in files
        ],
    )
    say(f"in {settings.archive_folder}")


def _check(json: Json = False) -> None:
    """Read every file and compare it with what was put in: count and checksum of its rows."""
    settings = settings_from_environment()
    with read_only_database(settings) as engine:
        found = archive.check(engine, settings.archive_folder)
    if json:
        say_json({"files": [_plain(each.file) | {"problem": each.problem or None} for each in found]})
    else:
        for each in found:
            say(f"{each.file.name}: {each.problem or 'whole'}")
        if not found:
            say("no files in the archive")
    if any(each.problem for each in found):
        exit_with(PROBLEMS)


def _now(json: Json = False) -> None:
    """Move what is older than the settings keep; the running service does it by itself."""
    settings = settings_from_environment()
    keeping = retention_policy(settings)
    if not keeping.months and keeping.journal_months is None:
        usage_error(
            "everything is kept for ever: set UNDERWEIR_KEEP_READINGS_MONTHS, …_ESTIMATES_… or …_JOURNAL_MONTHS"
        )
    with database(settings) as engine:
        done = archive.archive_old(engine, keeping, wall_clock())
    if json:
        say_json({"files": [_plain(file) for file in done]})
        return
    for file in done:
        say(f"{file.name}: {file.content.rows:,} rows moved")
    if not done:
        say("nothing is old enough")


def _restore(month: Month, json: Json = False) -> None:
    """Bring a month back into the database, for a replay or an export; it stays for 31 days."""
    try:
        first = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    except ValueError:
        usage_error(f"{month!r} is not a month; write it like 2024-03")
    settings = settings_from_environment()
    with database(settings) as engine:
        done = archive.restore(engine, settings.archive_folder, first, wall_clock())
    if json:
        say_json({"files": [_plain(file) | {"rows_back": rows} for file, rows in done]})
        return
    for file, rows in done:
        say(f"{file.name}: {rows:,} of {file.content.rows:,} rows brought back")


def _plain(file: Archived) -> dict[str, object]:
    return {
        "file": file.name,
        "table": file.source,
        "month": f"{file.month:%Y-%m}",
        "rows": file.content.rows,
        "archived_at": file.archived_at,
        "restored_at": file.restored_at,
    }
