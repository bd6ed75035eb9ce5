"""Gathers the evidence on one tank from what is known of it and its sister tanks at a moment. Pure: reads nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from statistics import median

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.cores.core import Core
from service.domain.cores.round import Round
from service.domain.diagnosis.evidence import Evidence, Sister
from service.domain.forecast.tracker import Heading, conditions, fresh_values
from service.domain.loading.balance import Conditions
from service.domain.loading.inputs import InputStatus, LoadInput
from service.domain.loading.tank_load import TankLoad
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import Tank, TankKind

#: What a round saw says something for so long: a shift.
ROUND_HOLDS = timedelta(hours=12)
#: A dispersed layer moves with the flow: what a core saw of it holds so long.
FLUFF_HOLDS = timedelta(hours=4)
#: A sister tank's blanket counts for so long after it was believed.
SISTER_HOLDS = timedelta(hours=1)
#: So many quarter hours make a habit of the day.
_HABIT = 24.0
#: An arm that moves by less than this between readings stands still. [degree]
_STILL = 2.0

#: The newest value of every signal by its tag: seconds since 1970, and value in SI.
Latest = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of one tank now."""

    setup: TankSetup
    heading: Heading
    believed: Estimate | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """What was, to compare with."""

    latest: tuple[tuple[datetime, Latest], ...] = ()  #: as of some earlier moments, the nearest first
    tests: tuple[tuple[float, float], ...] = ()  #: earlier settling tests [mL/L] with their mixed liquor [kg/m³]
    #: Mean of what was drawn over the last hours and over the day before them, where sludge is pumped in cycles. [m³/s]
    drawn_means: tuple[float | None, float | None] = (None, None)
    arm_angles: tuple[float, ...] = field(default=())  #: over the last half hour [degree]


def gather(
    own: Known,
    sisters: Sequence[Known],
    load: TankLoad,
    inputs: Sequence[LoadInput],
    cores: Sequence[Core],
    past: Past,
    now: datetime,
    rounds: Sequence[Round] = (),
) -> Evidence:
    """The evidence on a tank.

    Parameters
    ----------
    sisters : tanks of the same kind in service, without this one.
    load, inputs : its loading now, and what that was computed from.
    cores, rounds : of this tank over :data:`ROUND_HOLDS`, in order of time.
    """
    setup, tank = own.setup, own.setup.tank
    streams, load = _drawn(own, load, past, now)
    value = _values(setup, own.heading, now).get
    before = [_values(setup, replace(own.heading, latest=dict(seen)), at) for at, seen in past.latest]
    temperature, torque = value(SignalKind.TEMPERATURE), value(SignalKind.TORQUE)
    warmer = _known(seen.get(SignalKind.TEMPERATURE) for seen in before[:1])
    chemical, dosed = value(SignalKind.CHEMICAL_FLOW), _known(seen.get(SignalKind.CHEMICAL_FLOW) for seen in before)
    test = next((i for i in inputs if i.kind is SignalKind.SETTLED_VOLUME and not i.missing), None)
    believed = own.believed if own.believed is not None and own.believed.reason is not EstimateReason.NO_DATA else None
    found = Evidence(
        kind=tank.kind,
        depth=tank.side_water_depth,
        streams=streams,
        load=load,
        sisters=_sisters(own, sisters, now),
        actions=setup.terms.actions,
        return_capacity=setup.terms.return_capacity,
        old=tuple(i.kind for i in inputs if i.standing is InputStatus.TOO_OLD),
        usual_flow=_usual_flow(own, past),
        usual_drawn=_usual_drawn(own, past),
        usual_index=median(volume / solids for volume, solids in past.tests) if len(past.tests) >= 3 else None,
        usual_feed=median(solids for _, solids in past.tests) if len(past.tests) >= 3 else None,
        test_age=None if test is None or test.at is None else (now - test.at) / timedelta(hours=1),
        ages={i.kind: (now - i.at) / timedelta(hours=1) for i in inputs if not i.missing and i.at is not None},
        height=None if believed is None else believed.height,
        rate=None if believed is None else believed.rate,
        blind=believed is None or believed.trust is Trust.BLIND,
        rivals=None if believed is None else _rivals(believed),
        effluent_solids=value(SignalKind.EFFLUENT_SOLIDS),
        effluent_limit=_limit(setup, SignalKind.EFFLUENT_SOLIDS),
        turbidity=value(SignalKind.TURBIDITY),
        turbidity_limit=_limit(setup, SignalKind.TURBIDITY),
        temperature=temperature,
        cooled=None if temperature is None or not warmer else warmer[0] - temperature,
        nitrate=value(SignalKind.NITRATE),
        torque=torque
        if torque is not None
        else next((r.torque for r in reversed(rounds) if r.torque is not None), None),
        arm_still=arm_still(past.arm_angles),
        chemical=None if chemical is None or not dosed or max(dosed) <= 0.0 else chemical / max(dosed),
    )
    return _seen(_cored(found, tank, cores, now), rounds)


