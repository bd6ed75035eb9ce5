"""A day of effluent from on-line values and laboratory samples: value, load, time beyond the limit, solids lost above it.

Each on-line value holds until the next, but no longer than its signal may be silent; a bad value holds nothing.
"""

from __future__ import annotations

import bisect
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum

from service.domain.effluent.permit import Measure

#: A day counts as whole when its on-line values cover this much of it: 18 of 24 h. Judgement, no source; composite
#: samples of a day are customarily asked to span most of it.
WHOLE = 0.75
#: With less than this covered a day has no value of its own: an hour is no day, and would count as much as one in an average.
#: Judgement, no source.
COUNTS = 0.25

#: Time, value in SI or [NTU], and whether it may be used; in the order of time.
Sample = tuple[datetime, float, bool]


class DayOrigin(StrEnum):
    """What a day's value comes from."""

    LABORATORY = "laboratory"
    ONLINE = "on-line"


@dataclass(frozen=True, slots=True)
class Series:
    """One meter's values; ``hold`` is how long each may speak for. ``tank`` is None for the plant's."""

    tag: str
    samples: Sequence[Sample]
    hold: timedelta
    tank: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """A stretch in which a meter read above the limit. ``lost`` is the solids above the limit that left [kg]; None without a flow."""

    start: datetime
    end: datetime
    highest: float
    highest_at: datetime
    lost: float | None = None
    tag: str = ""
    tank: str | None = None

    @property
    def length(self) -> timedelta:
        """How long it read above, gaps within counted."""
        return self.end - self.start


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterDay:
    """What one meter said on one day. ``mean`` is weighted with the flow where that was known for most of it."""

    known: timedelta
    mean: float | None
    highest: float | None
    weighted: bool = False
    volume: float | None = None  #: of the day, from the mean flow of the known time [m³]
    beyond: timedelta = timedelta(0)
    lost: float | None = None  #: solids above the limit [kg]
    stretches: tuple[Beyond, ...] = ()


def spans(series: Series, start: datetime, end: datetime) -> Iterator[tuple[datetime, datetime, float | None]]:
    """Stretches of start ≤ time < end with the value that held in each; None where it was bad.

    >>> from datetime import UTC
    >>> noon = datetime(2026, 3, 14, 12, tzinfo=UTC)
    >>> found = spans(Series("A", [(noon, 1.0, True)], timedelta(minutes=10)), noon, noon + timedelta(hours=1))
    >>> [(later - begun, value) for begun, later, value in found]
    [(datetime.timedelta(seconds=600), 1.0)]
    """
    samples = series.samples
    first = max(bisect.bisect_right(samples, start, key=lambda sample: sample[0]) - 1, 0)
    for index in range(first, len(samples)):
        at, value, usable = samples[index]
        if at >= end:
            return
        until = min(at + series.hold, end)
        if index + 1 < len(samples):
            until = min(until, samples[index + 1][0])
        begun = max(at, start)
        if until > begun:
            yield begun, until, value if usable else None


def meter_day(
    meter: Series, flow: Series | None, start: datetime, end: datetime, limit: float | None, share: float = 1.0
) -> MeterDay:
    """What a meter said at start ≤ time < end.

    Parameters
    ----------
    meter : concentration [kg/m³] or turbidity [NTU].
    flow : what left, [m³/s]; None where it is not measured.
    limit : what its values are held against, in the meter's unit.
    share : of the flow that passes this meter. [–]

    Notes
    -----
    ``lost`` is the time integral of (value - limit) times flow where the value is above the limit.
    """
    flows = [] if flow is None else list(spans(flow, start, end))
    known = seconds = weight = total = flowing = lost = over = 0.0
    highest: float | None = None
    stretches: list[Beyond] = []
    at = 0
    for begun, until, value in spans(meter, start, end):
        if value is None:
            continue
        length = (until - begun).total_seconds()
        known += length
        total += value * length
        highest = value if highest is None else max(highest, value)
        while at < len(flows) and flows[at][1] <= begun:
            at += 1
        passed = 0.0  # volume that left in this stretch, of the time the flow was known [m³]
        for index in range(at, len(flows)):
            flow_from, flow_to, rate = flows[index]
            if flow_from >= until:
                break
            if rate is not None:
                covered = (min(flow_to, until) - max(flow_from, begun)).total_seconds()
                flowing += covered
                passed += max(rate, 0.0) * share * covered
        weight += passed
        seconds += value * passed
        if limit is not None and value > limit:
            over += length
            above = (value - limit) * passed if flows else None
            lost += above or 0.0
            _stretch(stretches, meter, begun, until, value, above)
    enough = known > 0.0 and flowing >= WHOLE * known and weight > 0.0
    return MeterDay(
        known=timedelta(seconds=known),
        mean=None if known <= 0.0 else seconds / weight if enough else total / known,
        highest=highest,
        weighted=enough,
        volume=None if flow is None else volume_of(flow, start, end, share),
        beyond=timedelta(seconds=over),
        lost=lost if flows else None,
        stretches=tuple(stretches),
    )


