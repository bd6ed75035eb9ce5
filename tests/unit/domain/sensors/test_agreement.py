"""Agreement and straight lines against published and certified values."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.domain.sensors.agreement import deming, limits_of_agreement, proportional
from service.errors import DomainError

# Bland & Altman 1986, Lancet i:307-310, table I: peak expiratory flow rate, first readings [l/min].
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)

# Pearson 1901, Phil. Mag. 2:559-572.
PEARSON_X = (0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4)
PEARSON_Y = (5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5)


def differences() -> list[float]:
    return [float(w - m) for w, m in zip(WRIGHT, MINI, strict=True)]


def test_limits_of_agreement_as_in_the_paper() -> None:
    told = limits_of_agreement(differences(), width=2.0)
    # The paper works with rounded intermediate values.
    assert told.bias == pytest.approx(-2.1, abs=0.05)
    assert told.sd == pytest.approx(38.8, abs=0.05)
    assert (told.lower, told.upper) == pytest.approx((-79.7, 75.5), abs=0.3)
    assert told.bias_interval == pytest.approx((-22.0, 17.8), abs=0.3)
    assert told.lower_interval == pytest.approx((-114.3, -45.1), abs=0.3)
    assert told.upper_interval == pytest.approx((40.9, 110.1), abs=0.3)


def test_limits_of_agreement_with_the_exact_normal_quantile() -> None:
    told = limits_of_agreement(differences(), width=float(stats.norm.ppf(0.975)))
    # Published with z = 1.959964 by implementations of the method on the same data.
    assert (told.lower, told.upper) == pytest.approx((-78.0959054849, 73.8606113673), abs=1e-6)


def test_a_line_through_the_origin_meets_nists_certified_values() -> None:
    # NIST StRD NoInt1, https://www.itl.nist.gov/div898/strd/lls/data/NoInt1.shtml
    line = proportional([float(x) for x in range(60, 71)], [float(y) for y in range(130, 141)])
    assert line.slope == pytest.approx(2.07438016528926, rel=1e-13)
    assert line.slope_se == pytest.approx(0.165289256198347e-01, rel=1e-12)
    assert line.intercept == 0.0


def test_a_line_through_the_origin_needs_something_to_hold_on_to() -> None:
    for x, y in (([0.0, 0.0], [1.0, 2.0]), ([1.0], [1.0]), ([1.0, 2.0], [1.0])):
        with pytest.raises(DomainError):
            proportional(x, y)
    assert proportional([0.0, 1.0, 2.0], [0.0, 3.0, 6.0]).slope == 3.0  # a zero among others harms nothing


def test_deming_on_pearsons_data() -> None:
    line = deming(PEARSON_X, PEARSON_Y)
    assert line.slope == pytest.approx(-0.546, abs=1e-3)  # literature value of the orthogonal fit


@pytest.mark.parametrize(
    ("ratio", "slope", "intercept"),
    # Worked out beside the published formula with another program.
    [(1.0, -0.5455611975, 5.7840437745), (0.5, -0.5493703840, 5.7985948667), (2.0, -0.5429389578, 5.7740268188)],
)
def test_deming_for_other_ratios(ratio: float, slope: float, intercept: float) -> None:
    line = deming(PEARSON_X, PEARSON_Y, ratio)
    assert (line.slope, line.intercept) == pytest.approx((slope, intercept), rel=1e-9)


def test_demings_jackknife_error_is_about_right() -> None:
    rng = np.random.default_rng(5)
    slopes, errors = [], []
    for _ in range(300):
        truth = rng.uniform(0.0, 2.0, size=40)
        line = deming((truth + rng.normal(0.0, 0.1, 40)).tolist(), (1.1 * truth + rng.normal(0.0, 0.1, 40)).tolist())
        slopes.append(line.slope)
        errors.append(line.slope_se)
    assert np.mean(slopes) == pytest.approx(1.1, abs=0.01)
    assert np.mean(errors) == pytest.approx(np.std(slopes), rel=0.15)


@pytest.mark.parametrize(
    ("x", "y"), [((1.0, 1.0, 1.0), (1.0, 2.0, 3.0)), ((1.0, 2.0), (1.0, 2.0)), ((1.0, 2.0, 3.0), (1.0, 2.0))]
)
def test_a_line_needs_three_pairs_and_spread(x: tuple[float, ...], y: tuple[float, ...]) -> None:
    with pytest.raises(DomainError):
        deming(x, y)


def test_pairs_that_lie_across_each_other_have_a_level_or_an_upright_line() -> None:
    assert deming((-1.0, 1.0, 0.0), (0.0, 0.0, 5.0)).slope == math.inf
    assert deming((-1.0, 1.0, 0.0), (0.0, 0.0, 5.0)).intercept == pytest.approx(5.0 / 3.0)
    level = deming((-3.0, 3.0, 0.0), (0.0, 0.0, 1.0))
    assert level.slope == 0.0
    assert level.intercept == pytest.approx(1.0 / 3.0)


def test_limits_need_three_pairs() -> None:
    with pytest.raises(DomainError):
        limits_of_agreement((1.0, 2.0))


@settings(max_examples=30)
@given(st.integers(4, 40), st.integers(0, 10_000), st.sampled_from([0.05, 1.0, 8.0]))
def test_the_jackknife_leaves_each_pair_out_in_turn(n: int, seed: int, ratio: float) -> None:
    """Against the definition: the line refitted without each pair."""
    rng = np.random.default_rng(seed)
    x = rng.normal(1.0, 0.5, n)
    y = 1.1 * x + rng.normal(0.0, 0.1, n)
    line = deming(x.tolist(), y.tolist(), ratio)
    lines = [deming(np.delete(x, i).tolist(), np.delete(y, i).tolist(), ratio) for i in range(n)]
    for told, whole, without in (
        (line.slope_se, line.slope, [one.slope for one in lines]),
        (line.intercept_se, line.intercept, [one.intercept for one in lines]),
    ):
        pseudo = n * whole - (n - 1) * np.array(without)
        assert told == pytest.approx(float(np.std(pseudo, ddof=1)) / n**0.5, rel=1e-6)
