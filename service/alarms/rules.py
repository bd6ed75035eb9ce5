"""Alarm rules: the condition of one alarm from what is known of a tank at a time, always with a named reason.

Fail towards telling. What is not known never clears an alarm; a doubtful sensor raises an alarm of its own instead of
silencing another; what a person saw beyond a limit stands until a second observation takes it back.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum

from service.alarms.definition import AlarmDefinition, AlarmKind, SystemWatch
from service.alarms.observations import CoreSeen, EffluentSeen, FluffSeen
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import SignalKind


class Condition(StrEnum):
    """What a rule says of the watched thing now."""

    ABNORMAL = "abnormal"
    NORMAL = "normal"
    #: Back inside the limit but not yet past the deadband: an active alarm stays, a waiting one stops waiting.
    DEADBAND = "deadband"
    #: Nothing known: everything stays as it was, and running delays keep running towards telling.
    UNKNOWN = "unknown"


class RuleReason(StrEnum):
    """Why a rule says what it says."""

    BEYOND_LIMIT = "beyond limit"
    WITHIN_LIMIT = "within limit"
    MAY_BE_BEYOND = "may be beyond limit"
    IN_DEADBAND = "in deadband"
    CORE_BEYOND_LIMIT = "hand core beyond limit"
    FLUFF_BEYOND_LIMIT = "fluff beyond limit"
    SEEN_AT_THE_WEIR = "sludge seen at the weir"
    EFFLUENT_BEYOND_LIMIT = "effluent beyond its limit"
    EFFLUENT_NOT_MEASURED = "effluent not measured"
    BLIND = "blind"
    NOT_MEASURED = "believed within limit, but not measured"
    NO_ESTIMATE = "no estimate yet"
    NO_SAMPLE = "no sample yet"
    STALE = "stale"
    FLAT = "flat"
    ECHO_LOST = "echo lost"
    SENSOR_FAULT = "sensor fault"
    SENSOR_DOUBTFUL = "sensor doubtful"
    SENSOR_GOOD = "sensor good"
    ARM_PASSING = "arm passing"
    READS_HIGH = "reads high, not confirmed"
    NOT_IN_SERVICE = "not in service"
    CORE_RECENT = "core recent"
    CORE_OVERDUE = "core overdue"
    NO_CORE = "no core yet"
    NO_PAIR = "no core with a sensor value beside it"
    NO_FORECAST = "no forecast"
    NOT_RISING = "not rising"
    NO_LIMIT = "no limit set"
    CONNECTOR_WELL = "connector well"
    CONNECTOR_DOWN = "connector down"
    CONNECTOR_NEVER_GOOD = "connector never delivered"
    SAMPLES_LOST = "samples lost"
    SAMPLES_REFUSED = "samples refused"
    DELIVERING = "messages are delivered"
    DELIVERY_LATE = "messages wait too long"
    DELIVERY_REFUSED = "messages refused for good"
    CLOCK_AGREES = "clocks agree"
    CLOCK_DIFFERS = "clocks differ"
    TANKS_SILENT = "several of its tanks fell silent at once"
    TANKS_FILLING = "several tanks fill at once"
    TANKS_STILL_FILLING = "several tanks are still full"
    FEW_TANKS_FILLING = "no more than two tanks fill"
    ALARMS_CHATTER = "alarms come and go"
    ALARMS_STALE = "alarms stand for very long"
    ALARMS_IN_ORDER = "alarms come and end as they should"
    CORE_NOT_DUE_YET = "no core yet, the first is not due"
    DUTY_FILLED = "somebody is on duty all along"
    DUTY_GAP = "nobody on duty ahead"
    NOTHING_WATCHED = "nothing to watch"


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSeen:
    """What is known of one blanket sensor. Heights in the tank's frame [m]; None where there is no number."""

    tag: str
    stale_after: timedelta
    last_sample_at: datetime | None = None
    height: float | None = None
    corrected: float | None = None
    verdict: ReadingReason = ReadingReason.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectorSeen:
    """Health of one connector."""

    key: str
    last_good_at: datetime | None = None
    started_at: datetime | None = None
    last_error: str = ""
    lost: int = 0  #: samples that could not be kept, ever
    lost_at: datetime | None = None
    refused: int = 0  #: records that cannot be stored and lie aside
    refused_at: datetime | None = None  #: when the newest of them was set aside
    silent: tuple[str, ...] = ()  #: names of the tanks it feeds whose readings have stopped