def volume_of(flow: Series, start: datetime, end: datetime, share: float = 1.0) -> float | None:
    """What a flow came to at start ≤ time < end, from its mean over the time it was known; None where that was too little. [m³]"""
    found = [
        ((later - begun).total_seconds(), rate) for begun, later, rate in spans(flow, start, end) if rate is not None
    ]
    known, length = sum(seconds for seconds, _ in found), (end - start).total_seconds()
    if known <= 0.0 or known < WHOLE * length:
        return None
    return sum(max(rate, 0.0) * share * seconds for seconds, rate in found) / known * length


def summed(series: Sequence[Series]) -> Series:
    """Several flows as one; what one of them does not say is not known of the sum."""
    if len(series) == 1:
        return series[0]
    times = sorted({at for one in series for at, _, _ in one.samples})
    samples: list[Sample] = []
    places = [0] * len(series)
    for at in times:
        total, usable = 0.0, True
        for number, one in enumerate(series):
            while places[number] < len(one.samples) and one.samples[places[number]][0] <= at:
                places[number] += 1
            last = one.samples[places[number] - 1] if places[number] else None
            if last is None or not last[2] or at - last[0] >= one.hold:
                usable = False
            else:
                total += last[1]
        samples.append((at, total, usable))
    return Series(
        " + ".join(one.tag for one in series), samples, min((one.hold for one in series), default=timedelta(0))
    )


#: Stretches beyond the limit with less than this between them are one.
_JOINED = timedelta(minutes=30)


def _stretch(
    found: list[Beyond], meter: Series, begun: datetime, until: datetime, value: float, lost: float | None
) -> None:
    new = Beyond(start=begun, end=until, highest=value, highest_at=begun, lost=lost, tag=meter.tag, tank=meter.tank)
    if found and begun - found[-1].end <= _JOINED:
        found[-1] = joined(found[-1], new)
    else:
        found.append(new)


def joined(first: Beyond, second: Beyond) -> Beyond:
    """Two stretches of one meter as one."""
    top = first if first.highest >= second.highest else second
    lost = [one for one in (first.lost, second.lost) if one is not None]
    return Beyond(
        start=first.start,
        end=second.end,
        highest=top.highest,
        highest_at=top.highest_at,
        lost=sum(lost) if lost else None,
        tag=first.tag,
        tank=first.tank,
    )


def joined_across(stretches: Sequence[Beyond]) -> tuple[Beyond, ...]:
    """Stretches of days that follow each other, those over midnight joined."""
    found: list[Beyond] = []
    for one in sorted(stretches, key=lambda s: (s.tag, s.start)):
        last = found[-1] if found else None
        if last is not None and last.tag == one.tag and one.start - last.end <= _JOINED:
            found[-1] = joined(last, one)
        else:
            found.append(one)
    return tuple(sorted(found, key=lambda s: s.start))


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratorySample:
    """A laboratory value of the whole plant's effluent. [kg/m³ or NTU]"""

    at: datetime
    measure: Measure
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DayValue:
    """A day's value of one measure against the permit.

    ``covered`` is the share of the day its on-line values cover; a laboratory value is whole by itself.
    """

    day: date
    measure: Measure
    value: float | None = None  #: [kg/m³, kg/s or NTU]
    origin: DayOrigin | None = None
    covered: float = 0.0
    samples: int = 0  #: of the laboratory
    online: float | None = None  #: what the meters said, where the laboratory's value counts
    weighted: bool = False  #: by flow
    highest: float | None = None  #: single value
    limit: float | None = None
    beyond: timedelta = timedelta(0)
    lost: float | None = None  #: [kg]

    @property
    def whole(self) -> bool:
        """Whether it can stand for the day."""
        return self.value is not None and (self.origin is DayOrigin.LABORATORY or self.covered >= WHOLE)

    @property
    def within(self) -> bool | None:
        """Whether the day kept its limit; None where nobody knows. An incomplete day can break a limit, but not keep it."""
        if self.value is None or self.limit is None:
            return None
        if self.value > self.limit:
            return False
        return True if self.whole else None

    @property
    def verdict(self) -> str:
        """In one word or two."""
        if self.value is None:
            return "no value"
        if self.limit is None:
            return "no limit" if self.whole else "incomplete"
        return {True: "within", False: "OVER", None: "incomplete"}[self.within]


