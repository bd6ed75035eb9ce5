"""Estimates the blanket of each tank from readings, cores and calibrations, from the earliest change on.

The present comes first (:func:`estimate_present`): what is new, or late by little, is estimated at once, back to the change,
in one transaction. Where more changed than can be done between two looks at the alarms, as after an import of old
history, the newest is estimated from what was believed of it so far, and the rest is left to the past.

The past (:func:`estimate_past`) goes on beside it in pieces, from the change forward. Estimates, assessments, pairs and
checkpoints before where it has come to (:class:`service.storage.blanket.recompute.Backfill`) are those of all data; those after it are
the present's, which has not seen the change yet. The piece that arrives at the newest event takes the present's place. A
piece is one transaction, so neither a kill nor another node loses more than the piece in work.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from sqlalchemy import Connection, Engine

from service.domain.blanket import estimate as estimator
from service.domain.blanket.estimate import Advance, Estimate, Event, TankSetup
from service.domain.blanket.fusion import head_of
from service.domain.blanket.past_work import PastWork
from service.domain.blanket.state import State
from service.domain.forecast.outlook import Forecast
from service.domain.forecast.tracker import (
    Heading,
    conditions,
    first_heading,
    follow,
    heading_from_json,
    heading_to_json,
    outlook,
    solids_loading,
)
from service.domain.loading.balance import Conditions
from service.domain.plant.reading import Reading
from service.errors import DomainError
from service.storage.blanket import checkpoints, estimates, recompute
from service.storage.cores import cores
from service.storage.cores import pairs as core_pairs
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings import readings
from service.storage.sensors import calibrations
from service.storage.trends.archive_spans import rows_begin

log = structlog.get_logger(__name__)

#: Readings folded between two looks at the alarms, all tanks together: a second or two of work.
AT_ONCE = 20_000
#: Readings of one tank from which its present is estimated while its past is still to come.
PRESENT = 2_000
#: Readings in a piece of the past: a second of work, which is all that a kill costs.
PIECE = 10_000
#: No piece is longer, and the present reaches no further back.
LONGEST = timedelta(days=2)
#: Over a gap so many of the newest cores are taken along, with the readings so long before and after each.
BRIDGED, AROUND_CORE = 5, timedelta(minutes=30)
_SHORTEST = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class Caught:
    """What one piece of work did for a tank."""

    tank: str
    changed_from: datetime
    events: int
    estimates: int
    finished: bool = True  #: False where some of its past is still to come


@dataclass(frozen=True, slots=True)
class Outlook:
    """Where a tank is heading, and what its other signals say now."""

    forecast: Forecast | None
    solids_loading: float | None  #: [kg/(m²·h)]
    conditions: Conditions


def update_estimates(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> list[Caught]:
    """Estimate every tank whose data changed, present and past, up to its newest event.

    Parameters
    ----------
    setups : the tanks with their signals.
    ids : row numbers of tanks and signals.

    Returns
    -------
    What was done, piece by piece; empty when nothing was due.

    Notes
    -----
    Readings that come in meanwhile wait for the next run: a signal of the whole plant, once a second, would otherwise keep
    this one going for ever.
    """
    setups = tuple(setups)
    return [*estimate_present(engine, setups, ids, now), *estimate_past(engine, setups, ids, now)]


def estimate_present(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> list[Caught]:
    """Estimate the newest of every tank whose data changed; what is too much for now is left to its past.

    Parameters
    ----------
    setups, ids : as for :func:`update_estimates`.

    Returns
    -------
    What was done, a row per tank; empty when nothing was due.
    """
    by_id = {ids.tanks[setup.tank.key]: setup for setup in setups}
    with transaction(engine) as conn:
        due = [item for item in recompute.claim_due(conn) if item.tank_id in by_id]
    left, done = AT_ONCE, []
    # What is newest first: a tank with half a year to catch up with does not use up what another needs for five minutes.
    for item in sorted(due, key=lambda item: item.dirty_from, reverse=True):
        with transaction(engine) as conn:
            if not recompute.lock_tank(conn, item.tank_id):
                continue  # another process is at it
            caught, cost = _present(conn, by_id[item.tank_id], ids, item, now, max(left, PRESENT))
        left -= cost
        done.append(caught)
        log.info("estimated", tank=caught.tank, since=caught.changed_from, events=caught.events, whole=caught.finished)
    return done


def estimate_past(
    engine: Engine,
    setups: Iterable[TankSetup],
    ids: SiteIds,
    now: datetime,
    *,
    enough: Callable[[], bool] = lambda: False,
) -> list[Caught]:
    """Go on with the past of every tank that has one to be estimated again, a piece of each in turn.

    Parameters
    ----------
    enough : asked after every piece whether to leave the rest for another run.

    Returns
    -------
    What was done, a row per piece; ``finished`` where the past has arrived at the present.
    """
    by_id = {ids.tanks[setup.tank.key]: setup for setup in setups}
    done: list[Caught] = []
    waiting = set(by_id)
    while waiting:
        with transaction(engine) as conn:
            waiting &= set(recompute.backfills(conn, sorted(waiting)))
        for tank_id in sorted(waiting):
            caught = _piece(engine, by_id[tank_id], ids, tank_id)
            if caught is None:
                waiting.discard(tank_id)  # another process is at it, or it changed meanwhile
                continue
            done.append(caught)
            if caught.finished:
                log.info("past estimated up to the present", tank=caught.tank)
            if enough():
                return done
    return done


def past_work(conn: Connection, now: datetime) -> dict[str, PastWork]:
    """What is being estimated again beside the present, by tank key; empty when nothing is."""
    return {
        key: PastWork(since=past.since, reached=past.reached, began_at=past.began_at, at=now)
        for key, past in sorted(recompute.backfills_by_key(conn).items())
    }


def standing_at(conn: Connection, setup: TankSetup, ids: SiteIds, at: datetime) -> tuple[Estimate, Outlook] | None:
    """What a look at the alarms at a time goes by: the belief carried forward to it, and where the tank is heading.

    Made with today's knowledge of what had happened by then; None where nothing was known, or nothing is kept near enough.
    """
    made = _made_up_to(conn, setup, ids, at)
    if made is None:
        return None
    return estimator.project(setup, made.advanced.state, at), _outlook(setup, made.heading, at)


def head_at(conn: Connection, setup: TankSetup, ids: SiteIds, at: datetime) -> float:
    """Water surface above a tank's weir crest at a time, as far as its flow tells; zero where that is not known. [m]"""
    made = _made_up_to(conn, setup, ids, at)
    return 0.0 if made is None else head_of(made.advanced.state, setup.tank, at.timestamp())


