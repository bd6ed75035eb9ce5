"""A forecast's distribution and the time to danger read from it."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.forecast.outlook import HORIZONS, Forecast, Pattern


def rising(rate: float, sd: float = 0.1, height: float = 1.0) -> Forecast:
    return Forecast(
        tank="t",
        made_at=datetime(2031, 1, 1, tzinfo=UTC),
        height=height,
        sd=0.03,
        mean=tuple(height + rate * hours for hours in HORIZONS),
        spread=tuple(sd * math.sqrt(hours) for hours in HORIZONS),
        pattern=Pattern.NOTHING_UNUSUAL,
        ceiling=4.0,
    )


def test_straight_rise_arrives_when_it_should() -> None:
    found = rising(0.3).time_to(2.2)
    assert found.likely == pytest.approx(4.0)
    assert found.early < 4.0 < found.late
    assert found.within_reach


def test_already_there_and_never() -> None:
    assert rising(0.3).time_to(0.9).likely == 0.0
    never = rising(-0.1).time_to(2.0)
    assert never.likely == never.late == math.inf
    assert not never.within_reach


def test_quantiles_and_chances_agree() -> None:
    made = rising(0.2)
    level = made.quantile(3.0, 0.9)
    assert made.chance_above(level, 3.0) == pytest.approx(0.1)
    assert made.at(2.5)[0] == pytest.approx(1.5)
    assert made.quantile(3.0, 0.999999) <= 4.0


@given(rate=st.floats(-0.5, 1.0), sd=st.floats(0.01, 0.5), limit=st.floats(0.0, 3.9))
def test_early_is_never_after_late(rate: float, sd: float, limit: float) -> None:
    found = rising(rate, sd).time_to(limit)
    assert 0.0 <= found.early <= found.cautious <= found.likely <= found.late
