"""Passes of the arm: the period is found, used, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.blanket.arm import ArmPasses, ArmTurn, Turned, phase_lock


def passes(period: float, count: int, seed: int = 3, missed: float = 0.1) -> list[float]:
    rng = np.random.default_rng(seed)
    starts = 1e9 + period * np.arange(count) + rng.uniform(-20.0, 20.0, count)
    return [float(t) for t in starts[rng.uniform(size=count) > missed]]


@pytest.mark.parametrize("minutes", [21, 28.5, 34, 47, 59])
def test_the_period_is_found(minutes: float) -> None:
    arm = ArmPasses()
    starts = passes(minutes * 60.0, 40)
    for start in starts:
        arm.note(start, start + 100.0, None)
    assert arm.period == pytest.approx(minutes * 60.0, rel=0.01)
    # The next pass is expected, the time between passes is not.
    upcoming = 1e9 + minutes * 60.0 * 40
    assert arm.expected(upcoming + 30.0)
    assert not arm.expected(upcoming + minutes * 30.0)


def test_a_given_period_is_found_sooner() -> None:
    given, searched = ArmPasses(), ArmPasses()
    needed = {"given": 0, "searched": 0}
    for start in passes(40 * 60.0, 30, missed=0.0):
        given.note(start, start + 60.0, 40 * 60.0)
        searched.note(start, start + 60.0, None)
        needed["given"] += not given.period
        needed["searched"] += not searched.period
    assert given.period == pytest.approx(40 * 60.0, rel=0.02)
    assert needed["given"] <= needed["searched"]


@pytest.mark.parametrize("seed", range(10))
def test_chance_spikes_have_no_period(seed: int) -> None:
    arm = ArmPasses()
    locked = 0
    for start in np.sort(np.random.default_rng(seed).uniform(0.0, 5 * 86_400.0, 120)):
        arm.note(float(start), float(start) + 60.0, None)
        locked += bool(arm.period)
    assert locked <= 12  # of 120: a tenth of the time at most


def test_long_excursions_are_no_passes() -> None:
    arm = ArmPasses()
    arm.note(0.0, 3600.0, None)
    assert arm.starts == []


def turned(*angles: tuple[float, float]) -> ArmTurn:
    turn = ArmTurn()
    for time, angle in angles:
        turn.take(time, angle)
    return turn


def test_an_arm_is_where_its_last_angle_and_speed_carry_it() -> None:
    found = turned((0.0, 350.0), (60.0, 356.0)).at(120.0)
    assert found is not None
    assert (found.angle, found.speed) == pytest.approx((2.0, 0.1))
    # Counted in the direction it turns.
    back = turned((0.0, 10.0), (60.0, 4.0)).at(120.0)
    assert back is not None
    assert (back.angle, back.speed) == pytest.approx((2.0, 0.1))


@pytest.mark.parametrize(("passed", "known"), [(300.0, True), (300.1, False)])
def test_an_angle_tells_the_speed_and_the_place_for_five_minutes(passed: float, known: bool) -> None:
    assert (turned((0.0, 0.0), (passed, 20.0)).at(passed) is not None) is known
    assert (turned((0.0, 0.0), (60.0, 6.0)).at(60.0 + passed) is not None) is known
    assert turned((0.0, 0.0)).at(0.0) is None


def test_an_arm_slower_than_a_third_of_the_slowest_stands() -> None:
    for speed, moving in ((0.031, True), (0.029, False)):
        found = turned((0.0, 0.0), (100.0, 100.0 * speed)).at(100.0)
        assert found is not None
        assert found.moving is moving
    # What stands keeps the direction it last turned in.
    stood = turned((0.0, 20.0), (60.0, 10.0), (120.0, 10.5)).at(120.0)
    assert stood is not None
    assert stood.angle == pytest.approx(349.5)


def test_the_same_angle_twice_at_one_time_changes_nothing() -> None:
    once, twice = turned((0.0, 0.0), (60.0, 6.0)), turned((0.0, 0.0), (60.0, 6.0), (60.0, 6.0))
    assert once == twice


def test_bunching_is_the_mean_resultant() -> None:
    starts = [0.0, 500.0, 1000.0, 1900.0]
    mean = np.exp(2j * np.pi * np.array(starts) / 1700.0).mean()
    score, phase = phase_lock(starts, 1700.0)
    assert (score, phase) == pytest.approx((abs(mean), float(np.angle(mean)) * 1700.0 / (2.0 * np.pi)))


@pytest.mark.parametrize(
    ("time", "slack", "due"),
    [(940.0, 60.0, True), (939.0, 60.0, False), (1180.0, 60.0, True), (1181.0, 60.0, False), (1000.0 + 1800.0, 0.0, True), (1121.0, 0.0, False)],
)  # fmt: skip
def test_a_pass_is_due_from_its_start_for_as_long_as_passes_last(time: float, slack: float, due: bool) -> None:
    assert ArmPasses(period=1800.0, anchor=1000.0, longest=120.0).expected(time, slack) is due
    assert not ArmPasses(longest=120.0).expected(time, slack)


@pytest.mark.parametrize(("angle", "due"), [(82.1, True), (81.9, False), (117.9, True), (118.1, False)])
def test_where_the_angle_is_measured_a_pass_is_due_by_it(angle: float, due: bool) -> None:
    arm = ArmPasses(where=90.0, width=20.0)
    assert arm.due(0.0, Turned(angle, 0.1)) is due
    assert not arm.due(0.0, Turned(95.0, 0.02))  # it stands
    # A minute of a fast arm is more than eight degrees.
    assert arm.due(0.0, Turned(90.0 - 17.9, 0.3))
    assert not arm.due(0.0, Turned(90.0 - 18.1, 0.3))
    double = ArmPasses(where=90.0, width=20.0, turn=180.0)
    assert double.due(0.0, Turned(angle + 180.0, 0.1)) is due


def test_how_long_passes_last_is_followed_by_a_fifth() -> None:
    arm = ArmPasses()
    for n in range(10):
        arm.note(1800.0 * n, 1800.0 * n + 120.0, 1800.0)
    assert (arm.period, arm.longest) == pytest.approx((1800.0, 120.0), rel=0.01)
    arm.note(18_000.0, 18_000.0 + 220.0, 1800.0)
    assert arm.longest == pytest.approx(140.0)
    arm.note(18_000.0 + 900.0, 18_900.0 + 470.0, 1800.0)  # not where one is due
    assert arm.longest == pytest.approx(140.0)


def test_the_angle_of_passes_is_found_and_a_double_arm_known() -> None:
    for turn, starts in ((360.0, [90.0]), (180.0, [90.0, 270.0])):
        arm = ArmPasses()
        for n in range(12):
            began = starts[n % len(starts)] + (n % 3 - 1)
            arm.note(1e6 + 977.0 * n**1.5, 1e6 + 977.0 * n**1.5 + 60.0, None, began, (began + 10.0) % 360.0)
        assert arm.turn == turn
        assert arm.where % turn == pytest.approx(90.0, abs=1.0)
    assert arm.width < 20.0
    for angle in np.random.default_rng(1).uniform(0.0, 360.0, 16):
        arm.note(2e6, 2e6 + 60.0, None, float(angle), float(angle))
    assert arm.where != arm.where  # they bunch nowhere any more


def test_only_the_last_day_tells_the_period() -> None:
    arm = ArmPasses()
    for start in passes(30 * 60.0, 12, missed=0.0):
        arm.note(start, start + 60.0, None)
    assert arm.period == pytest.approx(1800.0, rel=0.01)
    assert len(arm.starts) == 12
    later = 1e9 + 3 * 86_400.0
    for n in range(16):
        arm.note(later + 3000.0 * n, later + 3000.0 * n + 60.0, None)
    assert arm.period == pytest.approx(3000.0, rel=0.001)
    assert len(arm.starts) == 16