def _made_up_to(conn: Connection, setup: TankSetup, ids: SiteIds, at: datetime) -> _Made | None:
    """Everything known up to a time, folded; None where nothing is, or too much is still to come."""
    end = at + timedelta.resolution
    start = _start(conn, setup, ids, ids.tanks[setup.tank.key], end)
    if readings.count_between(conn, _signal_ids(setup, ids), start.since, end, AT_ONCE) > AT_ONCE:
        return None
    found = _events(conn, setup, ids, start.since, end)
    return _made(setup, start, found) if found or start.known_before else None


def outlook_all(engine: Engine, setups: Iterable[TankSetup], ids: SiteIds, now: datetime) -> dict[str, Outlook]:
    """Where each tank is heading, by tank key; tanks of which nothing is known are left out."""
    found: dict[str, Outlook] = {}
    with transaction(engine) as conn:
        for setup in setups:
            heading = newest_heading(conn, setup, ids.tanks[setup.tank.key])
            if heading is not None:
                found[setup.tank.key] = _outlook(setup, heading, now)
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


def _outlook(setup: TankSetup, heading: Heading, at: datetime) -> Outlook:
    return Outlook(
        forecast=outlook(setup, heading, at),
        solids_loading=solids_loading(setup, heading, at),
        conditions=conditions(setup, heading, at),
    )