@dataclass(frozen=True, slots=True, kw_only=True)
class FillingSeen:
    """Tanks whose alarms say that they fill: name, and since when; the gravest first."""

    tanks: tuple[tuple[str, datetime], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class UnrulySeen:
    """Alarms that behave as alarms should not, by key."""

    chattering: tuple[str, ...] = ()  #: lately
    standing: tuple[tuple[str, datetime], ...] = ()  #: active ones, and since when


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliverySeen:
    """Health of the way out."""

    waiting_since: datetime | None = None  #: the oldest message that was tried and is still not handed over
    refused_at: datetime | None = None  #: the newest message given up


@dataclass(frozen=True, slots=True, kw_only=True)
class DutySeen:
    """The rotas, looked at ahead."""

    gap_at: datetime | None = None  #: when the first time without anybody on duty begins
    rota: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PermitSeen:
    """The average of the permit that stands nearest to its limit, or furthest beyond it."""

    share: float  #: value over limit [–]
    words: str  #: which average, its value and its limit
    broken: str = ""  #: a limit that ended days broke, whatever the days left bring


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleInput:
    """Everything the rules may look at, for one tank (or for the service itself) at one time."""

    at: datetime
    side_water_depth: float | None = None  #: [m]
    estimate: Estimate | None = None
    sensors: tuple[SensorSeen, ...] = ()
    core: CoreSeen | None = None  #: the newest
    surface: CoreSeen | None = None  #: the newest that says anything of the surface
    fluff: tuple[FluffSeen, ...] = ()
    effluent: tuple[EffluentSeen, ...] = ()
    time_to_danger: float | None = None  #: forecast; infinite when it never comes [h]
    solids_loading: float | None = None  #: [kg/(m²·h)]
    in_service: bool = True
    known_since: datetime | None = None  #: when the service first knew the tank
    connectors: tuple[ConnectorSeen, ...] = ()
    delivery: DeliverySeen | None = None
    clock_ahead: timedelta | None = None  #: newest source time minus our own time
    duty: DutySeen | None = None
    filling: FillingSeen | None = None
    permit: PermitSeen | None = None
    unruly: UnrulySeen | None = None

    @property
    def clearance(self) -> float | None:
        """Believed clear water under the weir. [m]"""
        if self.estimate is None or self.side_water_depth is None or not math.isfinite(self.estimate.height):
            return None
        return self.side_water_depth - self.estimate.height


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleResult:
    """A rule's answer. ``value`` is in the unit of the definition's limit."""

    condition: Condition
    reason: RuleReason
    value: float | None = None
    detail: str = ""

    @property
    def abnormal(self) -> bool | None:
        """True or False where the rule knows; None where the alarm stays as it is."""
        return {Condition.ABNORMAL: True, Condition.NORMAL: False}.get(self.condition)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """What a person saw beyond a limit and nothing has taken back. ``clearance`` of the highest sludge seen [m]."""

    reason: RuleReason
    core: CoreSeen
    clearance: float


def standing(situation: RuleInput, limit: float) -> Observation | None:
    """The person's word that stands beyond a limit; None where there is none.

    Parameters
    ----------
    limit : clearance. [m]

    Notes
    -----
    Words for the surface stand until a round says something else of the surface. A core stands until another core, or two
    instruments, which cannot see fluff, contradict it.
    """
    depth, surface, core = situation.side_water_depth, situation.surface, situation.core
    if depth is None:
        return None
    if surface is not None and surface.over_the_weir:
        reason = RuleReason.SEEN_AT_THE_WEIR
        return Observation(reason=reason, core=surface, clearance=min(depth - surface.top, 0.0))
    if core is None or depth - core.top >= limit:
        return None
    settled = depth - core.height < limit
    if settled and core.contradicted is None:
        return Observation(reason=RuleReason.CORE_BEYOND_LIMIT, core=core, clearance=depth - core.top)
    if core.top > core.height:
        return Observation(reason=RuleReason.FLUFF_BEYOND_LIMIT, core=core, clearance=depth - core.top)
    return None


#: A rival story beyond the limit calls from this chance on, and holds what was called until it has less than the other [–]: one called
#: late costs the effluent, about twice what one called in vain costs, the sleep that makes people answer. Judgement, no source.
CALLS_AT, CLEARS_AT = 0.35, 0.05
#: What may not be called over while the effluent says that solids get out.
_HELD_BY_EFFLUENT = frozenset(
    {AlarmKind.HIGH, AlarmKind.HIGH_HIGH, AlarmKind.RATE, AlarmKind.TIME_TO_DANGER, AlarmKind.READS_HIGH}
)


def judge(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    """What the situation means for one alarm."""
    verdict = _RULES[definition.kind](definition, situation)
    if verdict.condition is Condition.NORMAL and definition.kind in _HELD_BY_EFFLUENT and situation.in_service:
        beyond = next((seen for seen in situation.effluent if seen.beyond), None)
        if beyond is not None:
            reason = RuleReason.EFFLUENT_BEYOND_LIMIT
            return RuleResult(condition=Condition.DEADBAND, reason=reason, value=verdict.value, detail=beyond.tag)
    return verdict


def _clearance(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    limit, depth = definition.limit, situation.side_water_depth
    if limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if depth is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_ESTIMATE)
    estimate, clearance = situation.estimate, situation.clearance
    believed = None if estimate is None or estimate.trust is Trust.BLIND else clearance
    seen = standing(situation, limit)
    if seen is not None:
        value = seen.clearance if believed is None else min(seen.clearance, believed)
        words = ", ".join(seen.core.over_the_weir) if seen.reason is RuleReason.SEEN_AT_THE_WEIR else ""
        return RuleResult(condition=Condition.ABNORMAL, reason=seen.reason, value=value, detail=words)
    fluff = max(situation.fluff, key=lambda found: found.height, default=None)
    above = math.inf if fluff is None else depth - fluff.height
    if fluff is not None and above < limit:
        reason = RuleReason.FLUFF_BEYOND_LIMIT
        return RuleResult(condition=Condition.ABNORMAL, reason=reason, value=above, detail=fluff.tag)
    if clearance is None or estimate is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_ESTIMATE)
    core = situation.core
    verdict = (
        RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.BLIND, value=clearance)
        if believed is None
        else _measured(_below(believed, limit, definition.deadband), estimate, core)
    )
    rival = _rival(estimate, depth - limit)
    if rival is not None and verdict.condition is not Condition.ABNORMAL:
        # Where nobody knows, too, it is called once it is as likely as that to stand beyond the limit.
        chance, nearest = rival[0], depth - rival[1]
        reason = RuleReason.MAY_BE_BEYOND
        if chance >= CALLS_AT:
            return RuleResult(condition=Condition.ABNORMAL, reason=reason, value=nearest)
        if chance > CLEARS_AT and verdict.condition is Condition.NORMAL:
            return RuleResult(condition=Condition.DEADBAND, reason=reason, value=nearest)
    if verdict.condition is Condition.NORMAL:
        # What clears has to be past the deadband by everybody's word.
        nearest = above if core is None or core.contradicted is not None else min(above, depth - core.top)
        if _below(nearest, limit, definition.deadband).condition is Condition.DEADBAND:
            return RuleResult(condition=Condition.DEADBAND, reason=RuleReason.IN_DEADBAND, value=nearest)
    return verdict


