"""Reads the input of the alarm rules from storage, for a tank or for the service."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection

from service.alarms.definition import Priority
from service.alarms.figures import Occurrence, chattering
from service.alarms.machine import CALLING, QUIET, AlarmState
from service.alarms.observations import (
    AGREE,
    PAIR_WITHIN,
    Contradiction,
    CoreSeen,
    EffluentSeen,
    FluffSeen,
    TakenBack,
    contradiction,
    newest_core,
)
from service.alarms.rules import (
    ConnectorSeen,
    DeliverySeen,
    DutySeen,
    Observation,
    PermitSeen,
    RuleInput,
    SensorSeen,
    UnrulySeen,
    standing,
)
from service.calls.duty import Rota, next_gap
from service.domain.blanket.estimate import BLIND_AFTER, Assessment, Estimate, EstimateReason, TankSetup
from service.domain.cores.core import Core
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.loading.inputs import Origin
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import Signal, SignalKind, sensor_height
from service.jobs.plant.plant import Plant
from service.storage.alarms import inputs as alarm_inputs
from service.storage.alarms.alarms import alarms, transitions_between
from service.storage.alarms.inputs import StoredCore
from service.storage.calls import outbox
from service.storage.cores.cores import superseded_cores
from service.storage.laboratory.results import laboratory_results
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.connector_state import connector_health


@dataclass(frozen=True, slots=True, kw_only=True)
class TankHistory:
    """Everything the rules need of one tank since a time; answers for any moment from then on."""

    setup: TankSetup
    #: Estimates not yet decided on, oldest first; where nothing is new, the newest.
    estimates: Sequence[Estimate]
    samples: Mapping[str, Sequence[Assessment]]
    cores: Sequence[StoredCore]
    #: What each sensor said beside a core, by the core's time and the sensor's tag.
    beside: Mapping[datetime, Mapping[str, Assessment]] = field(default_factory=dict)
    #: Instruments that took a core back, by the core's time.
    contradicted: Mapping[datetime, Contradiction] = field(default_factory=dict)
    #: When a sensor was first heard again after a core, by the core's time; only where a core may be all there is.
    heard_after: Mapping[datetime, datetime] = field(default_factory=dict)
    #: Good values of the signals named by :func:`watched_others`, by tag, oldest first. [SI]
    others: Mapping[str, Sequence[tuple[datetime, float]]] = field(default_factory=dict)
    #: The laboratory's values of what leaves, of the tank and the plant, oldest first.
    laboratory: Sequence[LaboratoryResult] = ()
    #: When the service first knew the tank; only kept where it was never cored.
    known_since: datetime | None = None

    def at(self, time: datetime, estimate: Estimate | None, *, in_service: bool = True) -> RuleInput:
        """What is known at that time, the belief being *estimate*."""
        return RuleInput(
            at=time,
            side_water_depth=self.setup.tank.side_water_depth,
            estimate=estimate,
            sensors=tuple(self._sensor(signal.tag, signal.stale_after, time) for signal in self.setup.blankets),
            core=self._core(time, estimate),
            surface=self._surface(time),
            fluff=self._fluff(time),
            effluent=self._effluent(time),
            in_service=in_service,
            known_since=self.known_since,
        )

    def _effluent(self, time: datetime) -> tuple[EffluentSeen, ...]:
        meters = effluent_seen(self.setup.others, self.others, time)
        return (*meters, *laboratory_beyond(self.setup, self.laboratory, meters, time))

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

    def _core(self, time: datetime, estimate: Estimate | None) -> CoreSeen | None:
        index = bisect.bisect_right(self.cores, time, key=lambda core: core.taken_at)
        if index == 0:
            return None
        newest = self.cores[index - 1].taken_at
        core = newest_core(self._seen(core) for core in self.cores[:index] if core.taken_at == newest)
        assert core is not None
        if (heard := self.heard_after.get(core.taken_at)) is not None:
            core = replace(core, last_heard=heard > time)
        taken_back = self.contradicted.get(core.taken_at)
        if taken_back is None or taken_back.at > time:
            return core
        # A belief that is back where the core saw the blanket gives the core its word back.
        back = estimate is not None and not estimate.height < core.height - AGREE
        return core if back else replace(core, contradicted=taken_back)

    def _surface(self, time: datetime) -> CoreSeen | None:
        spoken = [core for core in self.cores if core.surface and core.taken_at <= time]
        newest = max((core.taken_at for core in spoken), default=None)
        seen = [self._seen(core) for core in spoken if core.taken_at == newest]
        # Of several at one time the one that saw sludge at the weir counts.
        return max(seen, key=lambda core: len(core.over_the_weir), default=None)

    def _seen(self, core: StoredCore) -> CoreSeen:
        beside = self.beside.get(core.taken_at, {})
        return core_seen(self.setup, core, next((sample.height for sample in beside.values()), None))

    def _fluff(self, time: datetime) -> tuple[FluffSeen, ...]:
        found = []
        for signal in self.setup.others:
            last = _last(self.others.get(signal.tag, ()), time)
            if signal.kind is SignalKind.FLUFF and last is not None and time - last[0] <= signal.stale_after:
                mount = signal.mount
                height = last[1] if mount is None else sensor_height(last[1], self.setup.tank, mount)
                found.append(FluffSeen(tag=signal.tag, at=last[0], height=height))
        return tuple(found)


def core_seen(setup: TankSetup, core: StoredCore | Core, sensor_height: float | None = None) -> CoreSeen:
    """A stored core in the tank's frame."""
    tank = setup.tank
    fluff = None if core.fluff is None else tank.height_from_thickness(core.fluff, core.distance_from_wall)
    return CoreSeen(
        taken_at=core.taken_at,
        height=tank.height_from_thickness(core.thickness, core.distance_from_wall),
        thickness=core.thickness,
        taken_by=core.taken_by,
        sensor_height=sensor_height,
        fluff_height=fluff,
        surface=core.surface,
    )


