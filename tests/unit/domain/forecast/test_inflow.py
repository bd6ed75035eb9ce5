"""The usual day of a flow is learned, and today's departure from it carried on."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.domain.forecast.inflow import FlowHabit


def day(hour: float) -> float:
    return 0.1 * (1.0 + 0.3 * math.cos(2.0 * math.pi * (hour - 10.0) / 24.0))


def taught(days: int = 14, factor: float = 1.0) -> FlowHabit:
    habit = FlowHabit()
    for quarter in range(days * 96):
        habit.learn(quarter * 900.0, factor * day(quarter / 4.0), factor * day(quarter / 4.0 - 1.0))
    return habit


def test_nothing_known_keeps_the_flow() -> None:
    assert FlowHabit().usual(0.0) is None
    np.testing.assert_array_equal(FlowHabit().ahead(0.0, 0.2, 0.0, np.array([1.0, 6.0])), [0.2, 0.2])


def test_usual_day_is_learned() -> None:
    habit = taught()
    for hour in (0.5, 6.5, 12.5, 20.5):
        assert habit.usual(hour * 3600.0) == pytest.approx(day(hour), rel=0.03)


def test_departure_fades_towards_the_usual_day() -> None:
    habit = taught()
    now = 20 * 86_400.0 + 2 * 3600.0
    ahead = habit.ahead(now, 2.0 * day(2.0), 0.0, np.array([0.0, 3.0, 6.0, 48.0]))
    over = ahead / np.array([day(2.0), day(5.0), day(8.0), day(2.0)]) - 1.0
    assert over[0] == pytest.approx(1.0, rel=0.1)
    assert over[0] > over[1] > over[2] > 0.2
    assert over[3] < 0.1


def test_one_storm_does_not_become_the_usual_day() -> None:
    habit = taught()
    for quarter in range(24):
        habit.learn(14 * 86_400.0 + quarter * 900.0, 0.5, 0.5)
    assert habit.usual(14 * 86_400.0 + 3 * 3600.0) == pytest.approx(day(3.0), rel=0.25)


def test_what_was_seen_long_ago_weighs_no_more_than_a_hundred_quarter_hours() -> None:
    assert set(taught(days=30).seen) == {100.0}


@pytest.mark.parametrize(("flow", "counted"), [(0.30, 0.15), (0.15, 0.15), (0.14, 0.14), (0.06, 0.06), (0.01, 0.06)])
def test_a_surge_counts_as_half_as_much_again_and_a_lull_as_six_tenths(flow: float, counted: float) -> None:
    habit = FlowHabit()
    for quarter in range(8 * 96):
        habit.learn(quarter * 900.0, 0.1, 0.1)
    habit.learn(8 * 86_400.0 + 1800.0, flow, 0.1)
    assert habit.bins[0] == pytest.approx(0.1 + 0.05 * (counted - 0.1), rel=1e-9)


def test_the_first_quarter_hours_of_an_hour_are_averaged_whatever_they_are() -> None:
    habit = FlowHabit()
    for flow in (0.1, 0.4, 0.1, 0.4):
        habit.learn(0.0, flow, None)
    assert habit.bins[0] == pytest.approx(0.25)
    assert habit.seen[0] == 4.0
