"""The performance figures, on nights whose figures are known by counting."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.alarms.definition import Priority
from service.alarms.figures import (
    FLOOD_BEGINS,
    TARGETS,
    TEN_MINUTES,
    Figures,
    Happened,
    Occurrence,
    figures,
    floods,
    occurrences_of,
    peak,
)
from service.alarms.machine import AlarmState, Event

T0 = datetime(2026, 1, 14, 0, 0, tzinfo=UTC)
SECOND, MINUTE, HOUR, DAY = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def at(*minutes: float, key: str = "k", priority: Priority = Priority.LOW) -> list[Occurrence]:
    return [Occurrence(key=key, priority=priority, occurred_at=T0 + m * MINUTE) for m in minutes]


def ended(occurrences: list[Occurrence]) -> list[Occurrence]:
    return [replace(o, returned_at=o.occurred_at + SECOND) for o in occurrences]


def test_a_quiet_day() -> None:
    found = figures([], T0, T0 + DAY)
    assert (found.alarms, found.per_day, found.peak_ten_minutes, found.time_in_flood) == (0, 0.0, 0, 0.0)
    assert found.median_time_to_acknowledge is None


def test_rates() -> None:
    # 144 alarms evenly over a day are 6 an hour and 1 in ten minutes: the target of IEC 62682 (as quoted in trade press).
    found = figures(at(*range(0, 1440, 10)), T0, T0 + DAY)
    assert (found.per_day, found.per_hour) == (144.0, 6.0)
    assert found.per_ten_minutes == pytest.approx(1.0)
    assert found.peak_ten_minutes == 1
    assert found.hours_over_thirty == found.ten_minutes_over_ten == 0.0


def test_flood_begins_over_ten_and_ends_below_five_in_ten_minutes() -> None:
    # Definition of ISA-18.2 (from memory): begins at more than 10 in 10 min, ends when below 5 in 10 min.
    assert floods([T0 + m * MINUTE for m in range(10)], T0 + HOUR) == ()
    burst = [T0 + m * 30 * SECOND for m in range(11)]
    (flood,) = floods(burst, T0 + HOUR)
    # The last five came at 3:00 to 5:00; ten minutes after the first of these only four are left.
    assert (flood.start, flood.end, flood.alarms) == (T0, T0 + 13 * MINUTE, 11)
    # One more as the rate would fall below: it goes on.
    (longer,) = floods([*burst, T0 + 13 * MINUTE], T0 + HOUR)
    assert (longer.end, longer.alarms) == (T0 + 13 * MINUTE + 30 * SECOND, 12)
    found = figures(at(*(m / 2 for m in range(11))), T0, T0 + HOUR)
    assert found.time_in_flood == pytest.approx(13 / 60)
    assert found.ten_minutes_over_ten == pytest.approx(1 / 6)


def test_a_flood_goes_on_while_five_come_in_ten_minutes() -> None:
    times = [T0 + m * 30 * SECOND for m in range(11)] + [T0 + m * 2 * MINUTE for m in range(3, 20)]
    (flood,) = floods(sorted(times), T0 + DAY)
    assert flood.alarms == len(times)
    assert flood.end == max(times) - 8 * MINUTE + TEN_MINUTES


@pytest.mark.parametrize(("alarms", "share"), [(30, 0.0), (31, 0.5)])
def test_hours_with_more_than_thirty_alarms(alarms: int, share: float) -> None:
    assert figures(at(*range(alarms)), T0, T0 + 2 * HOUR).hours_over_thirty == share


def test_what_comes_as_the_time_looked_at_ends_counts_for_the_next() -> None:
    assert figures(at(0, 60), T0, T0 + HOUR).alarms == 1


def test_chattering_and_stale() -> None:
    found = figures(
        [
            *ended(at(0, 0.4, 1.0, key="chatters")),
            *ended(at(0, 0.6, 1.2, key="comes and goes")),
            Occurrence(key="stands", priority=Priority.LOW, occurred_at=T0 - HOUR, returned_at=None),
            Occurrence(key="went", priority=Priority.LOW, occurred_at=T0, returned_at=T0 + 24 * HOUR),
            Occurrence(key="went before", priority=Priority.LOW, occurred_at=T0 - 3 * DAY, returned_at=T0),
            Occurrence(key="goes later", priority=Priority.LOW, occurred_at=T0 + 36 * HOUR, returned_at=T0 + 3 * DAY),
        ],
        T0,
        T0 + 2 * DAY,
    )
    assert found.chattering == ("chatters",)
    assert found.stale == ("stands",)


def test_shares_and_answers() -> None:
    given_occurrences = [
        Occurrence(
            key=f"k{n % 12}",
            priority=Priority.HIGH if n == 0 else Priority.MEDIUM if n < 4 else Priority.LOW,
            occurred_at=T0 + n * HOUR,
            acknowledged_at=T0 + n * HOUR + (n + 1) * MINUTE if n % 2 else None,
        )
        for n in range(20)
    ]
    found = figures(given_occurrences, T0, T0 + DAY)
    assert found.priority_shares == {Priority.LOW: 0.8, Priority.MEDIUM: 0.15, Priority.HIGH: 0.05}
    assert found.top_ten[0][1] == 2
    assert found.top_ten_share == pytest.approx(18 / 20)
    delays = [n + 1 for n in range(20) if n % 2]
    # Checked against numpy's quantiles.
    assert found.median_time_to_acknowledge == float(np.quantile(delays, 0.5)) * MINUTE
    assert found.slowest_tenth_to_acknowledge == float(np.quantile(delays, 0.9)) * MINUTE
    assert found.acknowledged == 10


def test_every_figure_with_a_target_exists() -> None:
    assert set(TARGETS) <= set(Figures.__slots__)


@given(st.lists(st.integers(0, 3 * 3600), max_size=120))
def test_peak_and_floods_agree_with_counting(seconds: list[int]) -> None:
    times = sorted(T0 + s * SECOND for s in seconds)
    counted = max((sum(t - TEN_MINUTES < other <= t for other in times) for t in times), default=0)
    assert peak(times, TEN_MINUTES) == counted
    found = floods(times, T0 + DAY)
    assert bool(found) is (counted > FLOOD_BEGINS)
    assert all(flood.start < flood.end and flood.alarms > FLOOD_BEGINS for flood in found)
    assert all(a.end <= b.end and a.start < b.start for a, b in itertools.pairwise(found))


def test_occurrences_from_the_journal() -> None:
    def line(minute: int, event: Event, state: AlarmState, key: str = "k") -> Happened:
        return Happened(key=key, at=T0 + minute * MINUTE, event=event.value, to_state=state.value)

    lines = [
        line(0, Event.STARTED, AlarmState.NORMAL),
        line(1, Event.OCCURRED, AlarmState.UNACKNOWLEDGED),
        line(2, Event.CALLED_FURTHER, AlarmState.UNACKNOWLEDGED),
        line(3, Event.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        line(4, Event.RETURNED, AlarmState.NORMAL),
        line(5, Event.OCCURRED, AlarmState.UNACKNOWLEDGED),
        line(6, Event.RETURNED, AlarmState.RETURNED),
        line(7, Event.RE_ALARMED, AlarmState.UNACKNOWLEDGED),
        line(8, Event.RETURNED, AlarmState.NORMAL, key="unknown"),
    ]
    found = occurrences_of(lines, {"k": Priority.HIGH})
    minutes = [
        tuple(None if t is None else (t - T0) // MINUTE for t in (o.occurred_at, o.acknowledged_at, o.returned_at))
        for o in found
    ]
    assert minutes == [(1, 3, 4), (5, None, 6), (7, None, None)]
    assert {o.priority for o in found} == {Priority.HIGH}
