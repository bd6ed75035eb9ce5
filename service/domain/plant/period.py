"""Days and months in plant time, for reports. A day on which clocks change has 23 or 25 hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo


class PeriodKind(StrEnum):
    """How long a report looks back."""

    DAILY = "daily"
    MONTHLY = "monthly"


@dataclass(frozen=True, slots=True, kw_only=True)
class Period:
    """A day or month of the plant's calendar: start ≤ time < end."""

    span: PeriodKind
    first: date
    start: datetime
    end: datetime

    @property
    def length(self) -> timedelta:
        """How long it really lasts, changed clocks counted."""
        return self.end - self.start

    @property
    def name(self) -> str:
        """Its date, or its month.

        >>> day_of(date(2026, 3, 8), ZoneInfo("America/New_York")).name
        '2026-03-08'
        """
        return f"{self.first:%Y-%m-%d}" if self.span is PeriodKind.DAILY else f"{self.first:%Y-%m}"


def day_of(day: date, zone: ZoneInfo) -> Period:
    """A day of the plant's calendar.

    >>> day_of(date(2026, 3, 8), ZoneInfo("America/New_York")).length
    datetime.timedelta(seconds=82800)
    """
    following = day + timedelta(days=1)
    return Period(span=PeriodKind.DAILY, first=day, start=_midnight(day, zone), end=_midnight(following, zone))


def month_of(day: date, zone: ZoneInfo) -> Period:
    """The month a day belongs to.

    >>> month_of(date(2026, 2, 14), ZoneInfo("America/New_York")).length.days
    28
    """
    first = day.replace(day=1)
    following = (first + timedelta(days=32)).replace(day=1)
    return Period(span=PeriodKind.MONTHLY, first=first, start=_midnight(first, zone), end=_midnight(following, zone))


def period_of(span: PeriodKind, day: date, zone: ZoneInfo) -> Period:
    """The day, or the month it belongs to."""
    return day_of(day, zone) if span is PeriodKind.DAILY else month_of(day, zone)


def last_whole(span: PeriodKind, now: datetime, zone: ZoneInfo) -> Period:
    """The last period that is over: yesterday, or last month."""
    running = period_of(span, now.astimezone(zone).date(), zone)
    return period_of(span, running.first - timedelta(days=1), zone)


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    # Where the clock skips midnight this is the moment it skips; where it shows midnight twice, the first (PEP 495).
    return datetime.combine(day, time(0), zone).astimezone(UTC)
