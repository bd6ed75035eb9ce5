"""Agreement and straight lines against published and certified values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from service.domain.sensors.agreement import deming, least_squares, limits_of_agreement, proportional, theil_sen, york
from service.errors import DomainError

# Bland & Altman 1986, Lancet i:307-310, table I: peak expiratory flow rate, first readings [l/min].
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)

# Pearson 1901, Phil. Mag. 2:559-572, with the weights (1/variance) of York 1966.
PEARSON_X = (0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4)
PEARSON_Y = (5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5)
YORK_WX = (1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1)
YORK_WY = (1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500)

# NIST StRD, https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
NORRIS_X = (
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5, 11.6,
    556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
)  # fmt: skip
NORRIS_Y = (
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9, 10.8,
    557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
)  # fmt: skip


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


def test_least_squares_meets_nists_certified_values() -> None:
    line = least_squares(NORRIS_X, NORRIS_Y)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert line.slope_se == pytest.approx(0.429796848199937e-03, rel=1e-10)
    assert line.intercept_se == pytest.approx(0.232818234301152, rel=1e-10)


def test_a_line_through_the_origin_meets_nists_certified_values() -> None:
    # NIST StRD NoInt1, https://www.itl.nist.gov/div898/strd/lls/data/NoInt1.shtml
    line = proportional([float(x) for x in range(60, 71)], [float(y) for y in range(130, 141)])
    assert line.slope == pytest.approx(2.07438016528926, rel=1e-13)
    assert line.slope_se == pytest.approx(0.165289256198347e-01, rel=1e-12)


def test_a_line_through_the_origin_needs_something_to_hold_on_to() -> None:
    with pytest.raises(DomainError):
        proportional([0.0, 0.0], [1.0, 2.0])


def test_least_squares_on_pearsons_data() -> None:
    line = least_squares(PEARSON_X, PEARSON_Y)
    # Quoted with Pearson's data in the literature; the quoted figures carry about nine digits.
    assert (line.slope, line.intercept) == pytest.approx((-0.53957727555, 5.76118519259), rel=5e-9)


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


def test_york_on_pearsons_data_with_yorks_weights() -> None:
    line = york(PEARSON_X, PEARSON_Y, [1 / w for w in YORK_WX], [1 / w for w in YORK_WY])
    # York et al. 2004, Am. J. Phys. 72:367, table II (from memory): a = 5.47991022(29), b = -0.480533407(57).
    assert line.slope == pytest.approx(-0.480533407, abs=1e-8)
    assert line.intercept == pytest.approx(5.47991022, abs=1e-7)
    assert line.slope_se == pytest.approx(0.0579850, abs=1e-5)
    assert line.intercept_se == pytest.approx(0.294971, abs=1e-4)


def test_york_on_scipys_published_variant() -> None:
    # scipy's own test of orthogonal distance regression uses rounded standard deviations of the same problem.
    sx = (0.03, 0.03, 0.04, 0.035, 0.07, 0.11, 0.13, 0.22, 0.74, 1.0)
    sy = (1.0, 0.74, 0.5, 0.35, 0.22, 0.22, 0.12, 0.12, 0.1, 0.04)
    line = york(PEARSON_X, PEARSON_Y, [s * s for s in sx], [s * s for s in sy])
    assert (line.intercept, line.slope) == pytest.approx((5.4767400299231674, -0.4796082367610305), rel=1e-6)


def test_york_equals_deming_when_all_errors_are_alike() -> None:
    n = len(PEARSON_X)
    one, other = york(PEARSON_X, PEARSON_Y, [2.0] * n, [1.0] * n), deming(PEARSON_X, PEARSON_Y, 0.5)
    assert (one.slope, one.intercept) == pytest.approx((other.slope, other.intercept), rel=1e-9)


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


def test_theil_sen_on_sens_example() -> None:
    # Sen 1968, JASA 63:1379-1389.
    line, low, high = theil_sen((1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78), confidence=0.93)
    assert (line.slope, line.intercept) == (4.0, 4.0)
    assert (low, high) == pytest.approx((3.71, 4.38), abs=0.01)


@pytest.mark.parametrize("line", [least_squares, deming, theil_sen])
def test_a_line_needs_spread(line: object) -> None:
    with pytest.raises(DomainError):
        line((1.0, 1.0, 1.0), (1.0, 2.0, 3.0))  # type: ignore[operator]


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
