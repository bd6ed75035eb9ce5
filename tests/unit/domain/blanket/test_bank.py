"""The bank's mathematics against references."""

from __future__ import annotations

import math

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter

from service.domain.blanket import bank as bank_module
from service.domain.blanket import forks
from service.domain.blanket.bank import Bank
from service.domain.blanket.level import damped_step
from service.domain.blanket.story import UNITS, SensorLevel, Story
from service.domain.blanket.trace import CALM_SD, MOVES_EVERY, MOVES_FOR, RATE_MEMORY

STEP = 180.0


def shown(bank: Bank, height: float, *, i: int = 0, noise: float = 0.02, coherent: float | None = None) -> None:
    """Three minutes on, a sensor that goes by itself as it should showed a height."""
    bank.ahead(bank.time + STEP if bank.time == bank.time else 0.0)
    at_rest = 12.0 if coherent is None else coherent
    bank.sensor(
        i, SensorLevel([height, *(height * unit for unit in UNITS)], noise**2, at_rest, 0.0, 1.0, 1e-3, STEP / 3600.0)
    )


def settled(height: float = 1.0, sensors: int = 1) -> Bank:
    """A tank whose sensors have followed a core-proven blanket for half a day."""
    bank = Bank(sensors, 0.0, 4.0)
    for step in range(240):
        for i in range(sensors):
            if i == 0:
                shown(bank, height)
            else:
                bank.sensor(i, SensorLevel([height, *(height * u for u in UNITS)], 4e-4, 12.0, 0.0, 1.0, 1e-3, 0.05))
        if step in (80, 160, 239):
            bank.core(height)
    return bank


def test_one_story_is_the_kalman_filter_of_statsmodels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Strays, regimes and forks switched off, height, rate and offset are those of statsmodels' Kalman filter."""
    for name, value in (
        ("STRAY", 0.0),
        ("MOVES_EVERY", 1e12),
        ("DRIFT_SD", 1e-9),
        ("FIRST_DRIFT_SD", 1e-9),
        ("WALK_SD", 0.0),
    ):
        monkeypatch.setattr(bank_module, name, value)
    monkeypatch.setattr(forks, "FORK_CHANCE", 1e9)
    bank = Bank(1, 0.0, 4.0)
    bank.mu = np.array([[1.0 - 1e-9, 1e-9]])
    rng = np.random.default_rng(5)
    levels = 1.2 + 0.1 * np.cumsum(rng.normal(0.0, 0.1, 60))
    s = damped_step(STEP / 3600.0, RATE_MEMORY)
    model = KalmanFilter(k_endog=1, k_states=3)
    model["design"] = np.array([[1.0, 0.0, 1.0]])
    model["transition"] = np.array([[1.0, s.reach, 0.0], [0.0, s.fade, 0.0], [0.0, 0.0, 1.0]])
    model["selection"] = np.eye(3)
    q = CALM_SD**2
    model["state_cov"] = np.array(
        [[s.q00 * q + 2e-5 * STEP / 3600.0, s.q01 * q, 0.0], [s.q01 * q, s.q11 * q, 0.0], [0.0, 0.0, 0.0]]
    )
    model["obs_cov"] = np.array([[0.02**2]])
    start = bank.x[0, 0, [0, 1, 2]]
    model.initialize_known(start.copy(), bank.cov[0, 0][:3, :3].copy())
    model.bind(levels[None, :].copy())
    reference = model.filter()
    for level in levels:
        shown(bank, float(level))
    assert bank.w.size == 1
    assert bank.x[0, 0, :3] == pytest.approx(reference.filtered_state[:, -1], abs=2e-6)
    assert bank.cov[0, 0, :3, :3] == pytest.approx(reference.filtered_state_cov[:, :, -1], abs=2e-6)


