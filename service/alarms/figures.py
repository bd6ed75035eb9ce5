"""Computes alarm performance figures per operator, as in ISA-18.2 / IEC 62682 and EEMUA 191. Pure.

References
----------
Targets are from ANSI/ISA-18.2 and IEC 62682 (about 144 to 150 alarms a day, 1 in ten minutes, priorities 80/15/5 %: as
quoted in the trade press; the other values from memory). Flood, chattering and stale are defined as there (from memory).
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.alarms.definition import Priority
from service.alarms.machine import CALLING, AlarmState, Event

TEN_MINUTES, HOUR, DAY = timedelta(minutes=10), timedelta(hours=1), timedelta(days=1)
#: A flood begins with more than this many alarms in ten minutes, and ends when fewer than FLOOD_ENDS come in ten minutes.
FLOOD_BEGINS, FLOOD_ENDS = 10, 5
CHATTERING_TIMES, CHATTERING_WITHIN = 3, timedelta(minutes=1)
STALE_AFTER = DAY


@dataclass(frozen=True, slots=True, kw_only=True)
class Occurrence:
    """One alarm from its beginning to its end, as far as it got."""

    key: str
    priority: Priority
    occurred_at: datetime
    returned_at: datetime | None = None
    acknowledged_at: datetime | None = None
    acknowledged_by: str = ""
    note: str = ""  #: of whoever has it
    value: float | None = None  #: what the alarm watches, as it was raised [SI]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """What the standards aim at for one figure, in words."""

    aim: str
    most: str = ""


TARGETS: Mapping[str, Target] = {
    "per_day": Target(aim="about 144", most="about 288"),
    "per_hour": Target(aim="about 6", most="about 12"),
    "per_ten_minutes": Target(aim="about 1", most="about 2"),
    "peak_ten_minutes": Target(aim="10 or fewer"),
    "ten_minutes_over_ten": Target(aim="under 1 %"),
    "hours_over_thirty": Target(aim="under 1 %"),
    "time_in_flood": Target(aim="under 1 %"),
    "chattering": Target(aim="0, with a plan for each"),
    "stale": Target(aim="fewer than 5 on any day, with a plan for each"),
    "top_ten_share": Target(aim="1 to 5 %", most="where there are many alarms"),
    "priority_shares": Target(aim="low 80 %, medium 15 %, high 5 %"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Flood:
    """A time in which more alarms came than anybody can read."""

    start: datetime
    end: datetime
    alarms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures of one operator's alarms over a span. Shares are of one, not percent."""

    start: datetime
    end: datetime
    alarms: int
    per_day: float
    per_hour: float
    per_ten_minutes: float
    peak_ten_minutes: int
    ten_minutes_over_ten: float
    hours_over_thirty: float
    floods: tuple[Flood, ...]
    time_in_flood: float
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    top_ten: tuple[tuple[str, int], ...]
    top_ten_share: float
    priority_shares: Mapping[Priority, float]
    acknowledged: int
    median_time_to_acknowledge: timedelta | None
    slowest_tenth_to_acknowledge: timedelta | None
    by_alarm: Mapping[str, int]


def figures(occurrences: Iterable[Occurrence], start: datetime, end: datetime) -> Figures:
    """The figures from *start* to *end*.

    Parameters
    ----------
    occurrences : in any order; those that began before *start* count only as stale.
    """
    known = sorted(occurrences, key=lambda occurrence: occurrence.occurred_at)
    counted = [occurrence for occurrence in known if start <= occurrence.occurred_at < end]
    times = [occurrence.occurred_at for occurrence in counted]
    span = end - start
    number = len(counted)
    tens, hours = _periods(times, start, end, TEN_MINUTES), _periods(times, start, end, HOUR)
    flooded = floods(times, end)
    by_alarm = Counter(occurrence.key for occurrence in counted)
    top = by_alarm.most_common(10)
    delays = sorted(o.acknowledged_at - o.occurred_at for o in counted if o.acknowledged_at is not None)
    in_flood = sum((flood.end - flood.start for flood in flooded), timedelta(0))
    return Figures(
        start=start,
        end=end,
        alarms=number,
        per_day=number * (DAY / span),
        per_hour=number * (HOUR / span),
        per_ten_minutes=number * (TEN_MINUTES / span),
        peak_ten_minutes=peak(times, TEN_MINUTES),
        ten_minutes_over_ten=_share(tens, 10),
        hours_over_thirty=_share(hours, 30),
        floods=flooded,
        time_in_flood=in_flood / span,
        chattering=tuple(sorted(chattering(counted))),
        stale=tuple(sorted(stale(known, start, end))),
        top_ten=tuple(top),
        top_ten_share=sum(count for _, count in top) / number if number else 0.0,
        priority_shares={p: _part(sum(o.priority is p for o in counted), number) for p in Priority},
        acknowledged=len(delays),
        median_time_to_acknowledge=_quantile(delays, 0.5),
        slowest_tenth_to_acknowledge=_quantile(delays, 0.9),
        by_alarm=dict(sorted(by_alarm.items())),
    )