def _rival(estimate: Estimate, height: float) -> tuple[float, float] | None:
    """Chance that the blanket stands above a height, and where it then most likely stands [–, m]; None where no story says so."""
    beyond = [part for part in estimate.stories if part.mean > height]
    return (estimate.above(height), max(beyond).mean) if beyond else None


def _effluent(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    kind = SignalKind.TURBIDITY if definition.kind is AlarmKind.TURBIDITY else SignalKind.EFFLUENT_SOLIDS
    seen = [found for found in situation.effluent if found.kind is kind and found.fresh]
    if not situation.in_service:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.NOT_IN_SERVICE)
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if not seen:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.EFFLUENT_NOT_MEASURED)
    # Several meters may have limits of their own: the one furthest beyond decides.
    worst = max(seen, key=lambda found: found.value / found.limit)
    verdict = _above(worst.value, worst.limit, definition.deadband)
    return RuleResult(condition=verdict.condition, reason=verdict.reason, value=worst.value, detail=worst.tag)


def _permit(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if situation.permit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.EFFLUENT_NOT_MEASURED)
    verdict = _above(situation.permit.share, definition.limit, definition.deadband)
    if definition.kind is AlarmKind.PERMIT_NEAR and situation.permit.share > 1.0:
        # What is over calls by itself: near is not called beside it, and not called over either.
        verdict = replace(verdict, condition=Condition.DEADBAND)
    if definition.kind is AlarmKind.PERMIT_OVER and verdict.condition is Condition.NORMAL and situation.permit.broken:
        # A day, week or month that ended so, or cannot end otherwise, is not mended by the next.
        return replace(verdict, condition=Condition.DEADBAND, detail=situation.permit.broken)
    return replace(verdict, detail=situation.permit.words)


