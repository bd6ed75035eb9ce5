"""The marks themselves are right: a forecast that is known to be good or bad is marked so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from service.domain.forecast.outlook import HORIZONS
from tests.benchmarks.forecast_marks import alarm_marks, crps, horizon_marks, line_until
from tests.benchmarks.forecast_run import TankRun

DAYS = 8


def run_of(height: np.ndarray, until: np.ndarray, error: float = 0.0) -> TankRun:
    """A tank believed exactly, forecast with a constant error."""
    count = height.size
    leads = [round(hours * 12) for hours in HORIZONS]
    mean = np.stack([np.concatenate([height[lead:], np.full(lead, height[-1])]) + error for lead in leads], axis=1)
    return TankRun(
        seconds=1_900_000_000 + 300 * np.arange(count, dtype=np.int64),
        depth=4.0,
        truth=height,
        calm=height,
        height=height,
        mean=mean,
        spread=np.full((count, len(HORIZONS)), 0.05),
        cautious=until[:, None],
        line=np.gradient(height) * 12.0,
        line_now=height,
    )


def story() -> tuple[np.ndarray, np.ndarray]:
    """Six days low, then up through 2 m at 0.5 m/h, and hours until 2 m as a perfect forecaster would say."""
    hours = np.arange(DAYS * 288) / 12.0
    height = np.clip(0.5 + 0.5 * (hours - 150.0), 0.5, 2.6)
    until = np.where(hours < 153.0, 153.0 - hours, 0.0)
    return height, np.where(until > 6.0, np.inf, until)


def test_score_of_a_point_forecast_is_its_absolute_error() -> None:
    # Gneiting and Raftery (2007): the score reduces to the absolute error as the spread vanishes.
    assert float(crps(np.array([1.3]), 1e-9, np.array([1.0]))[0]) == pytest.approx(0.3, abs=1e-8)


def test_score_by_integration() -> None:
    # Its definition: the integral of the squared difference of distribution and step.
    grid = np.linspace(-8.0, 8.0, 400_001)  # the step lies half way between two points
    integral = np.trapezoid((norm.cdf(grid, 0.4, 0.7) - (grid >= 1.10002)) ** 2, grid)
    assert float(crps(np.array([0.4]), 0.7, np.array([1.10002]))[0]) == pytest.approx(float(integral), abs=1e-6)


def test_good_forecast_beats_a_bad_one_and_persistence() -> None:
    height, until = story()
    good, bad = horizon_marks(run_of(height, until), 3.0), horizon_marks(run_of(height, until, 0.4), 3.0)
    assert good.ours < good.persistence
    assert good.ours < bad.ours
    assert good.coverage == 1.0
    assert bad.coverage == 0.0


def test_perfect_alarm_leads_by_its_limit() -> None:
    height, until = story()
    marks = alarm_marks(run_of(height, until), 0.5, until, 2.0)
    assert marks.leads == [pytest.approx(115.0, abs=5.1)]  # two forecasts in a row are waited for
    assert (marks.missed, marks.false, marks.quick_leads) == (0, 0, [])
    assert marks.months == pytest.approx(5.0 / 30.0, rel=0.01)


def test_silent_alarm_misses_and_a_nervous_one_is_false() -> None:
    height, until = story()
    silent = alarm_marks(run_of(height, until), 0.5, np.full(height.size, np.inf), 2.0)
    assert (silent.missed, silent.leads) == (1, [0.0])
    nervous = until.copy()
    nervous[1000:1010] = 1.0
    assert alarm_marks(run_of(height, until), 0.5, nervous, 2.0).false == 1


def test_straight_line_arrives_when_it_should() -> None:
    height, until = story()
    run = run_of(height, until)
    at = 151 * 12
    assert line_until(run, 0.5)[at] == pytest.approx(2.0, abs=0.05)
    assert np.isinf(line_until(run, 0.5)[100])
