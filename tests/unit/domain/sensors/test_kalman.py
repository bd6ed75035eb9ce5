"""Filter and smoother against statsmodels on the same series, and against textbook identities."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.tsa.statespace.kalman_smoother import KalmanSmoother

from service.domain.sensors.kalman import Array, Model, kalman_filter, smooth

STEPS, STATES = 160, 3


def series() -> tuple[Model, Array]:
    """Uneven steps, changing noise and regressor, gaps: offset, trend and span of an invented sensor."""
    rng = np.random.default_rng(11)
    days = rng.uniform(0.1, 2.0, STEPS)
    transition = np.tile(np.eye(STATES), (STEPS, 1, 1))
    transition[:, 0, 1] = days
    walk = np.zeros((STEPS, STATES, STATES))
    walk[:, 0, 0] = 0.01**2 * days
    walk[:, 1, 1] = 0.001**2 * days
    row = np.column_stack([np.ones(STEPS), np.zeros(STEPS), rng.normal(0.0, 0.5, STEPS)])
    noise = 0.1**2 + rng.uniform(0.0, 0.01, STEPS)
    measured = 0.2 + np.cumsum(0.004 * days) + rng.normal(0.0, 0.1, STEPS)
    measured[[5, 40, 41, 42, 100]] = np.nan
    return Model(transition, walk, row, noise, np.array([0.0, 0.001, 0.02]), np.diag([0.3, 0.01, 0.1]) ** 2), measured


def reference(model: Model, measured: Array) -> KalmanSmoother:
    told = KalmanSmoother(k_endog=1, k_states=STATES, k_posdef=STATES)
    told.bind(measured[:, None].copy())
    told["design"] = model.row.T[None, :, :].copy()
    told["obs_cov"] = model.noise[None, None, :].copy()
    told["transition"] = np.moveaxis(model.transition, 0, -1).copy()
    told["selection"] = np.eye(STATES)
    told["state_cov"] = np.moveaxis(model.walk, 0, -1).copy()
    told.initialize_known(model.mean, model.cov)
    return told.smooth()


def test_filter_equals_statsmodels() -> None:
    model, measured = series()
    ours, theirs = kalman_filter(model, measured), reference(model, measured)
    assert ours.mean == pytest.approx(theirs.filtered_state.T, rel=1e-9, abs=1e-12)
    assert ours.cov == pytest.approx(np.moveaxis(theirs.filtered_state_cov, -1, 0), rel=1e-8, abs=1e-14)
    assert ours.log_likelihood == pytest.approx(float(theirs.llf_obs.sum()), rel=1e-12)


def test_smoother_equals_statsmodels() -> None:
    model, measured = series()
    ours, theirs = smooth(model, kalman_filter(model, measured)), reference(model, measured)
    assert ours.mean == pytest.approx(theirs.smoothed_state.T, rel=1e-8, abs=1e-11)
    assert ours.cov == pytest.approx(np.moveaxis(theirs.smoothed_state_cov, -1, 0), rel=1e-7, abs=1e-13)


def test_smoother_never_knows_less_than_the_filter() -> None:
    model, measured = series()
    filtered = kalman_filter(model, measured)
    smoothed = smooth(model, filtered)
    gained = np.diagonal(filtered.cov - smoothed.cov, axis1=1, axis2=2)
    assert (gained >= -1e-12).all()
    assert smoothed.mean[-1] == pytest.approx(filtered.mean[-1])


def test_a_constant_level_is_the_running_mean() -> None:
    n = 12
    one = np.ones((n, 1, 1))
    values = np.arange(n, dtype=float) ** 2
    model = Model(one, 0 * one, np.ones((n, 1)), np.ones(n), np.zeros(1), np.array([[1e10]]))
    filtered = kalman_filter(model, values)
    assert filtered.mean[:, 0] == pytest.approx(np.cumsum(values) / np.arange(1, n + 1), rel=1e-6)
    assert smooth(model, filtered).mean[:, 0] == pytest.approx(np.full(n, values.mean()), rel=1e-6)