def _rate(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    estimate = situation.estimate
    if estimate is None or not math.isfinite(estimate.rate):
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_ESTIMATE)
    if estimate.trust is Trust.BLIND:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.BLIND, value=estimate.rate)
    return _measured(_above(estimate.rate, definition.limit, definition.deadband), estimate)


def _time_to_danger(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if situation.time_to_danger is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_FORECAST)
    if math.isinf(situation.time_to_danger):
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.NOT_RISING)
    return _below(situation.time_to_danger, definition.limit, definition.deadband)


def _solids_loading(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if situation.solids_loading is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_ESTIMATE)
    return _above(situation.solids_loading, definition.limit, definition.deadband)


def _deviation(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    core = situation.core
    if core is None or core.sensor_height is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_PAIR)
    difference = core.sensor_height - core.height
    verdict = _above(abs(difference), definition.limit, definition.deadband)
    return RuleResult(condition=verdict.condition, reason=verdict.reason, value=difference)


def _core_overdue(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if definition.limit is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NO_LIMIT)
    if not situation.in_service:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.NOT_IN_SERVICE)
    if situation.core is None:
        if situation.known_since is not None:
            # Nobody can have cored a tank before it was known: the first core has as long as every later one.
            age = (situation.at - situation.known_since) / timedelta(hours=1)
            if age <= definition.limit:
                return RuleResult(condition=Condition.NORMAL, reason=RuleReason.CORE_NOT_DUE_YET)
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.NO_CORE)
    age = (situation.at - situation.core.taken_at) / timedelta(hours=1)
    if age > definition.limit:
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.CORE_OVERDUE, value=age)
    return RuleResult(condition=Condition.NORMAL, reason=RuleReason.CORE_RECENT, value=age)


def _reads_high(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    height = None
    unconfirmed = situation.estimate is not None and situation.estimate.reason is EstimateReason.READS_HIGH_UNCONFIRMED
    for sensor in situation.sensors:
        if sensor.verdict is ReadingReason.READS_HIGH_UNCONFIRMED:
            unconfirmed = True
            height = sensor.corrected if sensor.corrected is not None else sensor.height
    if unconfirmed:
        depth = situation.side_water_depth
        value = None if height is None or depth is None else depth - height
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.READS_HIGH, value=value)
    states = {_sensor_verdict(sensor, situation.at)[0] for sensor in situation.sensors}
    if Condition.NORMAL in states or not situation.sensors:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.SENSOR_GOOD)
    # A sensor that fell silent has not taken back what it said.
    return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.SENSOR_DOUBTFUL)


def _bad_measurement(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if not situation.in_service:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.NOT_IN_SERVICE)
    found = [(sensor, *_sensor_verdict(sensor, situation.at)) for sensor in situation.sensors]
    for sensor, condition, reason in found:
        if condition is Condition.ABNORMAL:
            return RuleResult(condition=condition, reason=reason, detail=sensor.tag)
    if situation.estimate is not None and situation.estimate.trust is Trust.BLIND:
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.BLIND)
    for sensor, condition, reason in found:
        if condition is Condition.UNKNOWN:
            return RuleResult(condition=condition, reason=reason, detail=sensor.tag)
    return RuleResult(condition=Condition.NORMAL, reason=RuleReason.SENSOR_GOOD)


#: Verdicts that say nothing about the sensor's health: they neither raise nor clear.
_PASSING = frozenset({ReadingReason.ARM_PASS, ReadingReason.SPIKE})
#: Verdicts of a healthy sensor. What reads high is told by an alarm of its own.
_HEALTHY = frozenset({ReadingReason.NONE, ReadingReason.READS_HIGH_UNCONFIRMED, ReadingReason.SOURCE_UNCERTAIN})
_NAMED = {
    ReadingReason.STALE: RuleReason.STALE,
    ReadingReason.FLAT: RuleReason.FLAT,
    ReadingReason.ECHO_LOST: RuleReason.ECHO_LOST,
    ReadingReason.SURFACE_ECHO: RuleReason.ECHO_LOST,
    ReadingReason.FLUFF_LOCK: RuleReason.SENSOR_DOUBTFUL,
    ReadingReason.NOISY: RuleReason.SENSOR_DOUBTFUL,
    ReadingReason.IMPLAUSIBLE_JUMP: RuleReason.SENSOR_DOUBTFUL,
    ReadingReason.MANUAL_HOLD: RuleReason.SENSOR_DOUBTFUL,
}


