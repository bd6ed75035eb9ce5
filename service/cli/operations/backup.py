"""``underweir backup`` and ``restore``: the whole database to one verified file, and back."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Annotated

import typer

from service.bootstrap import owner_database, read_only_database, settings_from_environment, signing_secret, wall_clock
from service.cli.base.options import Json
from service.cli.base.output import say, say_json, warn
from service.jobs.operations.backup import BackupSeal, Manifest, back_up, newest_backup_at, restore, verify


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("backup")(_backup)
    app.command("restore")(_restore)


def _backup(
    folder: Annotated[Path, typer.Argument(help="Where the backup goes; made if missing.", show_default=False)],
    keep: Annotated[
        int | None,
        typer.Option(min=1, help="Remove the oldest, so that so many stay; otherwise all stay.", show_default=False),
    ] = None,
    unless_newer: Annotated[
        float | None,
        typer.Option(
            metavar="HOURS", help="Do nothing when there is one made within so many hours.", show_default=False
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Write the whole database, as of this moment, into one file, and read it again; the service goes on meanwhile.

    Not in it: the site file, settings and secrets, which are files already. Keep it where the database's disk cannot take it along.
    """
    newest = newest_backup_at(folder)
    if unless_newer is not None and newest is not None and wall_clock() - newest < timedelta(hours=unless_newer):
        if json:
            say_json({"file": None, "newest_at": newest})
        else:
            say(f"nothing to do: there is a backup of {newest:%Y-%m-%d %H:%M} UTC")
        return
    settings = settings_from_environment()
    with read_only_database(settings) as engine:
        made = back_up(engine, folder, BackupSeal(signing_secret(settings)), wall_clock(), keep=keep)
    if json:
        say_json(
            {
                "file": str(made.path),
                "size_bytes": made.size_bytes,
                "rows": made.rows,
                "removed": [str(path) for path in made.removed],
            }
        )
        return
    say(f"{made.path}: {made.rows} rows, {made.size_bytes / 1e6:.1f} MB, signed, read again and found whole")
    for path in made.removed:
        say(f"removed {path}")


def _restore(
    file: Annotated[Path, typer.Argument(help="The backup.", show_default=False)],
    check: Annotated[bool, typer.Option("--check", help="Only read the file, its signature and checksums.")] = False,
    other_key: Annotated[
        bool,
        typer.Option(
            "--other-key",
            help="Take a backup signed with another installation's secret key: nothing shows then that nobody changed it.",
        ),
    ] = False,
    json: Json = False,
) -> None:
    """Put a backup into an empty database: all of it, or nothing.

    The database is the one the settings name: give UNDERWEIR_DATABASE_URL a new one, or UNDERWEIR_DATA_DIR a new folder. Stop the
    service first. A backup of an older version is brought up to date.

    A file that was changed since it was made is refused. Everybody signs in anew and programs get new tokens; who may sign in again
    is listed, and in what that differs from the newest backup beside the file.
    """
    settings = settings_from_environment()
    seal = BackupSeal(signing_secret(settings))
    if other_key:
        warn("taken without a look at its signature: whoever had the file can have changed roles and passwords in it")
    if check:
        _say(file, verify(file, seal, other_key=other_key), "whole", json)
        return
    with owner_database(settings) as engine:
        done = restore(engine, file, seal, wall_clock(), other_key=other_key)
    if json:
        _say(file, done.manifest, "restored", json, accounts=done.accounts, differs=done.differs)
        return
    _say(file, done.manifest, "restored", json)
    say(f"{done.sessions_ended} sessions and {done.tokens_ended} tokens in it are ended: everybody signs in anew")
    say(f"who may sign in as of that day: {', '.join(done.accounts) or 'nobody'}")
    for line in done.differs:
        say(f"  {line}")
    say("switch off who has left since: underweir people off NAME")


def _say(file: Path, manifest: Manifest, done: str, json: bool, **more: tuple[str, ...]) -> None:
    if json:
        say_json(
            {
                "file": str(file),
                "done": done,
                "made_at": manifest.made_at,
                "program": manifest.program,
                "revision": manifest.revision,
                "rows": {entry.name: entry.rows for entry in manifest.tables},
                **more,
            }
        )
        return
    say(f"{file}: {done}, {manifest.rows} rows of {manifest.made_at}, made by Underweir {manifest.program}")