def _values(setup: TankSetup, heading: Heading, at: datetime) -> dict[SignalKind, float]:
    """The fresh values by kind: the tank's own, or else the plant's."""
    return fresh_values(setup, heading, at, own=False) | fresh_values(setup, heading, at, own=True)


def arm_still(angles: Sequence[float]) -> bool | None:
    """Whether the arm stands still; None with too few readings to tell.

    >>> arm_still([10.0, 10.2, 10.1, 10.0]), arm_still([350.0, 355.0, 0.0, 5.0]), arm_still([3.0])
    (True, False, None)
    """
    if len(angles) < 4:
        return None
    return all(abs((angle - angles[0] + 180.0) % 360.0 - 180.0) < _STILL for angle in angles)


def _cored(e: Evidence, tank: Tank, cores: Sequence[Core], now: datetime) -> Evidence:
    """The evidence with what the last core and the last round say."""
    e = replace(e, surface=next((c.surface for c in reversed(cores) if c.surface), ()))
    if cores:
        core = cores[-1]
        age = (now - core.taken_at) / timedelta(hours=1)
        off = None
        if e.height is not None:
            height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
            off = e.height - height - (e.rate or 0.0) * min(age, 4.0)
        e = replace(e, core_age=age, core_off=off)
    both = next((c for c in reversed(cores) if c.fluff is not None and now - c.taken_at <= FLUFF_HOLDS), None)
    if both is not None and both.fluff is not None:
        e = replace(e, fluff=max(both.fluff - both.thickness, 0.0))
    return e


def _seen(e: Evidence, rounds: Sequence[Round]) -> Evidence:
    """The evidence with what the last round saw, beside what the last core's words say."""
    last = next((r.surface for r in reversed(rounds) if r.surface), ())
    return replace(e, surface=tuple(dict.fromkeys((*e.surface, *last))))


def _drawn(own: Known, load: TankLoad, past: Past, now: datetime) -> tuple[Conditions, TankLoad]:
    """The streams, with what is pumped in cycles as its mean."""
    streams = conditions(own.setup, own.heading, now)
    mean = past.drawn_means[0]
    if own.setup.tank.kind is TankKind.SECONDARY or mean is None:
        return streams, load
    thick = streams.return_solids
    stay = None
    if load.held is not None and thick and mean > 0.0:
        stay = load.held / (3600.0 * mean * thick)
    return replace(streams, return_flow=mean), replace(load, sludge_detention=stay)


