"""Readings, cores and calibrations in, believed blankets out: per tank, from the earliest time whose data changed.

Work goes in stretches, each in a transaction of its own that writes estimates and a checkpoint and moves the tank's mark
forward, so a first import of years neither holds locks for long nor starts over when it is interrupted.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from sqlalchemy import Connection, Engine

from service.domain import estimate as estimator
from service.domain.balance import Conditions
from service.domain.estimate import Estimate, Event, TankSetup
from service.domain.heading import (
    Heading,
    conditions,
    first_heading,
    follow,
    heading_from_json,
    heading_to_json,
    outlook,
    solids_loading,
)
from service.domain.memory import State
from service.domain.outlook import Forecast
from service.domain.reading import Reading
from service.errors import DomainError
from service.storage import calibrations, checkpoints, core_pairs, cores, estimates, readings, recompute
from service.storage.archived import rows_begin
from service.storage.session import transaction
from service.storage.site_tables import SiteIds

log = structlog.get_logger(__name__)

#: Length of a stretch: long enough that the checkpoint's cost vanishes, short enough to hold in memory.
STRETCH = timedelta(days=2)


@dataclass(frozen=True, slots=True)
class Caught:
    """What one run did for a tank."""

    tank: str
    changed_from: datetime
    events: int
    estimates: int
    finished: bool = True  #: False where the next stretch is still to come


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where a tank is heading, and what its other signals say now."""

    forecast: Forecast | None
    solids_loading: float | None  #: [kg/(m²·h)]
    conditions: Conditions