def merged(days: Sequence[MeterDay]) -> MeterDay:
    """Several meters of one day as one: means weighted with the water that passed each, else alike.

    The time known is that of the meter seen least.
    """
    if len(days) == 1:
        return days[0]
    said = [day for day in days if day.mean is not None]
    weighted = bool(said) and all(day.volume for day in said)
    weights = [day.volume or 0.0 if weighted else 1.0 for day in said]
    lost = [day.lost for day in days if day.lost is not None]
    volumes = [day.volume for day in days if day.volume is not None]
    return MeterDay(
        known=min((day.known for day in days), default=timedelta(0)),
        mean=sum((day.mean or 0.0) * w for day, w in zip(said, weights, strict=True)) / sum(weights) if said else None,
        highest=max((day.highest for day in said if day.highest is not None), default=None),
        weighted=weighted and all(day.weighted for day in said),
        volume=sum(volumes) if len(volumes) == len(days) and days else None,
        beyond=max((day.beyond for day in days), default=timedelta(0)),
        lost=sum(lost) if lost else None,
        stretches=tuple(s for day in days for s in day.stretches),
    )


def day_value(
    day: date,
    length: timedelta,
    measure: Measure,
    online: MeterDay | None,
    samples: Sequence[float],
    limit: float | None,
) -> DayValue:
    """A day's concentration or turbidity: the mean of the laboratory's samples where there are any, else of the meters.

    Parameters
    ----------
    length : of the whole day, also where it is still running.
    limit : the permit's on a day. [kg/m³ or NTU]
    """
    covered = 0.0 if online is None else min(online.known / length, 1.0)
    said = None if online is None or covered < COUNTS else online.mean
    return DayValue(
        day=day,
        measure=measure,
        value=sum(samples) / len(samples) if samples else said,
        origin=DayOrigin.LABORATORY if samples else DayOrigin.ONLINE if said is not None else None,
        covered=covered,
        samples=len(samples),
        online=said if samples else None,
        weighted=not samples and online is not None and online.weighted,
        highest=max(
            [*samples, *([online.highest] if online is not None and online.highest is not None else [])], default=None
        ),
        limit=limit,
        beyond=timedelta(0) if online is None else online.beyond,
        lost=None if online is None else online.lost,
    )


def day_load(solids: DayValue, volume: float | None, length: timedelta, limit: float | None) -> DayValue:
    """A day's load: its concentration times its volume. [kg/s]

    Parameters
    ----------
    volume : what left on that day; None where the flow was not known for most of it. [m³]

    >>> from service.domain.plant.units import from_si, to_si
    >>> solids = DayValue(day=date(2026, 3, 14), measure=Measure.SOLIDS, value=0.020, origin=DayOrigin.LABORATORY)
    >>> load = day_load(solids, to_si(5.0, "MG"), timedelta(days=1), None)
    >>> round(from_si(load.value, "lb/d"), 1)  # 5 MGD x 20 mg/L x 8.34 = 834 by the trade's factor, 834.5 by the exact one
    834.5
    """
    known = solids.value is not None and volume is not None and length > timedelta(0)
    return DayValue(
        day=solids.day,
        measure=Measure.LOAD,
        value=solids.value * volume / length.total_seconds()
        if known and solids.value is not None and volume is not None
        else None,
        origin=solids.origin if known else None,
        covered=solids.covered if known else 0.0,
        samples=solids.samples if known else 0,
        weighted=solids.weighted,
        limit=limit,
    )
