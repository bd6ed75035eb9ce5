"""Passes of the arm: the period is found, used, and not seen where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.arm import ArmPasses


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