def test_regimes_are_mixed_as_interacting_multiple_models_are() -> None:
    """The mixing step as printed in Blom & Bar-Shalom (1988), eqs. (7)–(10), written out with loops."""
    bank = settled()
    rng = np.random.default_rng(3)
    bank.x = bank.x + rng.normal(0.0, 0.1, bank.x.shape)
    before = bank.x.copy(), bank.cov.copy(), bank.mu.copy()
    hours = 0.4
    x, mixed = bank._mixed(hours)
    start, stop = 1 - math.exp(-hours / MOVES_EVERY), 1 - math.exp(-hours / MOVES_FOR)
    turn = [[1 - start, start], [stop, 1 - stop]]
    for k in range(bank.w.size):
        for j in (0, 1):
            c = sum(turn[i][j] * before[2][k, i] for i in (0, 1))
            weights = [turn[i][j] * before[2][k, i] / c for i in (0, 1)]
            mean = sum(weights[i] * before[0][k, i] for i in (0, 1))
            cov = sum(
                weights[i] * (before[1][k, i] + np.outer(before[0][k, i] - mean, before[0][k, i] - mean))
                for i in (0, 1)
            )
            assert bank.mu[k, j] == pytest.approx(c)
            assert x[k, j] == pytest.approx(mean)
            assert mixed[k, j] == pytest.approx(cov, abs=1e-12)


def test_a_measurement_that_may_be_stray_has_the_moments_of_exact_bayes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Posterior mean and variance of one height, one story, against Bayes' rule on a grid."""
    monkeypatch.setattr(forks, "FORK_CHANCE", 1e9)
    bank = Bank(1, 0.0, 4.0)
    bank.time = bank.drift_time = 0.0
    bank.mu = np.array([[1.0 - 1e-6, 1e-6]])
    bank.x[:, :, 0], bank.x[:, :, 2] = 1.0, 0.0
    bank.cov[:] = 0.0
    bank.cov[:, :, 0, 0], bank.cov[:, :, 2, 2] = 0.1**2, 1e-12
    bank.cov[:, :, 1, 1] = 1e-6
    value, noise = 1.33, 0.05
    grid = np.linspace(0.0, 2.0, 40_001)
    prior = np.exp(-0.5 * ((grid - 1.0) / 0.1) ** 2)
    seen = (1 - bank_module.STRAY) * np.exp(-0.5 * ((value - grid) / noise) ** 2) / (
        noise * math.sqrt(2 * math.pi)
    ) + bank_module.STRAY / bank.range
    posterior = prior * seen / (prior * seen).sum()
    mean = float((posterior * grid).sum())
    var = float((posterior * (grid - mean) ** 2).sum())
    bank.sensor(0, SensorLevel([value, 9.0, 9.0, 9.0, 9.0], noise**2, 1.0, 0.0, 1.0, 1e-3, 0.05))
    assert float(bank.x[0, 0, 0]) == pytest.approx(mean, abs=1e-5)
    assert float(bank.cov[0, 0, 0, 0]) == pytest.approx(var, rel=1e-3)


def test_chances_of_regimes_after_a_core_are_bayes() -> None:
    x = np.array([[1.0, 0.0, 0.0, 0.0], [1.6, 0.0, 0.0, 0.0]])
    cov = np.stack([np.diag([0.01, 1.0, 1.0, 1.0])] * 2)
    mu = np.array([0.7, 0.3])
    row = np.array([1.0, 0.0, 0.0, 0.0])
    each = [0.7 * math.exp(-0.5 * 0.16 / 0.02), 0.3 * math.exp(-0.5 * 0.04 / 0.02)]
    story = Story(1.0, x, cov, mu, np.array([0]))
    assert story.taken(row, 1.4, 0.01).mu == pytest.approx(np.array(each) / sum(each))
    assert story.density(row, 1.4, 0.01) == pytest.approx(sum(each) / math.sqrt(2 * math.pi * 0.02))


def test_memory_is_bounded() -> None:
    rng = np.random.default_rng(2)
    bank = Bank(2, 0.0, 4.0)
    bank.ahead(0.0)
    for step in range(600):
        bank.ahead(step * 180.0)
        y = float(rng.uniform(-3.0, 40.0))
        bank.sensor(
            step % 2, SensorLevel([y, *(y * u for u in UNITS)], 4e-4, float(rng.exponential(3.0)), 0.1, 1.0, 0.5, 0.05)
        )
        if step % 50 == 0:
            bank.core(float(rng.uniform(0.0, 4.0)))
        assert bank.w.size <= bank_module.MOST_STORIES
        assert np.isfinite(bank.x).all()
        assert math.isclose(sum(bank.w.tolist()), 1.0, rel_tol=1e-9)
        assert all(float(cov[g, j, j]) >= -1e-12 for cov in bank.cov for g in (0, 1) for j in range(bank.d))