def cores_taken_back(
    conn: Connection, setup: TankSetup, ids: SiteIds, since: datetime, until: datetime
) -> tuple[TakenBack, ...]:
    """Cores of a tank that somebody withdrew or corrected at since ≤ time ≤ until, oldest first."""
    found = []
    for old, new in superseded_cores(conn, ids.tanks[setup.tank.key], since, until):
        gone = new.withdrawn or new.core.tank != setup.tank.key
        found.append(
            TakenBack(
                seen=core_seen(setup, old.core),
                at=new.core.recorded_at,
                by=new.core.taken_by if new.withdrawn else new.source.rpartition(", ")[2],
                why=new.correction_reason,
                known_at=old.core.recorded_at,
                now_says=None if gone else core_seen(setup, new.core),
            )
        )
    return tuple(found)


def watched_others(setup: TankSetup) -> tuple[Signal, ...]:
    """Signals beside the blanket sensors that alarms look at: the tank's fluff, and effluent meters with a limit."""
    return tuple(
        signal
        for signal in setup.others
        if (signal.kind is SignalKind.FLUFF and signal.tank == setup.tank.key) or signal.limit is not None
    )


def effluent_seen(
    signals: Sequence[Signal], readings: Mapping[str, Sequence[tuple[datetime, float]]], time: datetime
) -> tuple[EffluentSeen, ...]:
    """What the effluent meters with a limit last said up to a time."""
    found = []
    for signal in signals:
        last = _last(readings.get(signal.tag, ()), time)
        if signal.limit is not None and last is not None:
            found.append(
                EffluentSeen(
                    tag=signal.tag,
                    kind=signal.kind,
                    at=last[0],
                    value=last[1],
                    limit=signal.limit,
                    fresh=time - last[0] <= signal.stale_after,
                )
            )
    return tuple(found)


#: A laboratory value beyond the permit's limit stands so long where nothing newer takes it back: the next sample comes with the next day.
_SAMPLE_STANDS = timedelta(hours=26)
#: Which instrument measures the same.
_SAMPLED = {
    LaboratoryKind.EFFLUENT_SOLIDS: SignalKind.EFFLUENT_SOLIDS,
    LaboratoryKind.TURBIDITY: SignalKind.TURBIDITY,
}


