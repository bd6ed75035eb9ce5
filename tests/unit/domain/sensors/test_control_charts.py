"""CUSUM and EWMA against the worked examples of the NIST/SEMATECH e-Handbook of Statistical Methods."""

from __future__ import annotations

import pytest

from service.domain.sensors.control_charts import cusum, ewma
from service.errors import DomainError

# NIST/SEMATECH e-Handbook, section 6.3.2.3, https://www.itl.nist.gov/div898/handbook/pmc/section3/pmc323.htm
CUSUM_DATA = (
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
)  # fmt: skip
UPPER = (
    0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350,
)  # fmt: skip
LOWER = (
    0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0,
)  # fmt: skip

# Section 6.3.2.4, https://www.itl.nist.gov/div898/handbook/pmc/section3/pmc324.htm
EWMA_DATA = (
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
)  # fmt: skip
EWMA_PRINTED = (
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
)  # fmt: skip


def test_cusum_gives_the_handbooks_columns() -> None:
    chart = cusum(CUSUM_DATA, target=325.0, slack=0.3175, limit=4.1959)
    assert chart.upper == pytest.approx(UPPER, abs=1e-9)
    assert chart.lower == pytest.approx(LOWER, abs=1e-9)


def test_cusum_signals_from_the_fourteenth_value_on() -> None:
    chart = cusum(CUSUM_DATA, target=325.0, slack=0.3175, limit=4.1959)
    assert [i + 1 for i in chart.signals] == list(range(14, 21))
    assert chart.change_point == 12  # the thirteenth value began it


def test_cusum_in_control_has_no_change_point() -> None:
    assert cusum((0.1, -0.1, 0.1), target=0.0, slack=0.5, limit=2.0).change_point is None


def test_ewma_gives_the_handbooks_series_and_limits() -> None:
    chart = ewma(EWMA_DATA, target=50.0, sd=2.0539, weight=0.3, steady=True)
    assert chart.values == pytest.approx(EWMA_PRINTED, abs=0.0051)
    assert chart.upper[0] == pytest.approx(52.5884, abs=5e-5)
    assert chart.lower[0] == pytest.approx(47.4115, abs=1e-4)  # the handbook cuts, it does not round
    assert chart.signals == ()


def test_ewma_limits_are_narrower_at_the_start() -> None:
    chart = ewma(EWMA_DATA, target=50.0, sd=2.0539, weight=0.3)
    halves = [upper - 50.0 for upper in chart.upper[:5]]
    # Derived from the published formula; Montgomery, Statistical Quality Control, section 9.2 (from memory).
    assert halves == pytest.approx([1.8485, 2.2564, 2.4314, 2.5127, 2.5516], abs=1e-4)


def test_ewma_signals_a_shift() -> None:
    assert ewma([0.0] * 5 + [2.0] * 10, target=0.0, sd=1.0, weight=0.3).signals[0] >= 5


@pytest.mark.parametrize(("slack", "limit"), [(-1.0, 1.0), (0.5, 0.0)])
def test_cusum_refuses_impossible_settings(slack: float, limit: float) -> None:
    with pytest.raises(DomainError):
        cusum((1.0,), target=0.0, slack=slack, limit=limit)


@pytest.mark.parametrize(("weight", "sd"), [(0.0, 1.0), (1.1, 1.0), (0.3, 0.0)])
def test_ewma_refuses_impossible_settings(weight: float, sd: float) -> None:
    with pytest.raises(DomainError):
        ewma((1.0,), target=0.0, sd=sd, weight=weight)