def update_estimates(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> list[Caught]:
    """Estimate every tank whose data changed, up to its newest event.

    Parameters
    ----------
    setups : the tanks with their signals.
    ids : row numbers of tanks and signals.

    Returns
    -------
    What was done, a row per stretch; empty when nothing was due.

    Notes
    -----
    Readings that come in meanwhile wait for the next run: a signal of the whole plant, once a second, would otherwise keep
    this one going for ever, and nobody would look at the alarms.
    """
    by_id = {ids.tanks[setup.tank.key]: setup for setup in setups}
    done: list[Caught] = []
    unfinished = set(by_id)
    while True:
        with transaction(engine) as conn:
            due = [item for item in recompute.due(conn) if item.tank_id in unfinished]
        unfinished = set()
        for item in due:
            with transaction(engine) as conn:
                if not recompute.hold(conn, item.tank_id):
                    continue  # another process is at it
                caught = _stretch(conn, by_id[item.tank_id], ids, item, now)
            if not caught.finished:
                unfinished.add(item.tank_id)
            done.append(caught)
            log.info("estimated", tank=caught.tank, since=caught.changed_from, events=caught.events)
        if not unfinished:
            return done


def outlook_all(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> dict[str, Outlook]:
    """Where each tank is heading, by tank key; tanks of which nothing is known are left out."""
    found: dict[str, Outlook] = {}
    with transaction(engine) as conn:
        for setup in setups:
            heading = newest_heading(conn, setup, ids.tanks[setup.tank.key])
            if heading is not None:
                found[setup.tank.key] = Outlook(
                    forecast=outlook(setup, heading, now),
                    solids_loading=solids_loading(setup, heading, now),
                    conditions=conditions(setup, heading, now),
                )
    return found


def project_all(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> dict[str, Estimate]:
    """Each tank's believed blanket at *now*, by tank key, carried forward from its newest checkpoint."""
    projected: dict[str, Estimate] = {}
    with transaction(engine) as conn:
        for setup in setups:
            state = newest_state(conn, setup, ids.tanks[setup.tank.key])
            projected[setup.tank.key] = estimator.project(setup, state or estimator.initial(setup), now)
    return projected


def believed_between(
    engine: Engine, setup: TankSetup, ids: SiteIds, start: datetime, end: datetime, every: timedelta
) -> list[Estimate]:
    """What is believed of a tank at start, start + every, … up to *end*, with today's knowledge of what came before each.

    Parameters
    ----------
    every : distance of the times.

    Notes
    -----
    Where nothing was heard the belief coasts and its deviation grows, as it did live.
    """
    with transaction(engine) as conn:
        checkpoint = checkpoints.checkpoint_at(conn, ids.tanks[setup.tank.key], start)
        known = _known(setup, checkpoint)
        since = None if known is None or checkpoint is None else checkpoint.time + timedelta.resolution
        events = _events(conn, setup, ids, since, end + timedelta.resolution)
    state = estimator.initial(setup) if known is None else known.state
    told: list[Estimate] = []
    done, time = 0, start
    while time <= end:
        upto = bisect_right(events, time, lo=done, key=lambda event: estimator.event_order(event)[0])
        state = estimator.advance(setup, state, events[done:upto]).state
        told.append(estimator.project(setup, state, time))
        done, time = upto, time + every
    return told


def newest_state(conn: Connection, setup: TankSetup, tank_id: int) -> State | None:
    """The tank's state after everything estimated so far; None when there is none, or an older version wrote it."""
    known = _known(setup, checkpoints.latest_checkpoint(conn, tank_id))
    return None if known is None else known.state


def newest_heading(conn: Connection, setup: TankSetup, tank_id: int) -> Heading | None:
    """Where the tank is heading after everything estimated so far; None where nothing is known."""
    known = _known(setup, checkpoints.latest_checkpoint(conn, tank_id))
    return None if known is None else known.heading


def _stretch(conn: Connection, setup: TankSetup, ids: SiteIds, item: recompute.Due, now: datetime) -> Caught:
    blanket_ids = {signal.tag: ids.signals[signal.tag] for signal in setup.blankets}
    signal_ids = _signal_ids(setup, ids)
    # Months in the archive have no readings here: what was believed of them stands, whatever is still delivered for them.
    here_from = rows_begin(conn)
    dirty_from = item.dirty_from if here_from is None else max(item.dirty_from, here_from)
    checkpoint = checkpoints.checkpoint_before(conn, item.tank_id, dirty_from)
    known = _known(setup, checkpoint)
    start: datetime | None
    if checkpoint is not None and known is not None:
        start = checkpoint.time + timedelta.resolution
    else:
        known, start = _nothing_known(setup), readings.earliest_time(conn, signal_ids)
    since = dirty_from if start is None else min(start, dirty_from)
    since = since if here_from is None else max(since, here_from)
    newest = [now, *(readings.latest_times(conn, signal_ids))]
    # Counted from what changed, not from the checkpoint: across days without any event the mark moves on all the same.
    end = max(since, dirty_from) + STRETCH
    last = end > max(newest)
    upto = None if last else end

    events = _events(conn, setup, ids, since, upto)
    advanced = estimator.advance(setup, known.state, events)
    follow(setup, known.heading, [event for event in events if isinstance(event, Reading)], advanced.estimates)

    checkpoints.drop_checkpoints_from(conn, item.tank_id, dirty_from)
    estimates.replace_estimates(conn, item.tank_id, since, advanced.estimates, upto)
    estimates.replace_assessments(conn, blanket_ids, since, advanced.assessments, upto)
    core_pairs.replace_pairs(conn, blanket_ids, since, advanced.pairs, upto)
    if events:
        seen_to = estimator.event_order(events[-1])[0]
        stored = {"estimator": estimator.state_to_json(advanced.state), "heading": heading_to_json(known.heading)}
        checkpoints.save_checkpoint(conn, item.tank_id, seen_to, stored)
        checkpoints.drop_earlier_in_hour(conn, item.tank_id, seen_to)
    # A change that came in meanwhile keeps the tank due from where it was, and this stretch is done again.
    if recompute.settle(conn, item) and upto is not None:
        recompute.mark(conn, {item.tank_id: upto})
    return Caught(setup.tank.key, dirty_from, len(events), len(advanced.estimates), finished=last)


def _signal_ids(setup: TankSetup, ids: SiteIds) -> list[int]:
    return [ids.signals[signal.tag] for signal in (*setup.blankets, *setup.others)]


def _events(
    conn: Connection, setup: TankSetup, ids: SiteIds, start: datetime | None, end: datetime | None
) -> list[Event]:
    """Everything that happened in a tank at start ≤ time < end, in the order that counts."""
    tag_of = {ids.signals[signal.tag]: signal.tag for signal in (*setup.blankets, *setup.others)}
    events: list[Event] = list(readings.readings_between(conn, list(tag_of), start, end).readings(tag_of))
    events += [record.core for record in cores.current_cores(conn, [ids.tanks[setup.tank.key]], start, end)]
    blankets = [ids.signals[signal.tag] for signal in setup.blankets]
    events += [record.calibration for record in calibrations.current_calibrations(conn, blankets, start, end)]
    events.sort(key=estimator.event_order)
    return events


@dataclass(slots=True)
class _Known:
    """What is remembered of a tank between stretches."""

    state: State
    heading: Heading


def _nothing_known(setup: TankSetup) -> _Known:
    return _Known(estimator.initial(setup), first_heading(setup))


def _known(setup: TankSetup, checkpoint: checkpoints.Checkpoint | None) -> _Known | None:
    if checkpoint is None:
        return None
    try:
        stored = checkpoint.state
        return _Known(estimator.state_from_json(stored["estimator"]), heading_from_json(stored["heading"]))
    except (DomainError, KeyError):
        # Written by an older version of the mathematics: what it knew is learned again from the readings.
        log.info("estimating from the beginning", tank=setup.tank.key, reason="checkpoint of another version")
        return None