def laboratory_values(
    conn: Connection, tanks: Iterable[TankSetup], ids: SiteIds, since: datetime, until: datetime
) -> dict[str, tuple[LaboratoryResult, ...]]:
    """The laboratory's values of what leaves that may stand at any time since, by tank key; none where no permit limits them."""
    own = {ids.tanks[setup.tank.key]: setup.tank.key for setup in tanks if setup.terms.effluent}
    if not own:
        return {}
    end = until + timedelta.resolution
    found = laboratory_results(conn, tuple(_SAMPLED), since - _SAMPLE_STANDS, end, [None, *own])
    return {key: tuple(r.result for r in found if r.result.tank in (None, key)) for key in own.values()}


def laboratory_beyond(
    setup: TankSetup, results: Sequence[LaboratoryResult], meters: Sequence[EffluentSeen], time: datetime
) -> tuple[EffluentSeen, ...]:
    """Laboratory values beyond the permit's limit that nothing newer has taken back: no later sample, and no meter within its limit."""
    newest = {_SAMPLED[r.kind]: r for r in results if time - _SAMPLE_STANDS <= r.taken_at <= time}
    found = []
    for kind, result in newest.items():
        limit = setup.terms.effluent.get(kind)
        taken_back = any(m.kind is kind and m.fresh and m.at > result.taken_at and not m.beyond for m in meters)
        if limit is not None and result.value > limit and not taken_back:
            # Never fresh: it holds what was called, and calls nobody by itself; the permit's averages do.
            seen = EffluentSeen(
                tag=Origin.LABORATORY, kind=kind, at=result.taken_at, value=result.value, limit=limit, fresh=False
            )
            found.append(seen)
    return tuple(found)


def _last(readings: Sequence[tuple[datetime, float]], time: datetime) -> tuple[datetime, float] | None:
    index = bisect.bisect_right(readings, time, key=lambda reading: reading[0]) - 1
    return readings[index] if index >= 0 else None


def contradictions(
    setup: TankSetup,
    cores: Sequence[StoredCore],
    samples: Mapping[str, Sequence[Assessment]],
    beside: Mapping[datetime, Mapping[str, Assessment]],
    until: datetime,
) -> dict[datetime, Contradiction]:
    """Cores that instruments took back before the next core came, and before a time, by the core's time."""
    stale_after = {signal.tag: signal.stale_after for signal in setup.blankets}
    if not cores:
        return {}
    ends = [*(core.taken_at for core in cores[1:]), until]
    found: dict[datetime, Contradiction] = {}
    for core, end in zip(cores, ends, strict=True):
        said = {tag: sample.corrected for tag, sample in beside.get(core.taken_at, {}).items()}
        taken_back = contradiction(core_seen(setup, core), samples, stale_after, said, end)
        if taken_back is not None:
            found[core.taken_at] = taken_back
    return found


