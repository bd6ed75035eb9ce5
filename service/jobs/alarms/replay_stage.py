"""Lays a tank's stored history out in the order it became known, for a replay."""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import groupby
from typing import NamedTuple

import numpy as np
import structlog
from sqlalchemy import Connection

from service.alarms.observations import PAIR_WITHIN, Contradiction
from service.domain.blanket import estimate as estimator
from service.domain.blanket.estimate import Assessment, Event, TankSetup
from service.domain.blanket.incremental_replay import EventChange, Refold, StateAt
from service.domain.cores.core import Calibration, Core
from service.domain.forecast.tracker import heading_from_json
from service.domain.plant.reading import Quality, Reading
from service.errors import DomainError
from service.jobs.alarms.situations import NEVER, TankHistory, contradictions, heard_after, watched_others
from service.storage.alarms import inputs as alarm_inputs
from service.storage.alarms.inputs import StoredCore
from service.storage.blanket import checkpoints
from service.storage.database.epoch import from_us
from service.storage.plant.site_tables import SiteIds
from service.storage.readings import arrival, history
from service.storage.readings.arrival import ArrivalModel
from service.storage.readings.history import ArrivedReadings, RecordedChange

log = structlog.get_logger(__name__)

#: What is known at the start is folded in pieces of this length.
PIECE = timedelta(days=1)
#: Folding starts at least so long before the replay, and before the last core by then: rules look back at both.
RUN_UP = timedelta(hours=2)
#: Of these cores it is looked up whether instruments took them back; older ones have long been followed by others.
NEWEST_CORES = 3


class Arrival(NamedTuple):
    """Everything of one tank that became known at one moment."""

    at: datetime
    rows: slice
    recorded: Sequence[RecordedChange]
    needed: datetime  #: the earliest time that anything arriving later will change