def _present(
    conn: Connection, setup: TankSetup, ids: SiteIds, item: recompute.Due, now: datetime, left: int
) -> tuple[Caught, int]:
    """Estimate the newest of a tank that is held; also how many readings that took, of *left* at most if it can be."""
    past = recompute.find_backfill(conn, item.tank_id)
    changed = item.dirty_from if past is None else min(item.dirty_from, past.reached)
    start = _start(conn, setup, ids, item.tank_id, changed)
    signal_ids = _signal_ids(setup, ids)
    cost = readings.count_between(conn, signal_ids, start.since, None, left)
    if cost <= left:
        events, told = _fold(conn, setup, ids, item.tank_id, start)
        if past is not None:
            recompute.advance_backfill(conn, item.tank_id, None)
        recompute.settle(conn, item)
        return Caught(setup.tank.key, item.dirty_from, events, told), cost
    changed = item.dirty_from if start.known_before else min(item.dirty_from, start.since)
    late = _start(conn, setup, ids, item.tank_id, item.dirty_from)
    cost = readings.count_between(conn, signal_ids, late.since, None, left)
    if past is None or not late.known_before or cost > left:
        late = _newest_start(conn, setup, ids, item.tank_id, now)
        cost = readings.count_between(conn, signal_ids, late.since, None, left)
        # What is believed from here on has not seen what changed: none of it may count as past that is done.
        changed = min(changed, late.since)
    recompute.extend_backfill(conn, item.tank_id, changed, now)
    events, told = _fold(conn, setup, ids, item.tank_id, late)
    recompute.settle(conn, item)
    return Caught(setup.tank.key, item.dirty_from, events, told, finished=False), cost


def _piece(engine: Engine, setup: TankSetup, ids: SiteIds, tank_id: int) -> Caught | None:
    """Move a tank's past forward by one piece; None where another process has it, or it changed meanwhile."""
    signal_ids = _signal_ids(setup, ids)
    with transaction(engine) as conn:
        if not recompute.lock_tank(conn, tank_id) or (past := recompute.find_backfill(conn, tank_id)) is None:
            return None
        start = _start(conn, setup, ids, tank_id, past.reached)
        if readings.count_between(conn, signal_ids, start.since, None, PIECE) <= PIECE:
            events, told = _fold(conn, setup, ids, tank_id, start)
            recompute.advance_backfill(conn, tank_id, None)
            return Caught(setup.tank.key, past.reached, events, told)
        end = _piece_end(conn, signal_ids, start)
        announced = recompute.announce_chunk(conn, tank_id, end)
    # Worked out without a lock, so that the present never waits for it.
    with transaction(engine) as conn:
        found = _events(conn, setup, ids, start.since, end)
    made = _made(setup, start, found)
    with transaction(engine) as conn:
        if not recompute.lock_tank(conn, tank_id) or recompute.find_backfill(conn, tank_id) != announced:
            return None
        _write(conn, setup, ids, tank_id, start, made, end)
        recompute.advance_backfill(conn, tank_id, end)
    return Caught(setup.tank.key, past.reached, len(found), len(made.advanced.estimates), finished=False)


def _piece_end(conn: Connection, signal_ids: list[int], start: _Start) -> datetime:
    """Up to where a piece goes: counted from where the past has come to, or from a checkpoint long before that."""
    first = start.changed
    if readings.count_between(conn, signal_ids, start.since, first, PIECE) > PIECE:
        first = start.since
    length = LONGEST
    while length > _SHORTEST and readings.count_between(conn, signal_ids, first, first + length, PIECE) > PIECE:
        length /= 2
    return first + length


def _fold(conn: Connection, setup: TankSetup, ids: SiteIds, tank_id: int, start: _Start) -> tuple[int, int]:
    """Fold everything from a start on, and write it; returns how many events there were, and how many estimates came of them."""
    found = _events(conn, setup, ids, start.since, None)
    made = _made(setup, start, found)
    _write(conn, setup, ids, tank_id, start, made, None)
    return len(found), len(made.advanced.estimates)


@dataclass(frozen=True, slots=True)
class _Made:
    """What came of folding some events."""

    advanced: Advance
    heading: Heading
    seen_to: datetime | None  #: the last event; None where there was none


def _made(setup: TankSetup, start: _Start, events: list[Event]) -> _Made:
    advanced = estimator.advance(setup, start.known.state, events)
    heading = start.known.heading
    follow(setup, heading, [event for event in events if isinstance(event, Reading)], advanced.estimates)
    return _Made(advanced, heading, estimator.event_order(events[-1])[0] if events else None)