def heard_after(setup: TankSetup, samples: Mapping[str, Sequence[Assessment]], time: datetime) -> datetime:
    """When a sensor first said something sound after a time; NEVER where none did while a core speaks alone."""
    first = NEVER
    for signal in setup.blankets:
        said = samples.get(signal.tag, ())
        for sample in said[bisect.bisect_right(said, time, key=lambda sample: sample.time) :]:
            if sample.time - time > _SPEAKS_ALONE or sample.time >= first:
                break
            if sample.verdict is ReadingReason.NONE:
                first = sample.time
    return first


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
    near = alarm_inputs.nearest_samples(conn, [(signal, time) for _, signal, time in moments], PAIR_WITHIN, now)
    beside: dict[int, dict[datetime, dict[str, Assessment]]] = {tank_id: {} for tank_id in tank_ids}
    for (tank_id, _, time), sample in zip(moments, near, strict=True):
        if sample is not None:
            beside[tank_id].setdefault(time, {})[sample.tag] = sample
    heard_after = _heard_after(conn, tank_ids, ids, estimates, cores, now)
    taken_back = _taken_back(conn, tank_ids, ids, estimates, cores, beside, now)
    readings = alarm_inputs.good_readings(
        conn,
        {ids.signals[s.tag]: _earliest(first, tank_ids, s) for t in tank_ids.values() for s in watched_others(t)},
        now,
    )
    sampled = laboratory_values(conn, tanks, ids, min(first.values(), default=now), now)
    first_known = alarm_inputs.first_defined_at(conn, [tank_id for tank_id in tank_ids if not cores[tank_id]])
    return {
        tank.tank.key: TankHistory(
            setup=tank,
            estimates=estimates[tank_id],
            samples={signal.tag: samples[ids.signals[signal.tag]] for signal in tank.blankets},
            cores=cores[tank_id],
            beside=beside[tank_id],
            contradicted=taken_back.get(tank_id, {}),
            heard_after=heard_after.get(tank_id, {}),
            others={s.tag: readings[ids.signals[s.tag]] for s in watched_others(tank)},
            laboratory=sampled.get(tank.tank.key, ()),
            known_since=first_known.get(tank_id),
        )
        for tank_id, tank in tank_ids.items()
    }


def standing_observations(
    conn: Connection, plant: Plant, believed: Mapping[str, Estimate], now: datetime
) -> dict[str, Observation]:
    """What people saw beyond a limit and nothing has taken back, by tank key; tanks of which there is nothing are left out. The limit is the widest of a tank's alarms."""
    limits = plant.alarms.widest_limits()
    histories = tank_histories(conn, plant.setups, plant.ids, after=dict.fromkeys(plant.tanks), now=now)
    found = {
        key: standing(history.at(now, believed.get(key)), limits[key])
        for key, history in histories.items()
        if key in limits
    }
    return {key: seen for key, seen in found.items() if seen is not None}


def _earliest(first: Mapping[int, datetime], tanks: Mapping[int, TankSetup], signal: Signal) -> datetime:
    """The time from which on a signal is looked at for any of the tanks it speaks of."""
    return min(first[tank_id] for tank_id, tank in tanks.items() if signal in tank.others)


#: What is believed where a core may be all there is: the core's own estimate, and what is carried forward from it.
_FROM_CORE = frozenset({EstimateReason.CORE, EstimateReason.COASTING})
#: A core that was heard last speaks alone this long; then the tank is blind.
_SPEAKS_ALONE = timedelta(seconds=BLIND_AFTER)
#: Stands for "not heard since".
NEVER = datetime.max.replace(tzinfo=UTC)


def _heard_after(
    conn: Connection,
    tanks: Mapping[int, TankSetup],
    ids: SiteIds,
    estimates: Mapping[int, Sequence[Estimate]],
    cores: Mapping[int, Sequence[StoredCore]],
    now: datetime,
) -> dict[int, dict[datetime, datetime]]:
    """When a sensor was first heard after each core, by tank; looked for only where the belief may rest on a core."""
    resting = [number for number in tanks if any(e.reason in _FROM_CORE for e in estimates[number])]
    found = {
        number: {c.taken_at: NEVER for c in cores[number] if now - c.taken_at <= _SPEAKS_ALONE} for number in resting
    }
    moments = [(number, s, at) for number in resting for s in tanks[number].blankets for at in found[number]]
    heard = alarm_inputs.first_sound_after(conn, [(ids.signals[s.tag], at) for _, s, at in moments], now)
    for (number, _, at), first in zip(moments, heard, strict=True):
        if first is not None:
            found[number][at] = min(first, found[number][at])
    return found