def _sensor_verdict(sensor: SensorSeen, at: datetime) -> tuple[Condition, RuleReason]:
    if sensor.verdict is ReadingReason.OUT_OF_SERVICE:
        return Condition.NORMAL, RuleReason.NOT_IN_SERVICE
    if sensor.last_sample_at is None:
        return Condition.ABNORMAL, RuleReason.NO_SAMPLE
    if at - sensor.last_sample_at > sensor.stale_after:
        return Condition.ABNORMAL, RuleReason.STALE
    if sensor.verdict in _PASSING:
        return Condition.UNKNOWN, RuleReason.ARM_PASSING
    if sensor.verdict in _HEALTHY:
        return Condition.NORMAL, RuleReason.SENSOR_GOOD
    return Condition.ABNORMAL, _NAMED.get(sensor.verdict, RuleReason.SENSOR_FAULT)


def _system(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    match definition.watch:
        case SystemWatch.CONNECTOR:
            return _connector(definition, situation)
        case SystemWatch.DELIVERY:
            return _delivery(definition, situation)
        case SystemWatch.CLOCK:
            return _clock(definition, situation)
        case SystemWatch.DUTY:
            return _duty(definition, situation)
        case SystemWatch.FILLING:
            return _filling(definition, situation)
        case SystemWatch.CHATTERING:
            return _chattering(situation)
        case SystemWatch.STALE:
            return _stale(definition, situation)
    return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)


#: A loss is over when it is found out; the alarm stands for so long that somebody sees it.
LOSS_TOLD_FOR = timedelta(hours=1)
#: From this many tanks on, the same trouble at once has one cause. Common practice, no source.
MANY_TANKS = 3


def _allowed(definition: AlarmDefinition) -> timedelta:
    """How long what a system alarm watches may last; without a limit no time at all."""
    return timedelta(hours=definition.limit or 0.0)


def _connector(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    for connector in situation.connectors:
        if connector.key != definition.connector:
            continue
        good = connector.last_good_at
        since = good or connector.started_at
        named = ", ".join(connector.silent)
        if since is None or situation.at - since <= _allowed(definition):
            if len(connector.silent) >= MANY_TANKS:
                silent = float(len(connector.silent))
                return RuleResult(
                    condition=Condition.ABNORMAL, reason=RuleReason.TANKS_SILENT, value=silent, detail=named
                )
            if connector.lost_at is not None and situation.at - connector.lost_at <= LOSS_TOLD_FOR:
                return RuleResult(
                    condition=Condition.ABNORMAL,
                    reason=RuleReason.SAMPLES_LOST,
                    value=float(connector.lost),
                    detail=f"{connector.lost} samples lost so far",
                )
            if connector.refused_at is not None and situation.at - connector.refused_at <= LOSS_TOLD_FOR:
                return RuleResult(
                    condition=Condition.ABNORMAL,
                    reason=RuleReason.SAMPLES_REFUSED,
                    value=float(connector.refused),
                    detail=f"{connector.refused} records set aside",
                )
            return RuleResult(condition=Condition.NORMAL, reason=RuleReason.CONNECTOR_WELL)
        return RuleResult(
            condition=Condition.ABNORMAL,
            reason=RuleReason.CONNECTOR_DOWN if good else RuleReason.CONNECTOR_NEVER_GOOD,
            value=(situation.at - since) / timedelta(hours=1),
            detail=named,
        )
    return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)


def _delivery(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    delivery = situation.delivery
    if delivery is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    if delivery.refused_at is not None and situation.at - delivery.refused_at <= timedelta(hours=1):
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.DELIVERY_REFUSED)
    if delivery.waiting_since is not None:
        waited = situation.at - delivery.waiting_since
        if waited > _allowed(definition):
            hours = waited / timedelta(hours=1)
            return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.DELIVERY_LATE, value=hours)
    return RuleResult(condition=Condition.NORMAL, reason=RuleReason.DELIVERING)


def _clock(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if situation.clock_ahead is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    ahead = situation.clock_ahead / timedelta(hours=1)
    # Source times behind ours are ordinary delay; only a source ahead of us proves that two clocks differ.
    if situation.clock_ahead > _allowed(definition):
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.CLOCK_DIFFERS, value=ahead)
    return RuleResult(condition=Condition.NORMAL, reason=RuleReason.CLOCK_AGREES, value=ahead)


