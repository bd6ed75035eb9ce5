"""What is known of a tank, or of the service, at a time: read from storage into the values the rules look at."""

from __future__ import annotations

import bisect
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.alarms.definition import Priority
from service.alarms.duty import Rota, next_gap
from service.alarms.figures import Occurrence, chattering
from service.alarms.machine import CALLING, QUIET, AlarmState
from service.alarms.rules import (
    ConnectorSeen,
    CoreSeen,
    DeliverySeen,
    DutySeen,
    SensorSeen,
    Situation,
    UnrulySeen,
)
from service.domain.estimate import Assessment, Estimate, TankSetup
from service.storage import alarm_inputs, outbox
from service.storage.alarm_inputs import StoredCore
from service.storage.alarms import alarms, happenings
from service.storage.connector_state import connector_health
from service.storage.site_tables import SiteIds

#: A sensor value this close to a core in time is compared with it.
PAIR_WITHIN = timedelta(minutes=15)


@dataclass(frozen=True, slots=True, kw_only=True)
class TankHistory:
    """Everything the rules need of one tank since a time; answers for any moment from then on."""

    setup: TankSetup
    #: Estimates not yet decided on, oldest first; where nothing is new, the newest.
    estimates: Sequence[Estimate]
    samples: Mapping[str, Sequence[Assessment]]
    cores: Sequence[StoredCore]
    #: What a sensor said beside a core, by the core's time. [m]
    beside: Mapping[datetime, float] = field(default_factory=dict)
    #: When the service first knew the tank; only kept where it was never cored.
    known_since: datetime | None = None

    def at(self, time: datetime, estimate: Estimate | None, *, in_service: bool = True) -> Situation:
        """What is known at that time, the belief being *estimate*."""
        return Situation(
            at=time,
            side_water_depth=self.setup.tank.side_water_depth,
            estimate=estimate,
            sensors=tuple(self._sensor(signal.tag, signal.stale_after, time) for signal in self.setup.blankets),
            core=self._core(time),
            in_service=in_service,
            known_since=self.known_since,
        )

    def _sensor(self, tag: str, stale_after: timedelta, time: datetime) -> SensorSeen:
        samples = self.samples.get(tag, ())
        index = bisect.bisect_right(samples, time, key=lambda sample: sample.time) - 1
        if index < 0:
            return SensorSeen(tag=tag, stale_after=stale_after)
        sample = samples[index]
        return SensorSeen(
            tag=tag,
            stale_after=stale_after,
            last_sample_at=sample.time,
            height=_number(sample.height),
            corrected=_number(sample.corrected),
            verdict=sample.verdict,
        )

    def _core(self, time: datetime) -> CoreSeen | None:
        index = bisect.bisect_right(self.cores, time, key=lambda core: core.taken_at) - 1
        if index < 0:
            return None
        core = self.cores[index]
        return CoreSeen(
            taken_at=core.taken_at,
            height=self.setup.tank.height_from_thickness(core.thickness, core.distance_from_wall),
            thickness=core.thickness,
            taken_by=core.taken_by,
            sensor_height=self.beside.get(core.taken_at),
        )


def tank_histories(
    conn: Connection, tanks: Sequence[TankSetup], ids: SiteIds, *, after: Mapping[str, datetime | None], now: datetime
) -> dict[str, TankHistory]:
    """What is known of each tank since its own time; by tank key.

    Parameters
    ----------
    after : per tank the time decided up to. None: never looked, so only the newest estimate counts, as the past before
        the first look is nobody's alarm.
    """
    tank_ids = {ids.tanks[tank.tank.key]: tank for tank in tanks}
    estimates = alarm_inputs.new_estimates(
        conn, {tank_id: after[tank.tank.key] for tank_id, tank in tank_ids.items()}, now
    )
    first = {}
    for tank_id, tank in tank_ids.items():
        start = after[tank.tank.key]
        if start is None:
            start = estimates[tank_id][0].time if estimates[tank_id] else now
        first[tank_id] = start
    signals = {ids.signals[s.tag]: first[tank_id] for tank_id, tank in tank_ids.items() for s in tank.blankets}
    samples = alarm_inputs.samples(conn, signals, now)
    cores = alarm_inputs.cores(conn, first, now)
    moments = [
        (tank_id, ids.signals[signal.tag], core.taken_at)
        for tank_id, tank in tank_ids.items()
        for signal in tank.blankets
        for core in cores[tank_id]
    ]
    near = alarm_inputs.samples_beside(conn, [(signal, time) for _, signal, time in moments], PAIR_WITHIN, now)
    beside: dict[int, dict[datetime, float]] = {tank_id: {} for tank_id in tank_ids}
    for (tank_id, _, time), sample in zip(moments, near, strict=True):
        if sample is not None:
            beside[tank_id].setdefault(time, sample.height)
    first_known = alarm_inputs.known_since(conn, [tank_id for tank_id in tank_ids if not cores[tank_id]])
    return {
        tank.tank.key: TankHistory(
            setup=tank,
            estimates=estimates[tank_id],
            samples={signal.tag: samples[ids.signals[signal.tag]] for signal in tank.blankets},
            cores=cores[tank_id],
            beside=beside[tank_id],
            known_since=first_known.get(tank_id),
        )
        for tank_id, tank in tank_ids.items()
    }