def _sisters(own: Known, sisters: Sequence[Known], now: datetime) -> tuple[Sister, ...]:
    """The sister tanks by their own meters; what is shared out by surface would say that all are alike."""
    metered_flow, metered_back = (
        _own(own, kind, now) is not None for kind in (SignalKind.FLOW, SignalKind.RETURN_FLOW)
    )
    found = []
    for sister in sisters:
        tank, memory = sister.setup.tank, sister.heading.memory
        flow = _own(sister, SignalKind.FLOW, now) if metered_flow else None
        back = _own(sister, SignalKind.RETURN_FLOW, now) if metered_back else None
        height = sister.believed.height if sister.believed is not None else memory.height
        at = sister.believed.time.timestamp() if sister.believed is not None else memory.time
        fresh = at is not None and now.timestamp() - at <= SISTER_HOLDS.total_seconds()
        found.append(
            Sister(
                label=tank.label,
                overflow_rate=None if flow is None else 3600.0 * flow / tank.area,
                underflow_rate=None if back is None else 3600.0 * back / tank.area,
                return_flow=back,
                height=height if fresh else None,
            )
        )
    return _rest_of_plant(own, sisters, found, now)


def _rest_of_plant(own: Known, sisters: Sequence[Known], found: list[Sister], now: datetime) -> tuple[Sister, ...]:
    """Where no sister has a meter, they have what the plant has and this tank has not."""
    area = sum(s.setup.tank.area for s in sisters)
    seen = conditions(own.setup, own.heading, now)
    flow, back = _own(own, SignalKind.FLOW, now), _own(own, SignalKind.RETURN_FLOW, now)
    if flow is not None and seen.plant_flow is not None and all(s.overflow_rate is None for s in found) and area:
        rate = 3600.0 * max(seen.plant_flow - flow, 0.0) / area
        found = [replace(s, overflow_rate=rate) for s in found]
    if back is not None and seen.plant_return is not None and all(s.underflow_rate is None for s in found) and area:
        rest = max(seen.plant_return - back, 0.0)
        found = [
            replace(s, underflow_rate=3600.0 * rest / area, return_flow=rest * k.setup.tank.area / area)
            for s, k in zip(found, sisters, strict=True)
        ]
    return tuple(found)


def _own(known: Known, kind: SignalKind, now: datetime) -> float | None:
    """A flow by the tank's own meters. [m³/s]"""
    return fresh_values(known.setup, known.heading, now, own=True).get(kind)


def _usual_flow(own: Known, past: Past) -> float | None:
    """Flow usual at this hour: as learned, or as a day ago, whichever is less; else as some hours ago.

    What is learned follows a storm while it lasts, and yesterday may have had one.
    """
    memory = own.heading.memory
    known = [conditions(own.setup, replace(own.heading, latest=dict(s)), at).flow for at, s in past.latest]
    usual = _known(known[1:])
    if memory.time is not None and memory.flow_habit.quarters > 4.0 * _HABIT:
        usual += _known([memory.flow_habit.usual(memory.time)])
    return min(usual, default=known[0] if known else None)


def _usual_drawn(own: Known, past: Past) -> float | None:
    """Return flow before: the most of what was drawn some hours and a day ago, and what is usual."""
    if own.setup.tank.kind is not TankKind.SECONDARY:
        return past.drawn_means[1]
    memory = own.heading.memory
    known = _known(conditions(own.setup, replace(own.heading, latest=dict(s)), at).return_flow for at, s in past.latest)
    if memory.time is not None and memory.return_habit.quarters > _HABIT:
        known += _known([memory.return_habit.usual(memory.time)])
    return max(known, default=None)


def _rivals(believed: Estimate) -> float:
    """Chance of all but the likeliest story of what the sensors see. [–]"""
    if believed.reason is EstimateReason.READS_HIGH_UNCONFIRMED:
        return 0.5
    if believed.stories:
        return 1.0 - max(part.chance for part in believed.stories)
    return 0.0 if believed.trust is Trust.GOOD else 0.15


def _limit(setup: TankSetup, kind: SignalKind) -> float | None:
    found = [s.limit for s in setup.others if s.kind is kind and s.limit is not None]
    return min(found) if found else None


def _known(values: Iterable[float | None]) -> list[float]:
    return [value for value in values if value is not None]