def _duty(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if situation.duty is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    gap = situation.duty.gap_at
    if gap is None or gap - situation.at > _allowed(definition):
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.DUTY_FILLED)
    ahead = max((gap - situation.at) / timedelta(hours=1), 0.0)
    return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.DUTY_GAP, value=ahead, detail=situation.duty.rota)


def _filling(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if situation.filling is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    tanks = situation.filling.tanks
    lately = [tank for tank, since in tanks if situation.at - since <= _allowed(definition)]
    value, detail = float(len(tanks)), ", ".join(tank for tank, _ in tanks)
    if len(lately) >= MANY_TANKS:
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.TANKS_FILLING, value=value, detail=detail)
    if len(tanks) >= MANY_TANKS:
        # Tanks that have long been high together are no new cause, but they keep one that was told.
        reason = RuleReason.TANKS_STILL_FILLING
        return RuleResult(condition=Condition.DEADBAND, reason=reason, value=value, detail=detail)
    return RuleResult(condition=Condition.NORMAL, reason=RuleReason.FEW_TANKS_FILLING, value=value)


def _chattering(situation: RuleInput) -> RuleResult:
    if situation.unruly is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    return _unruly(situation.unruly.chattering, RuleReason.ALARMS_CHATTER)


def _stale(definition: AlarmDefinition, situation: RuleInput) -> RuleResult:
    if situation.unruly is None:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOTHING_WATCHED)
    old = tuple(key for key, since in situation.unruly.standing if situation.at - since > _allowed(definition))
    return _unruly(old, RuleReason.ALARMS_STALE)


def _unruly(keys: tuple[str, ...], reason: RuleReason) -> RuleResult:
    if not keys:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.ALARMS_IN_ORDER)
    return RuleResult(condition=Condition.ABNORMAL, reason=reason, value=float(len(keys)), detail=", ".join(keys))


def _below(value: float, limit: float, deadband: float) -> RuleResult:
    """Abnormal below *limit*; normal again from limit + deadband on."""
    if value < limit:
        return RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.BEYOND_LIMIT, value=value)
    # Tolerates the last bits of a sum like 2.9 + 0.1, so that "exactly at the deadband's edge" clears as written.
    if value >= limit + deadband - 1e-9:
        return RuleResult(condition=Condition.NORMAL, reason=RuleReason.WITHIN_LIMIT, value=value)
    return RuleResult(condition=Condition.DEADBAND, reason=RuleReason.IN_DEADBAND, value=value)


def _above(value: float, limit: float, deadband: float) -> RuleResult:
    """Abnormal above *limit*; normal again from limit - deadband down."""
    mirrored = _below(-value, -limit, deadband)
    return RuleResult(condition=mirrored.condition, reason=mirrored.reason, value=value)


def _measured(verdict: RuleResult, estimate: Estimate, core: CoreSeen | None = None) -> RuleResult:
    """A number nobody measured may raise an alarm, but never clear one.

    A core that was the last to be heard was measured, as long as what is believed since is not blind: without that no
    second core could take a wrong one back where the sensor is silent, stuck or not there.
    """
    measured = estimate.reason in (EstimateReason.SENSOR, EstimateReason.CORE) or (
        estimate.reason is EstimateReason.COASTING and core is not None and core.last_heard
    )
    if verdict.condition is Condition.NORMAL and not measured:
        return RuleResult(condition=Condition.UNKNOWN, reason=RuleReason.NOT_MEASURED, value=verdict.value)
    return verdict


_RULES: dict[AlarmKind, Callable[[AlarmDefinition, RuleInput], RuleResult]] = {
    AlarmKind.HIGH: _clearance,
    AlarmKind.HIGH_HIGH: _clearance,
    AlarmKind.RATE: _rate,
    AlarmKind.TIME_TO_DANGER: _time_to_danger,
    AlarmKind.DEVIATION: _deviation,
    AlarmKind.BAD_MEASUREMENT: _bad_measurement,
    AlarmKind.SOLIDS_LOADING: _solids_loading,
    AlarmKind.EFFLUENT_SOLIDS: _effluent,
    AlarmKind.TURBIDITY: _effluent,
    AlarmKind.PERMIT_NEAR: _permit,
    AlarmKind.PERMIT_OVER: _permit,
    AlarmKind.CORE_OVERDUE: _core_overdue,
    AlarmKind.READS_HIGH: _reads_high,
    AlarmKind.SYSTEM: _system,
}
