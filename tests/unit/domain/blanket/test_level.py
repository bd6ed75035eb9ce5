"""The level tracker: its discretisation against a matrix exponential, its noise against what was put in."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import expm

from service.domain.blanket.level import RATE_SD, LevelTracker, damped_step

# NIST StRD, dataset Michelso, certified values: https://www.itl.nist.gov/div898/strd/univ/data/Michelso.dat
MICHELSO = (
    299.85, 299.74, 299.90, 300.07, 299.93, 299.85, 299.95, 299.98, 299.98, 299.88, 300.00, 299.98, 299.93, 299.65, 299.76,
    299.81, 300.00, 300.00, 299.96, 299.96, 299.96, 299.94, 299.96, 299.94, 299.88, 299.80, 299.85, 299.88, 299.90, 299.84,
    299.83, 299.79, 299.81, 299.88, 299.88, 299.83, 299.80, 299.79, 299.76, 299.80, 299.88, 299.88, 299.88, 299.86, 299.72,
    299.72, 299.62, 299.86, 299.97, 299.95, 299.88, 299.91, 299.85, 299.87, 299.84, 299.84, 299.85, 299.84, 299.84, 299.84,
    299.89, 299.81, 299.81, 299.82, 299.80, 299.77, 299.76, 299.74, 299.75, 299.76, 299.91, 299.92, 299.89, 299.86, 299.88,
    299.72, 299.84, 299.85, 299.85, 299.78, 299.89, 299.84, 299.78, 299.81, 299.76, 299.81, 299.79, 299.81, 299.82, 299.85,
    299.87, 299.87, 299.81, 299.74, 299.81, 299.94, 299.95, 299.80, 299.81, 299.87,
)  # fmt: skip


@pytest.mark.parametrize("hours", [1 / 60, 0.009, 0.02, 0.5, 3.0, 40.0])
def test_the_step_is_the_exact_solution(hours: float) -> None:
    memory = 1.5
    drift = np.array([[0.0, 1.0], [0.0, -1.0 / memory]])
    step = damped_step(hours, memory)
    transition = expm(drift * hours)
    assert (step.reach, step.fade) == pytest.approx((transition[0, 1], transition[1, 1]), rel=1e-12)

    def grown(i: int, j: int) -> float:
        def rate(s: float) -> float:
            moved = expm(drift * s)
            return float(moved[i, 1] * moved[j, 1] * 2.0 / memory)

        return float(quad(rate, 0.0, hours, epsabs=0.0, epsrel=1e-10)[0])

    assert (step.q00, step.q01, step.q11) == pytest.approx((grown(0, 0), grown(0, 1), grown(1, 1)), rel=1e-6)


def test_a_rate_is_forgotten() -> None:
    tracker = LevelTracker()
    tracker.restart(0.0, 1.0)
    tracker.rate = 0.5
    level, rate, _, _, rate_var = tracker.ahead(30 * 3600.0)
    assert level == pytest.approx(1.0 + 0.5 * 1.5, rel=1e-6)
    assert rate == pytest.approx(0.0, abs=1e-6)
    assert rate_var == pytest.approx(RATE_SD**2)


@pytest.mark.parametrize("noise", [0.01, 0.03, 0.1])
def test_noise_is_learned(noise: float) -> None:
    rng = np.random.default_rng(2)
    tracker = LevelTracker()
    tracker.restart(0.0, 1.0)
    for i in range(1, 2000):
        tracker.take(60.0 * i, 1.0 + noise * float(rng.standard_normal()), tracker.ahead(60.0 * i))
    assert tracker.noise_var**0.5 == pytest.approx(noise, rel=0.15)
    assert tracker.level == pytest.approx(1.0, abs=noise)


def test_noise_of_a_certified_series() -> None:
    # Half the mean square of successive differences is sd²·(1 − r₁)·(n−1)/n up to end terms; certified by NIST:
    # standard deviation 0.0790105478190518, lag-one autocorrelation 0.535199668621283.
    tracker = LevelTracker()
    tracker.restart(0.0, MICHELSO[0])
    for i, value in enumerate(MICHELSO[1:] * 4, start=1):
        tracker.take(60.0 * i, value, tracker.ahead(60.0 * i))
    assert tracker.noise_var**0.5 == pytest.approx(0.0790105478190518 * (1 - 0.535199668621283) ** 0.5, rel=0.1)
