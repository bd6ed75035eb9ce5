"""How commands open the plant, and what they say where it is not the one on disk, or not up to date."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import typer

from service import bootstrap
from service.bootstrap import Installation, wall_clock
from service.cli.output import DONE, warn
from service.domain.display import format_local_time
from service.domain.lease import DECIDE
from service.jobs.catch_up import catch_up
from service.storage.backlog import backlog
from service.storage.leases import at_work
from service.storage.session import transaction


@contextmanager
def reading(site_file: Path | None) -> Iterator[Installation]:
    """The plant in force, for a command that changes nothing: the database refuses whatever it would write."""
    with bootstrap.opened_for_reading(site_file) as plant:
        _say_other_file(plant)
        _say_not_estimated(plant)
        yield plant


@contextmanager
def storing(site_file: Path | None) -> Iterator[Installation]:
    """The plant in force, for a command that stores what changes beliefs: they are brought up to date where no service runs."""
    with bootstrap.opened(site_file) as plant:
        _say_other_file(plant)
        try:
            yield plant
        except typer.Exit as end:
            if end.exit_code == DONE:
                catch_up(plant.engine, plant.setups, plant.ids, wall_clock())
            raise
        catch_up(plant.engine, plant.setups, plant.ids, wall_clock())


def _say_other_file(plant: Installation) -> None:
    if notice := plant.file_notice():
        warn(f"note: {notice}")


def _say_not_estimated(plant: Installation) -> None:
    with transaction(plant.engine) as conn:
        since = backlog(conn).tanks_from
        if since is None or at_work(conn, DECIDE) is not None:
            return
    when = format_local_time(since, plant.site.time_zone)
    warn(f"note: what came in for the time from {when} on is not estimated yet, as no service runs here: underweir run")
