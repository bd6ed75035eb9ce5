"""Online regression against least squares done at once."""

from __future__ import annotations

import json

import numpy as np

from service.domain.forecast.online_fit import OnlineFit

# NIST StRD linear least squares data set Norris, certified intercept and slope.
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
    556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
    557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip


def test_wide_prior_without_drift_is_least_squares() -> None:
    fit = OnlineFit.from_prior([0.0, 0.0], [1e3, 1e3], memory=1e30)
    for x, y in zip(NORRIS_X, NORRIS_Y, strict=True):
        fit.learn(np.array([1.0, x]), y, 4.0)  # wide enough that no residual counts as wild
    np.testing.assert_allclose(fit.mean, [-0.262323073774029, 1.00211681802045], rtol=1e-5)
    # Certified standard errors belong to the certified residual variance 0.782864662630069.
    errors = np.sqrt(np.diag(fit.cov) * 0.782864662630069 / 4.0)
    np.testing.assert_allclose(errors, [0.232818234301152, 0.429796848199937e-3], rtol=1e-5)


def test_models_side_by_side_learn_as_alone() -> None:
    rng = np.random.default_rng(3)
    together = OnlineFit.from_prior([0.0, 0.0], [1.0, 1.0], memory=[500.0, 500.0, 500.0])
    alone = [OnlineFit.from_prior([0.0, 0.0], [1.0, 1.0], memory=500.0) for _ in range(3)]
    for step in range(50):
        features, target = rng.normal(size=(3, 2)), rng.normal(size=3)
        which = np.array([0, 2]) if step % 2 else np.array([0, 1, 2])
        together.learn(features[which], target[which], 0.3, which)
        for i in which:
            alone[i].learn(features[i], float(target[i]), 0.3)
    for i in range(3):
        np.testing.assert_allclose(together.mean[i], alone[i].mean, rtol=1e-12)
        np.testing.assert_allclose(together.cov[i], alone[i].cov, rtol=1e-12)


def test_one_wild_point_moves_little() -> None:
    fit = OnlineFit.from_prior([1.0], [0.5], memory=1e6)
    rng = np.random.default_rng(5)
    for _ in range(200):
        x = rng.normal(size=1)
        fit.learn(x, 2.0 * float(x[0]) + 0.1 * rng.normal(), 0.01)
    before = float(fit.mean[0])
    fit.learn(np.array([1.0]), 50.0, 0.01)
    assert abs(float(fit.mean[0]) - before) < 0.01


def test_memory_is_exact() -> None:
    fit = OnlineFit.from_prior([0.1, 0.2], [0.3, 0.4])
    fit.learn(np.array([1.0, 2.0]), 3.0, 0.5)
    back = OnlineFit.from_memory(json.loads(json.dumps(fit.to_memory())))
    np.testing.assert_array_equal(back.mean, fit.mean)
    np.testing.assert_array_equal(back.cov, fit.cov)
