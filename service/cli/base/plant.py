"""Opens the plant for commands, with notes where the site file on disk differs or estimates are not up to date."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import typer

from service import bootstrap
from service.bootstrap import Installation, wall_clock
from service.cli.base.output import DONE, usage_error, warn
from service.domain.blanket.past_work import PastWork, past_words
from service.domain.operations.lease import EVALUATE
from service.domain.plant.display import format_local_time
from service.jobs.blanket.catch_up import catch_up
from service.jobs.blanket.estimate import past_work
from service.site.sections.quantity import closest_word
from service.storage.database.session import transaction
from service.storage.operations.backlog import backlog
from service.storage.operations.leases import active_node


@contextmanager
def reading(site_file: Path | None, *, says_past: bool = True) -> Iterator[Installation]:
    """The plant in force, for a command that changes nothing: the database refuses whatever it would write.

    Parameters
    ----------
    says_past : that numbers are not final while the past is estimated again; False where the command says so itself.
    """
    with bootstrap.open_read_only(site_file) as plant:
        _say_other_file(plant)
        _say_not_estimated(plant)
        if says_past:
            _say_past(plant)
        yield plant


@contextmanager
def storing(site_file: Path | None) -> Iterator[Installation]:
    """The plant in force, for a command that stores what changes beliefs: they are brought up to date where no service runs."""
    with bootstrap.open_installation(site_file) as plant:
        _say_other_file(plant)
        try:
            yield plant
        except typer.Exit as end:
            if end.exit_code == DONE:
                catch_up(plant.engine, plant.setups, plant.ids, wall_clock())
            raise
        catch_up(plant.engine, plant.setups, plant.ids, wall_clock())


def known_tank(key: str, known: Collection[str]) -> str:
    """The key if there is a tank of that key; ends the command with what to write instead otherwise."""
    if key not in known:
        near = closest_word(key, tuple(known))
        usage_error(
            f"there is no tank {key!r}; " + (f"did you mean {near!r}?" if near else f"known: {', '.join(known)}")
        )
    return key


def _say_other_file(plant: Installation) -> None:
    if notice := plant.file_notice():
        warn(f"note: {notice}")


def past_values(pasts: Mapping[str, PastWork]) -> dict[str, dict[str, object]]:
    """What is estimated again beside the present, by tank key, for JSON."""
    return {
        key: {
            "from": work.since,
            "reached": work.reached,
            "share": work.share,
            "left_s": None if work.left is None else work.left.total_seconds(),
        }
        for key, work in pasts.items()
    }


def pasts_of(plant: Installation) -> dict[str, PastWork]:
    """What is estimated again beside the present, by tank key."""
    with transaction(plant.engine) as conn:
        return {key: work for key, work in past_work(conn, wall_clock()).items() if key in plant.tanks}


def _say_past(plant: Installation) -> None:
    for key, work in pasts_of(plant).items():
        warn(f"note: {plant.tanks[key].label}: {past_words(work, plant.site.time_zone)}")


def _say_not_estimated(plant: Installation) -> None:
    with transaction(plant.engine) as conn:
        since = backlog(conn).tanks_from
        if since is None or active_node(conn, EVALUATE) is not None:
            return
    when = format_local_time(since, plant.site.time_zone)
    warn(
        f"note: data from {when} on are not in the estimates yet, because no service is running here; start it with: underweir run"
    )
