"""``underweir migrate``: migrates the database schema, and starts nothing else."""

from __future__ import annotations

import typer

from service.bootstrap import migrated_database, settings_from_environment
from service.cli.base.options import Json
from service.cli.base.output import say, say_json
from service.storage.database.schema import current_revision, head_revision


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("migrate")(_migrate)


def _migrate(json: Json = False) -> None:
    """Bring the database's tables up to date, as underweir run does when it starts; no other command does."""
    with migrated_database(settings_from_environment()) as (engine, _):
        revision = current_revision(engine)
    if json:
        say_json({"revision": revision, "head": head_revision()})
    else:
        say(f"the database is at revision {revision}, the newest known")