def peak(times: Sequence[datetime], window: timedelta) -> int:
    """The most alarms in any window of that length, wherever it begins; *times* in order."""
    most, recent = 0, deque[datetime]()
    for time in times:
        recent.append(time)
        while recent[0] <= time - window:
            recent.popleft()
        most = max(most, len(recent))
    return most


def floods(times: Sequence[datetime], end: datetime) -> tuple[Flood, ...]:
    """Every flood; *times* in order. It begins with the first alarm of the ten minutes that held too many."""
    found: list[Flood] = []
    recent = deque[datetime]()
    begun: datetime | None = None
    count = 0
    for time in times:
        if begun is not None:
            # The rate falls below the end's when the alarm that kept it up is ten minutes past.
            ended = _falls_below(recent)
            if ended < time:
                found.append(Flood(start=begun, end=ended, alarms=count))
                begun, count = None, 0
        recent.append(time)
        while recent[0] <= time - TEN_MINUTES:
            recent.popleft()
        if begun is not None:
            count += 1
        elif len(recent) > FLOOD_BEGINS:
            begun, count = recent[0], len(recent)
    if begun is not None:
        found.append(Flood(start=begun, end=min(end, _falls_below(recent)), alarms=count))
    return tuple(found)


def _falls_below(recent: Sequence[datetime]) -> datetime:
    """When, without another alarm, fewer than FLOOD_ENDS are left in the last ten minutes; in a flood there are as many."""
    return recent[-FLOOD_ENDS] + TEN_MINUTES


def chattering(occurrences: Iterable[Occurrence]) -> frozenset[str]:
    """Alarms that came three times or more within a minute."""
    by_key: dict[str, list[datetime]] = {}
    for occurrence in occurrences:
        by_key.setdefault(occurrence.key, []).append(occurrence.occurred_at)
    found = set()
    for key, times in by_key.items():
        times.sort()
        last = CHATTERING_TIMES - 1
        if any(times[i + last] - times[i] <= CHATTERING_WITHIN for i in range(len(times) - last)):
            found.add(key)
    return frozenset(found)


def stale(occurrences: Iterable[Occurrence], start: datetime, end: datetime) -> frozenset[str]:
    """Alarms that stood for more than a day, and did so at some time between *start* and *end*."""
    found = set()
    for occurrence in occurrences:
        until = min(occurrence.returned_at or end, end)
        if until > start and until - occurrence.occurred_at > STALE_AFTER:
            found.add(occurrence.key)
    return frozenset(found)


def _periods(times: Sequence[datetime], start: datetime, end: datetime, length: timedelta) -> list[int]:
    counts = [0] * math.ceil((end - start) / length)
    for time in times:
        counts[(time - start) // length] += 1
    return counts


def _share(counts: Sequence[int], over: int) -> float:
    return sum(count > over for count in counts) / len(counts)


def _part(count: int, whole: int) -> float:
    return count / whole if whole else 0.0


def _quantile(ordered: Sequence[timedelta], share: float) -> timedelta | None:
    """Linear between order statistics, as numpy's default."""
    if not ordered:
        return None
    place = share * (len(ordered) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (place - low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """A journal line, as much of it as makes an occurrence."""

    key: str
    at: datetime
    to_state: str
    event: str
    actor: str = ""
    note: str = ""
    value: float | None = None


def occurrences_of(lines: Iterable[Happened], priorities: Mapping[str, Priority]) -> list[Occurrence]:
    """Occurrences from journal lines, oldest line first; an alarm no longer defined counts as low."""
    open_: dict[str, Occurrence] = {}
    done: list[Occurrence] = []
    for line in lines:
        current = open_.get(line.key)
        if line.to_state == AlarmState.UNACKNOWLEDGED and line.event in CALLING:
            if current is not None:
                done.append(current)
            open_[line.key] = Occurrence(
                key=line.key,
                priority=priorities.get(line.key, Priority.LOW),
                occurred_at=line.at,
                value=line.value,
            )
        elif current is None:
            continue
        elif line.event == Event.RETURNED:
            open_[line.key] = replace(current, returned_at=line.at)
        elif line.event == Event.ACKNOWLEDGED:
            open_[line.key] = replace(current, acknowledged_at=line.at, acknowledged_by=line.actor, note=line.note)
    done += open_.values()
    return sorted(done, key=lambda occurrence: occurrence.occurred_at)
