"""A period of effluent days against the permit: averages of weeks and of the month, and what became of each limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from service.domain.effluent.daily import Beyond, DayValue
from service.domain.effluent.permit import Measure, Permit, PermitLimit, Term


@dataclass(frozen=True, slots=True, kw_only=True)
class Average:
    """The mean of the daily values of a week or month. ``days`` are those with a value, ``whole`` those complete, ``of`` all."""

    first: date
    last: date
    limit: PermitLimit
    value: float | None
    days: int
    whole: int
    of: int
    running: bool = False  #: the week or month is not over yet

    @property
    def within(self) -> bool | None:
        """Whether it keeps its limit; None where no day has a value. The mean of what there is decides, as days may be sampled."""
        return None if self.value is None else self.value <= self.limit.value

    @property
    def verdict(self) -> str:
        """In a word or two."""
        if self.value is None:
            return "no value"
        if not self.within:
            return "OVER"
        return "within so far" if self.running else "within" if self.whole == self.days else "within, days incomplete"


@dataclass(frozen=True, slots=True, kw_only=True)
class EffluentMonth:
    """Days and averages of a period; ``beyond`` are the stretches above what a value of a moment is held against."""

    permit: Permit
    days: tuple[DayValue, ...]
    averages: tuple[Average, ...]
    beyond: tuple[Beyond, ...] = ()

    def of(self, measure: Measure) -> tuple[DayValue, ...]:
        """The days of one measure."""
        return tuple(day for day in self.days if day.measure is measure)

    @property
    def hours_beyond(self) -> timedelta:
        """How long the solids meters read above the limit; turbidity where there are none."""
        by_measure = {
            m: sum((day.beyond for day in self.of(m)), timedelta(0)) for m in (Measure.SOLIDS, Measure.TURBIDITY)
        }
        return by_measure[Measure.SOLIDS] or by_measure[Measure.TURBIDITY]

    @property
    def lost(self) -> float | None:
        """Solids that left above the limit; None where no meter and flow say. [kg]"""
        known = [day.lost for day in self.of(Measure.SOLIDS) if day.lost is not None]
        return sum(known) if known else None

    @property
    def broken(self) -> bool:
        """Whether any limit was broken."""
        return any(day.within is False for day in self.days) or any(one.within is False for one in self.averages)


def week_of(day: date, week_starts: int) -> tuple[date, date]:
    """First and last day of the calendar week a day belongs to.

    >>> week_of(date(2026, 3, 14), 6)  # a Saturday, in weeks from Sunday
    (datetime.date(2026, 3, 8), datetime.date(2026, 3, 14))
    """
    first = day - timedelta(days=(day.weekday() - week_starts) % 7)
    return first, first + timedelta(days=6)


def average(days: Sequence[DayValue], first: date, last: date, limit: PermitLimit, today: date) -> Average:
    """The mean of the daily values of first ≤ day ≤ last; *today* is the day that is still running."""
    found = [d for d in days if d.measure is limit.measure and first <= d.day <= last and d.value is not None]
    return Average(
        first=first,
        last=last,
        limit=limit,
        value=sum(d.value for d in found if d.value is not None) / len(found) if found else None,
        days=len(found),
        whole=sum(d.whole for d in found),
        of=(last - first).days + 1,
        running=today <= last,
    )


def averages(permit: Permit, days: Sequence[DayValue], first: date, last: date, today: date) -> tuple[Average, ...]:
    """Every weekly and monthly average that is reported for the days first to last.

    Parameters
    ----------
    days : daily values, those of the weeks that began before *first* included.

    Notes
    -----
    A week belongs to the month in which it ends, as discharge monitoring reports count (from memory; the permit may say
    otherwise). The running week is given too while the period runs.
    """
    weeks: dict[date, date] = {}
    for number in range((last - first).days + 1):
        begins, ends = week_of(first + timedelta(days=number), permit.week_starts)
        if ends <= last or begins <= today <= ends:
            weeks[begins] = ends
    found = [
        average(days, begins, ends, limit, today) for limit in permit.on(Term.WEEKLY) for begins, ends in weeks.items()
    ]
    whole_month = first.day == 1 and (last + timedelta(days=1)).day == 1
    months = [average(days, first, last, limit, today) for limit in permit.on(Term.MONTHLY)] if whole_month else []
    return (*found, *months)


@dataclass(frozen=True, slots=True)
class Nearest:
    """The average that is nearest to its limit, or furthest beyond it. ``share`` is value over limit. [–]"""

    limit: PermitLimit
    value: float
    share: float
    until: date | None = None  #: the ended day up to which it is broken


def nearest(permit: Permit, days: Sequence[DayValue], today: date) -> Nearest | None:
    """Which average of today, this week or this month stands nearest to its limit, or furthest beyond.

    Parameters
    ----------
    days : of this week and this month, today's as far as it has come.
    """
    found = [(limit, value) for limit in permit.on(Term.DAILY) if (value := _day(days, limit, today)) is not None]
    for limit in permit.on(Term.WEEKLY, Term.MONTHLY):
        seen = average(days, *_period(limit, permit, today), limit, today)
        # The first day of a week or month is told by the day's own limit.
        if seen.value is not None and seen.days > 1:
            found.append((limit, seen.value))
    shares = [Nearest(limit, value, value / limit.value) for limit, value in found]
    return max(shares, key=lambda one: one.share, default=None)


def broken_before(permit: Permit, days: Sequence[DayValue], today: date) -> Nearest | None:
    """Which limit ended days broke, the furthest: yesterday its own, or the days up to it that of their week or month.

    Parameters
    ----------
    days : those of the weeks and months that still run, or ended yesterday.

    Notes
    -----
    The average of a week or month that still runs is broken once nothing discharged on the days left would bring it back; until then it
    may end within its limit (40 CFR 122.2: over the days measured in the whole period).
    """
    yesterday = today - timedelta(days=1)
    found = [
        (limit, value, value) for limit in permit.on(Term.DAILY) if (value := _day(days, limit, yesterday)) is not None
    ]
    for limit in permit.on(Term.WEEKLY, Term.MONTHLY):
        first, last = _period(limit, permit, yesterday)
        seen = average(days, first, yesterday, limit, today)
        if seen.value is not None:
            found.append((limit, seen.value, seen.value * seen.days / (seen.days + (last - yesterday).days)))
    broken = [
        Nearest(limit, value, value / limit.value, yesterday) for limit, value, least in found if least > limit.value
    ]
    return max(broken, key=lambda one: one.share, default=None)


def _day(days: Sequence[DayValue], limit: PermitLimit, day: date) -> float | None:
    return next((d.value for d in days if d.measure is limit.measure and d.day == day), None)


def _period(limit: PermitLimit, permit: Permit, day: date) -> tuple[date, date]:
    """The calendar week or month of a limit that a day belongs to."""
    if limit.term is Term.WEEKLY:
        return week_of(day, permit.week_starts)
    first = day.replace(day=1)
    return first, (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