#: How far ahead rotas are searched for a time without anybody on duty.
DUTY_AHEAD = timedelta(days=3)


def service_situation(
    conn: Connection,
    connectors: Sequence[str],
    *,
    rotas: Sequence[Rota] = (),
    silent: Mapping[str, tuple[str, ...]] | None = None,
    started_at: datetime,
    added_at: Mapping[str, datetime] | None = None,
    now: datetime,
) -> Situation:
    """What is known of the service itself."""
    seen = {found.connector: found for found in connector_health(conn)}
    out = outbox.health(conn)
    ahead = [found.last_sample_at - now for found in seen.values() if found.last_sample_at is not None]
    # Where a source tells its clock, that is a measurement even while no sample bears a time ahead of ours.
    ahead += [
        timedelta(seconds=skew)
        for found in seen.values()
        if isinstance(skew := found.standing.get("clock_skew"), int | float)
    ]
    return Situation(
        at=now,
        connectors=tuple(
            ConnectorSeen(
                key=key,
                last_good_at=seen[key].last_good_at if key in seen else None,
                started_at=(added_at or {}).get(key, started_at),
                last_error=seen[key].last_error if key in seen else "",
                lost=seen[key].lost if key in seen else 0,
                lost_at=seen[key].lost_at if key in seen else None,
                refused=sum(there.records for there in seen[key].refused) if key in seen else 0,
                refused_at=max((there.newest_at for there in seen[key].refused), default=None) if key in seen else None,
                silent=(silent or {}).get(key, ()),
            )
            for key in connectors
        ),
        delivery=DeliverySeen(waiting_since=out.waiting_since, refused_at=out.failed_at),
        clock_ahead=max(ahead, default=None),
        duty=_duty(rotas, now),
        unruly=_unruly(conn, now),
    )


#: After a start the sources are read before anything is called silent.
SETTLE = timedelta(minutes=2)


def silent_tanks(
    conn: Connection,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    feeds: Mapping[str, frozenset[str]],
    *,
    started_at: datetime,
    now: datetime,
) -> dict[str, tuple[str, ...]]:
    """By source the names of the tanks it alone feeds whose blanket readings have all stopped."""
    if now - started_at < SETTLE:
        return {}
    fed = [tank for tank in tanks if tank.blankets and len(feeds.get(tank.tank.key, ())) == 1]
    newest = alarm_inputs.samples(conn, {ids.signals[s.tag]: now for tank in fed for s in tank.blankets}, now)
    found: dict[str, tuple[str, ...]] = {}
    for tank in fed:
        lasts = [(s, newest[ids.signals[s.tag]]) for s in tank.blankets]
        if all(not last or now - last[-1].time > signal.stale_after for signal, last in lasts):
            (source,) = feeds[tank.tank.key]
            found[source] = (*found.get(source, ()), tank.tank.label)
    return found


#: An alarm that chattered is named so long, so that somebody sees it.
CHATTERED_WITHIN = timedelta(hours=1)


def _unruly(conn: Connection, now: datetime) -> UnrulySeen:
    calls = [
        Occurrence(key=line.key, priority=Priority.LOW, occurred_at=line.at)
        for line in happenings(conn, now - CHATTERED_WITHIN, now)
        if line.event in CALLING and line.to_state == AlarmState.UNACKNOWLEDGED
    ]
    standing = tuple(
        (record.key, record.machine.occurred_at)
        for record in alarms(conn)
        if record.machine.active and record.machine.state not in QUIET and record.machine.occurred_at is not None
    )
    # What these two alarms say of others must not be said of themselves.
    return UnrulySeen(
        chattering=tuple(sorted(key for key in chattering(calls) if key not in _ABOUT_ALARMS)),
        standing=tuple(found for found in standing if found[0] not in _ABOUT_ALARMS),
    )


_ABOUT_ALARMS = frozenset({"system.chattering", "system.stale"})


def _duty(rotas: Sequence[Rota], now: datetime) -> DutySeen | None:
    if not rotas:
        return None
    gaps = [(gap.start, rota.key) for rota in rotas if (gap := next_gap(rota, now, DUTY_AHEAD)) is not None]
    if not gaps:
        return DutySeen()
    gap_at, key = min(gaps)
    return DutySeen(gap_at=gap_at, rota=key)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
