"""The look back: fitted noise, structure, steps and hindsight on stories whose truth is known."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

import numpy as np
import pytest

from service.domain.blanket.drift_priors import Priors
from service.domain.blanket.pairing import Pair
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.sensors.drift_fit import CORE_SDS, WALK_SDS, Fit, PairStretch, _between, fit_drift
from service.domain.sensors.drift_history import DriftHistory, drift_history
from service.domain.sensors.kalman import kalman_filter
from tests.support.sensor_story import START


def pair(number: int, hours: float, difference: float, height: float = 1.2, jump: float = 0.0) -> Pair:
    return Pair(
        tag="north.level", core=UUID(int=number), time=START + timedelta(hours=hours), sensor=height + difference,
        core_height=height, thickness=height + 0.4, extra_var=0.0004, height=height, foretold=0.0, foretold_sd=0.1,
        sound=1.0, wrong=0.0, stepped=0.0, offset=0.0, offset_sd=0.1, jump=jump,
    )  # fmt: skip


def look_back(
    differences: list[float], works: tuple[Calibration, ...] = (), heights: list[float] | None = None
) -> DriftHistory:
    pairs = [pair(i, 8.0 * i, difference, heights[i] if heights else 1.2) for i, difference in enumerate(differences)]
    return drift_history(pairs, works, depth=4.0, pivot=1.2)


def stretch(n: int, core_sd: float, walk_sd: float, seed: int) -> PairStretch:
    rng = np.random.default_rng(seed)
    offset = np.cumsum(walk_sd * np.sqrt(1 / 3) * rng.standard_normal(n))
    measured = offset + np.hypot(core_sd, 0.02) * rng.standard_normal(n)
    measured[[7, 20]] = np.nan
    days = np.append(np.full(n - 1, 1 / 3), 0.0)
    jump_var = np.zeros(n)
    jump_var[11] = 0.09
    return PairStretch(
        days, measured, rng.normal(0.0, 0.3, n), np.full(n, 0.0004), jump_var, 0.5, 0.02, 0.04, 0.01, 0.003
    )


@pytest.mark.parametrize("trending", [False, True])
@pytest.mark.parametrize("spanning", [False, True])
def test_the_fits_likelihood_is_the_filters(trending: bool, spanning: bool) -> None:
    # The grid's element-wise filters against the plain matrix filter: the best point's score, prior taken off.
    priors = Priors(trend_share=1 - 1e-9 if trending else 1e-9, span_share=1 - 1e-9 if spanning else 1e-9)
    data = stretch(60, 0.1, 0.01, 2)
    fit = fit_drift([data], priors)
    core = min(CORE_SDS, key=lambda sd: abs(np.log(sd / fit.core_sd)))
    walk = min(WALK_SDS, key=lambda sd: abs(np.log(sd / fit.walk_sd)))
    at_grid = Fit(float(core), float(walk), trending, spanning, 0.0)
    model = data.model(at_grid, priors)
    expected = kalman_filter(model, data.measured).log_likelihood
    expected -= 0.5 * (np.log(core / priors.core_sd_centre) / priors.log_spread) ** 2
    expected -= 0.5 * (np.log(walk / priors.walk_sd_centre) / priors.log_spread) ** 2
    assert fit.log_posterior == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("peak", [0.09, 0.1, 0.117])
def test_between_two_grid_points_the_best_is_the_peak_of_a_parabola(peak: float) -> None:
    grid = np.geomspace(0.025, 0.4, 5)  # 0.1 in the middle
    curve = -3.0 * (np.log(grid) - np.log(peak)) ** 2
    assert _between(grid, curve, 2) == pytest.approx(peak, rel=1e-12)


def test_at_the_rim_of_the_grid_or_on_a_flat_the_best_is_the_grid_point() -> None:
    grid = np.geomspace(0.025, 0.4, 5)
    assert _between(grid, np.array([5.0, 4.0, 3.0, 2.0, 1.0]), 0) == grid[0]
    assert _between(grid, np.array([1.0, 2.0, 3.0, 4.0, 5.0]), 4) == grid[4]
    assert _between(grid, np.array([1.0, 1.0, 1.0, 1.0, 1.0]), 2) == grid[2]
    assert _between(grid, np.array([5.0, 4.0, 3.0, 2.0, 1.0]), 1) == grid[1]


@pytest.mark.parametrize(("core_sd", "walk_sd"), [(0.05, 0.02), (0.12, 0.03), (0.08, 0.06)])
def test_noise_and_walk_are_recovered_from_long_histories(core_sd: float, walk_sd: float) -> None:
    fit = fit_drift([stretch(1500, core_sd, walk_sd, 5)], Priors())
    assert fit.core_sd == pytest.approx(core_sd, rel=0.1)
    assert fit.walk_sd == pytest.approx(walk_sd, rel=0.25)


def test_with_few_cores_the_priors_stand() -> None:
    fit = look_back([0.1, 0.12]).fit
    priors = Priors()
    assert abs(np.log(fit.core_sd / priors.core_sd_centre)) < priors.log_spread
    assert abs(np.log(fit.walk_sd / priors.walk_sd_centre)) < priors.log_spread
    assert not fit.spanning


def test_the_past_is_known_better_than_it_was_at_the_time() -> None:
    rng = np.random.default_rng(1)
    drift = np.linspace(0.0, 0.5, 120)
    history = look_back((drift + 0.08 * rng.standard_normal(120)).tolist())
    now = np.array([point.now for point in history.points])
    then = np.array([point.then for point in history.points])
    assert np.sqrt(np.mean((then - drift) ** 2)) < 0.75 * np.sqrt(np.mean((now - drift)[5:] ** 2))
    assert history.fit.trending
    assert history.trend_chance > 0.9
    surprises = np.array([point.surprise for point in history.points[5:]])
    assert np.std(surprises) == pytest.approx(1.0, abs=0.25)


def test_a_step_is_dated_and_sized() -> None:
    rng = np.random.default_rng(2)
    truth = np.where(np.arange(90) < 45, 0.0, 0.4)
    history = look_back((truth + 0.06 * rng.standard_normal(90)).tolist())
    (step,) = history.steps
    assert step.before == START + timedelta(hours=8 * 45)
    assert step.size == pytest.approx(0.4, abs=0.08)
    assert history.points[30].then == pytest.approx(0.0, abs=0.05)


def test_a_jump_the_sensor_showed_counts_as_a_step_once_cores_agree() -> None:
    rng = np.random.default_rng(3)
    noise = 0.07 * rng.standard_normal(60)
    pairs = [
        pair(i, 8.0 * i, float(noise[i]) + (0.18 if i >= 30 else 0.0), jump=0.18 if i == 30 else 0.0) for i in range(60)
    ]
    (step,) = drift_history(pairs, (), 4.0, 1.2).steps
    assert step.size == pytest.approx(0.18, abs=0.06)
    # The same jump of the signal with no change against the cores was the blanket's own.
    pairs = [pair(i, 8.0 * i, float(noise[i]), jump=0.18 if i == 30 else 0.0) for i in range(60)]
    assert drift_history(pairs, (), 4.0, 1.2).steps == ()


def test_wrong_cores_do_not_bend_the_past() -> None:
    rng = np.random.default_rng(4)
    differences = 0.05 * rng.standard_normal(60)
    differences[[20, 40]] = (-2.0, 1.2)
    history = look_back(differences.tolist())
    assert [i for i, point in enumerate(history.points) if point.wrong > 0.5] == [20, 40]
    assert max(abs(point.then) for point in history.points) < 0.06
    assert np.isnan(history.points[20].surprise)


def test_a_wrong_core_right_after_another_is_still_found() -> None:
    differences = [0.02, -0.03, 0.01, 0.0, 0.03, -0.02, 1.5, -1.2, 0.01, 0.02, -0.01]
    history = look_back(differences)
    assert [i for i, point in enumerate(history.points) if point.wrong > 0.5] == [6, 7]


def test_the_past_starts_anew_at_a_calibration() -> None:
    rng = np.random.default_rng(5)
    truth = np.where(np.arange(80) < 40, 0.45, 0.0)
    work = Calibration(tag="north.level", at=START + timedelta(hours=8 * 39 + 4), kind=CalibrationKind.CALIBRATION)
    history = look_back((truth + 0.06 * rng.standard_normal(80)).tolist(), works=(work,))
    assert history.steps == ()
    assert history.points[39].then == pytest.approx(0.45, abs=0.05)
    assert history.points[40].then == pytest.approx(0.0, abs=0.05)
    assert history.last_work == work.at
    assert 30 < history.sound_cores <= 40


def test_no_pairs_no_history() -> None:
    history = look_back([])
    assert history.points == ()
    assert history.told_at is None
