"""What a sensor's own signal shows: its noise is not learned from faults, and no wrong word on it lasts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from service.domain.blanket.trace import Trace


def fed(trace: Trace, noise: float, count: int, stuck: float) -> float:
    rng = np.random.default_rng(1)
    begin = trace.time if trace.time == trace.time else 0.0
    for step in range(count):
        trace.take(begin + 60.0 * (step + 1), float(rng.normal(1.0, noise)), stuck, 0.2)
    return math.sqrt(trace.diff_var / 2.0)


def test_noise_is_that_of_the_samples() -> None:
    """Half the mean square of successive differences is the variance: von Neumann (1941)."""
    assert fed(Trace(), 0.03, 1500, 0.0) == pytest.approx(0.03, rel=0.2)


def test_a_day_in_inches_does_not_make_a_sensor_noisy() -> None:
    trace = Trace()
    fed(trace, 0.02, 600, 0.0)
    assert fed(trace, 0.02 / 0.0254, 1440, 1.0) == pytest.approx(0.02, rel=0.3)


def test_a_live_sensor_wrongly_called_stuck_shows_life_in_time() -> None:
    trace = Trace(diff_var=0.8**2)
    fed(trace, 0.02, 6000, 1.0)
    assert math.sqrt(trace.diff_var) < 0.2