@dataclass(slots=True)
class ReplayRun:
    """One tank's history laid out for a replay."""

    setup: TankSetup
    refold: Refold
    tag_of: Mapping[int, str]
    known: list[list[Event]]
    came: ArrivedReadings
    recorded: list[RecordedChange]
    began_at: datetime | None
    known_since: datetime | None = None  #: when the service first knew the tank
    imported: Mapping[str, ArrivalModel] = field(
        default_factory=dict
    )  #: of blanket sensors of which something was imported
    cores: list[StoredCore] = field(default_factory=list)
    beside: dict[datetime, dict[str, Assessment]] = field(default_factory=dict)
    contradicted: dict[datetime, Contradiction] = field(default_factory=dict)
    heard_after: dict[datetime, datetime] = field(default_factory=dict)
    others: dict[str, list[tuple[datetime, float]]] = field(default_factory=dict)

    @classmethod
    def of(
        cls,
        conn: Connection,
        setup: TankSetup,
        ids: SiteIds,
        start: datetime,
        end: datetime,
        *,
        reusable: bool,
        arrived_after: timedelta | None = None,
    ) -> ReplayRun:
        """Read what a tank's replay needs; with *arrived_after* nothing is taken as arrived later than that after it was measured."""
        signals = [s for s in (*setup.blankets, *setup.others) if s.tag in ids.signals]
        tag_of = {ids.signals[signal.tag]: signal.tag for signal in signals}
        blankets = [ids.signals[signal.tag] for signal in setup.blankets if signal.tag in ids.signals]
        tank_id = ids.tanks.get(setup.tank.key, -1)
        if arrived_after is None:
            models = arrival.reading_arrivals(conn, list(tag_of))
            of_cores, of_works = arrival.core_arrivals(conn, tank_id), arrival.work_arrivals(conn, blankets)
        else:
            given = ArrivalModel.given(arrived_after)
            models, of_cores, of_works = dict.fromkeys(tag_of, given), given, given
        recorded: list[RecordedChange] = [
            *history.recorded_cores(conn, tank_id, end, of_cores),
            *history.recorded_calibrations(conn, blankets, end, of_works),
        ]
        recorded.sort(key=lambda record: record.at)
        split = bisect_right(recorded, start, key=lambda record: record.at)
        standing = standing_after(recorded[:split])
        mark = None
        if reusable:
            late = history.earliest_late_reading(conn, list(tag_of), start, models)
            mark = _mark(conn, setup, tank_id, _clean_before(start, late, standing, recorded[split:]))
        since = None if mark is None else mark.time + timedelta.resolution
        arrived = history.arrived_readings(conn, list(tag_of), end, since=since, models=models)
        columns, came = arrived.known(start)
        events: list[Event] = list(columns.readings(tag_of))
        events += [event for event in standing if since is None or estimator.event_order(event)[0] >= since]
        refold = Refold(setup, mark)
        if since is not None:
            refold.cores += sorted(
                (c for c in standing if isinstance(c, Core) and c.taken_at < since), key=estimator.event_order
            )
        began_at = None if mark is None else mark.time
        known_since = alarm_inputs.first_defined_at(conn, [tank_id]).get(tank_id)
        return cls(
            setup,
            refold,
            tag_of,
            _pieces(events),
            came,
            recorded[split:],
            began_at,
            # What was imported is replayed as if the tank had been known.
            min(known_since, start) if known_since is not None else None,
            {tag_of[i]: models[i] for i in blankets if i in models and np.any(came.imported)},
            [_stored(c) for c in refold.cores],
        )

    def history(self, after: datetime | None) -> TankHistory:
        """What is known now, in the form the rules look at; estimates only those after a time, or the newest."""
        estimates = self.refold.estimates
        # Samples are let go of after a while; what they took back is remembered with the core.
        self.contradicted |= {
            time: found
            for time, found in contradictions(
                self.setup,
                self.cores[-NEWEST_CORES:],
                self.refold.samples,
                self.beside,
                datetime.max.replace(tzinfo=UTC),
            ).items()
            if time not in self.contradicted
        }
        if self.cores and self.heard_after.get(at := self.cores[-1].taken_at, NEVER) is NEVER:
            self.heard_after[at] = heard_after(self.setup, self.refold.samples, at)
        new = len(estimates) - 1 if after is None else bisect_right(estimates, after, key=lambda e: e.time)
        return TankHistory(
            setup=self.setup,
            estimates=estimates[max(new, 0) :],
            samples=self.refold.samples,
            cores=self.cores,
            beside=self.beside,
            contradicted=self.contradicted,
            heard_after=self.heard_after,
            others=self.others,
            known_since=self.known_since,
        )

    def arrivals(self) -> list[Arrival]:
        """What came later, moment by moment."""
        empty = slice(0, 0)
        rows = dict(self.came.groups())
        records = {at: list(group) for at, group in groupby(self.recorded, key=lambda record: record.at)}
        needed = datetime.max.replace(tzinfo=UTC)
        found = []
        for at in sorted({*rows, *records}, reverse=True):
            arrival = Arrival(at, rows.get(at, empty), records.get(at, ()), needed)
            found.append(arrival)
            needed = min(needed, self._earliest(arrival))
        found.reverse()
        return found

    def take_known(self, arrivals: Sequence[Arrival]) -> None:
        """Take in what is known at the start."""
        needed = datetime.max.replace(tzinfo=UTC)
        if arrivals:
            needed = min(arrivals[0].needed, self._earliest(arrivals[0]))
        for piece in self.known:
            self._take([EventChange(event) for event in piece], needed)
        self.known = []

    def take(self, arrival: Arrival) -> None:
        """Take in what arrived."""
        changes = [EventChange(reading) for reading in self.came.part(arrival.rows).readings(self.tag_of)]
        changes += [EventChange(record.came, record.gone) for record in arrival.recorded]
        self._take([change for change in changes if change.came is not None or change.gone is not None], arrival.needed)

    def clearances(self) -> list[tuple[datetime, float]]:
        """Time and clearance [m] of every core as it stands now."""
        tank = self.setup.tank
        return [
            (core.taken_at, tank.clearance(tank.height_from_thickness(core.thickness, core.distance_from_wall)))
            for core in self.refold.cores
        ]

    def _earliest(self, arrival: Arrival) -> datetime:
        times = self.came.readings.time_us[arrival.rows]
        found = [from_us(int(times.min()))] if times.size else []
        found += [
            EventChange(record.came, record.gone).earliest for record in arrival.recorded if record.came or record.gone
        ]
        return min(found, default=datetime.max.replace(tzinfo=UTC))

    def _take(self, changes: list[EventChange], needed: datetime) -> None:
        if not changes:
            return
        self._hear(changes)
        newest = max(estimator.event_order(event)[0] for change in changes for event in change if event is not None)
        since = self.refold.take(changes, mark=needed <= newest)
        if any(isinstance(event, Core) for change in changes for event in change):
            self.cores = [_stored(core) for core in self.refold.cores]
            self.contradicted, self.heard_after = {}, {}
        for core in reversed(self.refold.cores):
            if since is None or core.taken_at < since - PAIR_WITHIN:
                break
            self._pair(core.taken_at)
        self.refold.forget(needed)

    def _pair(self, time: datetime) -> None:
        near = {s.tag: _nearest(self.refold.samples[s.tag], time) for s in self.setup.blankets}
        self.beside[time] = {tag: sample for tag, sample in near.items() if sample is not None}

    def _hear(self, changes: Sequence[EventChange]) -> None:
        """Keep what the other signals say that alarms look at."""
        watched = {signal.tag for signal in watched_others(self.setup)}
        for change in changes:
            reading = change.came
            if not isinstance(reading, Reading) or reading.tag not in watched:
                continue
            heard = self.others.setdefault(reading.tag, [])
            place = bisect_left(heard, reading.time, key=lambda known: known[0])
            if place < len(heard) and heard[place][0] == reading.time:
                del heard[place]
            if reading.quality is not Quality.BAD and math.isfinite(reading.value):
                heard.insert(place, (reading.time, reading.value))