def _taken_back(
    conn: Connection,
    tanks: Mapping[int, TankSetup],
    ids: SiteIds,
    estimates: Mapping[int, Sequence[Estimate]],
    cores: Mapping[int, Sequence[StoredCore]],
    beside: Mapping[int, Mapping[datetime, Mapping[str, Assessment]]],
    now: datetime,
) -> dict[int, dict[datetime, Contradiction]]:
    """Cores that instruments took back, by tank; looked for only where the belief has left the place a core found."""
    since: dict[int, datetime] = {}
    for tank_id, tank in tanks.items():
        lowest = min((estimate.height for estimate in estimates[tank_id]), default=math.inf)
        left = [c.taken_at for c in cores[tank_id] if lowest < core_seen(tank, c).height - AGREE]
        if len(tank.blankets) > 1 and left:
            since |= {ids.signals[signal.tag]: left[0] for signal in tank.blankets}
    samples = alarm_inputs.samples_since_core(conn, since, now)
    return {
        tank_id: contradictions(
            tank,
            cores[tank_id],
            {s.tag: samples.get(ids.signals[s.tag], ()) for s in tank.blankets},
            beside[tank_id],
            now + timedelta.resolution,
        )
        for tank_id, tank in tanks.items()
        if tank.blankets and ids.signals[tank.blankets[0].tag] in since
    }


#: How far ahead rotas are searched for a time without anybody on duty.
DUTY_AHEAD = timedelta(days=3)


def service_situation(
    conn: Connection,
    connectors: Sequence[str],
    *,
    rotas: Sequence[Rota] = (),
    silent: Mapping[str, tuple[str, ...]] | None = None,
    effluent: tuple[EffluentSeen, ...] = (),
    permit: PermitSeen | None = None,
    started_at: datetime,
    added_at: Mapping[str, datetime] | None = None,
    now: datetime,
) -> RuleInput:
    """What is known of the service itself, and of the *effluent* of the whole plant."""
    seen = {found.connector: found for found in connector_health(conn)}
    out = outbox.health(conn)
    newest = (time for found in seen.values() for time in (found.last_sample_at, found.ahead_until))
    ahead = [time - now for time in newest if time is not None]
    # Where a source tells its clock, that is a measurement even while no sample bears a time ahead of ours.
    ahead += [
        timedelta(seconds=skew)
        for found in seen.values()
        if isinstance(skew := found.standing.get("clock_skew"), int | float)
    ]
    return RuleInput(
        at=now,
        connectors=tuple(
            ConnectorSeen(
                key=key,
                last_good_at=seen[key].last_good_at if key in seen else None,
                started_at=(added_at or {}).get(key, started_at),
                last_error=seen[key].last_error if key in seen else "",
                lost=seen[key].lost if key in seen else 0,
                lost_at=seen[key].lost_at if key in seen else None,
                refused=sum(there.records for there in seen[key].dead_letters) if key in seen else 0,
                refused_at=max((there.newest_at for there in seen[key].dead_letters), default=None)
                if key in seen
                else None,
                silent=(silent or {}).get(key, ()),
            )
            for key in connectors
        ),
        delivery=DeliverySeen(waiting_since=out.waiting_since, refused_at=out.failed_at),
        clock_ahead=max(ahead, default=None),
        duty=_duty(rotas, now),
        unruly=_unruly(conn, now),
        effluent=effluent,
        permit=permit,
    )


def plant_effluent(conn: Connection, plant: Plant, now: datetime) -> tuple[EffluentSeen, ...]:
    """What the meters of the whole plant's effluent last said."""
    meters = {s.tag: s for tank in plant.setups for s in tank.others if s.tank is None and s.limit is not None}
    readings = alarm_inputs.good_readings(conn, {plant.ids.signals[tag]: now for tag in meters}, now)
    return effluent_seen(tuple(meters.values()), {tag: readings[plant.ids.signals[tag]] for tag in meters}, now)


#: After a start the sources are read before anything is called silent.
SETTLE = timedelta(minutes=2)


def silent_tanks(conn: Connection, plant: Plant, *, started_at: datetime, now: datetime) -> dict[str, tuple[str, ...]]:
    """By source the names of the tanks it alone feeds whose blanket readings have all stopped."""
    if now - started_at < SETTLE:
        return {}
    ids, feeds = plant.ids, plant.alarms.feeds
    fed = [tank for tank in plant.setups if tank.blankets and len(feeds.get(tank.tank.key, ())) == 1]
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
        for line in transitions_between(conn, now - CHATTERED_WITHIN, now)
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