def _write(
    conn: Connection, setup: TankSetup, ids: SiteIds, tank_id: int, start: _Start, made: _Made, end: datetime | None
) -> None:
    """Put what was made in the place of everything from the start to *end*; None leaves that open."""
    blanket_ids = {signal.tag: ids.signals[signal.tag] for signal in setup.blankets}
    checkpoints.drop_checkpoints(conn, tank_id, start.changed, end)
    estimates.replace_estimates(conn, tank_id, start.since, made.advanced.estimates, end)
    estimates.replace_assessments(conn, blanket_ids, start.since, made.advanced.assessments, end)
    core_pairs.replace_pairs(conn, blanket_ids, start.since, made.advanced.pairs, end)
    if made.seen_to is not None:
        stored = {"estimator": estimator.state_to_json(made.advanced.state), "heading": heading_to_json(made.heading)}
        checkpoints.save_checkpoint(conn, tank_id, made.seen_to, stored)
        checkpoints.drop_earlier_in_hour(conn, tank_id, made.seen_to)


@dataclass(frozen=True, slots=True)
class _Start:
    """Where folding begins: what is remembered, from when on events are taken, and from when on something changed."""

    known: _Known
    since: datetime
    changed: datetime
    known_before: bool  #: False where nothing was remembered, and folding begins at the first event there is


def _start(conn: Connection, setup: TankSetup, ids: SiteIds, tank_id: int, changed: datetime) -> _Start:
    """The newest start that has seen nothing of what changed."""
    # Months in the archive have no readings here: what was believed of them stands, whatever is still delivered for them.
    here_from = rows_begin(conn)
    changed = changed if here_from is None else max(changed, here_from)
    checkpoint = checkpoints.checkpoint_before(conn, tank_id, changed)
    known = _known(setup, checkpoint)
    if checkpoint is not None and known is not None:
        since = checkpoint.time + timedelta.resolution
    else:
        earliest = readings.earliest_time(conn, _signal_ids(setup, ids))
        since = changed if earliest is None else min(earliest, changed)
    since = since if here_from is None else max(since, here_from)
    if known is None:
        return _Start(_nothing_known(setup), since, min(changed, since), known_before=False)
    return _Start(known, since, changed, known_before=True)


def _newest_start(conn: Connection, setup: TankSetup, ids: SiteIds, tank_id: int, now: datetime) -> _Start:
    """A start that leaves few readings: what is remembered of the time before them, with a gap where it must be."""
    signal_ids = _signal_ids(setup, ids)
    newest, length = min(now, max(readings.latest_times(conn, signal_ids), default=now)), LONGEST
    while length > _SHORTEST and readings.count_between(conn, signal_ids, newest - length, None, PRESENT) > PRESENT:
        length /= 2
    edge = newest - length
    before, after = checkpoints.checkpoint_at(conn, tank_id, edge), checkpoints.checkpoint_after(conn, tank_id, edge)
    known = _known(setup, before)
    if before is not None and known is not None:
        since = before.time + timedelta.resolution
        if readings.count_between(conn, signal_ids, since, None, 2 * PRESENT) <= 2 * PRESENT:
            return _Start(known, since, since, known_before=True)
    if after is not None and (later := _known(setup, after)) is not None:
        since = after.time + timedelta.resolution
        return _Start(later, since, since, known_before=True)
    seen_to = None if before is None or known is None else before.time + timedelta.resolution
    bridged = _bridged(conn, setup, ids, tank_id, known or _nothing_known(setup), seen_to, edge)
    return _Start(bridged, edge, edge, known_before=known is not None)


def _bridged(
    conn: Connection,
    setup: TankSetup,
    ids: SiteIds,
    tank_id: int,
    known: _Known,
    since: datetime | None,
    edge: datetime,
) -> _Known:
    """What is remembered, taken over a gap that is still to be estimated, with the newest cores in it.

    A sensor that reads low would otherwise be believed until the past has arrived: what the cores beside it say of its
    drift is learned from the readings around them. The rest of the gap counts as silence.
    """
    taken = [record.core.taken_at for record in cores.current_cores(conn, [tank_id], since, edge)][-BRIDGED:]
    done, signal_ids = since, _signal_ids(setup, ids)
    for at in taken:
        around = AROUND_CORE
        while around > _SHORTEST and readings.count_between(conn, signal_ids, at - around, at, PRESENT) > PRESENT:
            around /= 2
        first, last = at - around if done is None else max(done, at - around), min(at + around, edge)
        if first < last:
            found = _events(conn, setup, ids, first, last)
            made = _made(setup, _Start(known, first, first, known_before=True), found)
            known, done = _Known(made.advanced.state, made.heading), last
    return known


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