def standing_after(recorded: Iterable[RecordedChange]) -> list[Core | Calibration]:
    """What stands after all these records."""
    found: list[Core | Calibration] = []
    for record in recorded:
        if record.gone is not None and record.gone in found:
            found.remove(record.gone)
        if record.came is not None:
            found.append(record.came)
    return found


def _clean_before(
    start: datetime,
    late: datetime | None,
    standing: Sequence[Core | Calibration],
    later: Sequence[RecordedChange],
) -> datetime:
    """Before when a checkpoint holds nothing that became known only after the start, with the run-up the rules need."""
    bounds = [start - RUN_UP]
    bounds += [event.taken_at - RUN_UP for event in standing if isinstance(event, Core) and event.taken_at <= start][
        -1:
    ]
    bounds += [EventChange(record.came, record.gone).earliest for record in later if record.came or record.gone]
    if late is not None:
        bounds.append(late)
    return min(bounds)


def _mark(conn: Connection, setup: TankSetup, tank_id: int, before: datetime) -> StateAt | None:
    stored = checkpoints.checkpoint_before(conn, tank_id, before)
    if stored is None:
        return None
    try:
        state = estimator.state_from_json(stored.state["estimator"])
        return StateAt(stored.time, state, heading_from_json(stored.state["heading"]))
    except (DomainError, KeyError):
        log.info("replaying from the beginning", tank=setup.tank.key, reason="checkpoint of another version")
        return None


def _pieces(events: list[Event]) -> list[list[Event]]:
    """Events in order, in pieces that no moment is split by."""
    events.sort(key=estimator.event_order)
    pieces = []
    start = 0
    while start < len(events):
        limit = estimator.event_order(events[start])[0] + PIECE
        stop = bisect_left(events, limit, lo=start, key=lambda event: estimator.event_order(event)[0])
        pieces.append(events[start : max(stop, start + 1)])
        start = max(stop, start + 1)
    return pieces


def _nearest(samples: Sequence[Assessment], time: datetime) -> Assessment | None:
    """What a sensor said nearest to a time; None where it said no number about then."""
    first = bisect_left(samples, time - PAIR_WITHIN, key=lambda sample: sample.time)
    last = bisect_right(samples, time + PAIR_WITHIN, key=lambda sample: sample.time)
    near = [sample for sample in samples[first:last] if sample.height == sample.height]
    return min(near, key=lambda sample: abs(sample.time - time)) if near else None


def _stored(core: Core) -> StoredCore:
    return StoredCore(
        taken_at=core.taken_at,
        thickness=core.thickness,
        distance_from_wall=core.distance_from_wall,
        taken_by=core.taken_by,
        fluff=core.fluff,
        surface=core.surface,
    )
