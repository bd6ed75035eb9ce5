"""Daily or monthly report as values: blanket, cores, sensors, loading and alarms of each tank, data availability. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.figures import Happened, Occurrence, occurrences_of
from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.pairing import Pair
from service.domain.cores.core import Calibration, Core
from service.domain.loading.balance import Conditions
from service.domain.loading.tank_load import TankLoad, tank_load
from service.domain.plant.period import Period
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import TankKind
from service.reports.alarm_names import about, name_of
from service.reports.effluent_report import EffluentReport
from service.reports.laboratory_section import LaboratoryPeriod

_HOUR = timedelta(hours=1)
#: Cores more probably wrong than this are left out.
_WRONG = 0.5
#: Loading is given where its signals were valid for at least this share of the period.
ENOUGH = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanket:
    """The blanket estimate over the period. Heights [m]."""

    known: timedelta
    lowest: float
    lowest_at: datetime
    mean: float
    highest: float
    highest_at: datetime
    in_high: timedelta | None
    in_high_high: timedelta | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorAgainstCores:
    """One sensor minus the sound cores of the period, before drift correction. [m]"""

    tag: str
    cores: int
    mean: float
    greatest: float  #: of the largest size, with its sign


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalAvailability:
    """How much of the period a signal gave usable values."""

    tag: str
    share: float
    readings: int
    bad: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalSummary:
    """What a signal said over the period, in SI."""

    known: timedelta
    readings: int
    bad: int
    mean: float | None
    highest: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankReport:
    """One tank. ``due`` is how many rounds of cores the site asks for in such a period; None where it does not say."""

    key: str
    label: str
    side_water_depth: float
    blanket: Blanket | None
    watched: float  #: share of the period with an estimate
    rounds: int
    cores: int
    due: int | None
    sensors: tuple[SensorAgainstCores, ...]
    load: TankLoad | None  #: from the means of the period
    peak_overflow: float | None  #: [m/h]
    signals: tuple[SignalAvailability, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLine:
    """One occurrence of the period."""

    key: str
    word: str
    about: str
    occurred_at: datetime
    acknowledged_by: str
    time_to_acknowledge: timedelta | None
    returned_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodReport:
    """The whole report. ``end`` is the period's, or now where it is still running; ``signals`` belong to no single tank.

    ``effluent`` is None at a plant without a permit and without a meter of it.
    """

    period: Period
    end: datetime
    running: bool
    tanks: tuple[TankReport, ...]
    signals: tuple[SignalAvailability, ...]
    alarms: tuple[AlarmLine, ...]
    works: tuple[Calibration, ...]
    laboratory: LaboratoryPeriod = field(default_factory=LaboratoryPeriod)
    effluent: EffluentReport | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankFacts:
    """Everything stored of one tank that the report is made of."""

    setup: TankSetup
    blanket: Blanket | None
    cores: Sequence[Core] = ()
    pairs: Sequence[Pair] = ()
    signals: Mapping[str, SignalSummary]


@dataclass(frozen=True, slots=True, kw_only=True)
class PeriodFacts:
    """Everything stored that the report is made of."""

    period: Period
    now: datetime
    tanks: Sequence[TankFacts]
    definitions: Mapping[str, AlarmDefinition]
    alarm_words: Mapping[str, str]
    happened: Sequence[Happened] = ()
    works: Sequence[Calibration] = ()
    laboratory: LaboratoryPeriod = field(default_factory=LaboratoryPeriod)
    effluent: EffluentReport | None = None


def period_report(facts: PeriodFacts) -> PeriodReport:
    """Compile the report."""
    period = facts.period
    end = min(period.end, facts.now)
    length = end - period.start
    # Signals of the whole plant are read with every tank: listed once.
    shared = {
        signal.tag: found
        for one in facts.tanks
        for signal in one.setup.others
        if signal.tank is None and (found := _availability(one, signal, length)) is not None
    }
    labels = {one.setup.tank.key: one.setup.tank.label for one in facts.tanks}
    priorities = {key: definition.priority for key, definition in facts.definitions.items()}
    occurrences = occurrences_of((line for line in facts.happened if line.at < end), priorities)
    return PeriodReport(
        period=period,
        end=end,
        running=facts.now < period.end,
        tanks=tuple(_tank(one, facts, length) for one in facts.tanks),
        signals=tuple(shared.values()),
        alarms=tuple(_alarm(one, facts, labels) for one in occurrences if one.occurred_at >= period.start),
        works=tuple(facts.works),
        laboratory=facts.laboratory,
        effluent=facts.effluent,
    )


#: A round a day is watched with hours of grace (26 h, say), and a day may have 23 hours: one is due all the same. [–]
GRACE = 0.12


def _tank(one: TankFacts, facts: PeriodFacts, length: timedelta) -> TankReport:
    tank = one.setup.tank
    blanket = one.blanket
    interval = next(
        (d.limit for d in facts.definitions.values() if d.tank == tank.key and d.kind is AlarmKind.CORE_OVERDUE), None
    )
    every = [*one.setup.blankets, *(s for s in one.setup.others if s.tank == tank.key)]
    return TankReport(
        key=tank.key,
        label=tank.label,
        side_water_depth=tank.side_water_depth,
        blanket=blanket,
        watched=0.0 if blanket is None else _share(blanket.known, length),
        rounds=sum(core.replicate == 1 for core in one.cores),
        cores=len(one.cores),
        due=None if not interval else int(length / (interval * _HOUR) + GRACE),
        sensors=tuple(found for s in one.setup.blankets if (found := _against(s.tag, one.pairs)) is not None),
        load=_load(one, length),
        peak_overflow=_peak(one, length),
        signals=tuple(share for s in every if (share := _availability(one, s, length)) is not None),
    )


def _availability(one: TankFacts, signal: Signal, length: timedelta) -> SignalAvailability | None:
    said = one.signals.get(signal.tag)
    if said is None:
        return None
    return SignalAvailability(tag=signal.tag, share=_share(said.known, length), readings=said.readings, bad=said.bad)


def _against(tag: str, pairs: Iterable[Pair]) -> SensorAgainstCores | None:
    found = [pair.difference for pair in pairs if pair.tag == tag and max(pair.wrong, pair.hindsight_wrong) < _WRONG]
    if not found:
        return None
    return SensorAgainstCores(
        tag=tag, cores=len(found), mean=sum(found) / len(found), greatest=max(found, key=lambda value: abs(value))
    )


def _load(one: TankFacts, length: timedelta) -> TankLoad | None:
    """Loading from the means; None where not even the flow is known."""
    flow = _stream(one, SignalKind.FLOW, length)
    if flow is None:
        return None
    drawn = _stream(one, SignalKind.RETURN_FLOW, length)
    if drawn is None and one.setup.tank.kind is not TankKind.SECONDARY:
        drawn = _stream(one, SignalKind.WASTE_FLOW, length)
    conditions = Conditions(
        flow=flow,
        return_flow=drawn,
        feed_solids=_stream(one, SignalKind.FEED_SOLIDS, length),
        return_solids=_stream(one, SignalKind.RETURN_SOLIDS, length),
    )
    return tank_load(one.setup.tank, conditions, None if one.blanket is None else one.blanket.mean)


def _peak(one: TankFacts, length: timedelta) -> float | None:
    """Overflow rate at the greatest flow. [m/h]"""
    flow = _stream(one, SignalKind.FLOW, length, peak=True)
    return None if flow is None else tank_load(one.setup.tank, Conditions(flow=flow)).overflow_rate


def _stream(one: TankFacts, kind: SignalKind, length: timedelta, *, peak: bool = False) -> float | None:
    """The tank's own signals of a kind, else its share of the plant's; flows add up, solids are averaged."""
    flows = (SignalKind.FLOW, SignalKind.RETURN_FLOW, SignalKind.WASTE_FLOW)
    key = one.setup.tank.key
    own = [s for s in one.setup.others if s.kind is kind and s.tank == key]
    whole = [s for s in one.setup.others if s.kind is kind and s.tank != key]
    if kind is SignalKind.WASTE_FLOW:
        whole = []
    found = [value for s in own or whole if (value := _said(one, s, length, peak)) is not None]
    if not found or len(found) < len(own or whole):
        return None
    value = sum(found) if kind in flows else sum(found) / len(found)
    return value if own or kind not in flows else value * one.setup.share_of_plant


def _said(one: TankFacts, signal: Signal, length: timedelta, peak: bool) -> float | None:
    said = one.signals.get(signal.tag)
    if said is None or _share(said.known, length) < ENOUGH:
        return None
    return said.highest if peak else said.mean


def _alarm(one: Occurrence, facts: PeriodFacts, labels: Mapping[str, str]) -> AlarmLine:
    definition = facts.definitions.get(one.key)
    return AlarmLine(
        key=one.key,
        word=name_of(one.key, definition, facts.alarm_words),
        about=about(one.key, definition, labels),
        occurred_at=one.occurred_at,
        acknowledged_by=one.acknowledged_by,
        time_to_acknowledge=None if one.acknowledged_at is None else one.acknowledged_at - one.occurred_at,
        returned_at=one.returned_at,
    )


def _share(part: timedelta, whole: timedelta) -> float:
    return part / whole if whole > timedelta(0) else 0.0
