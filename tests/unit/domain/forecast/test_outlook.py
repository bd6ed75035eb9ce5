"""A forecast's distribution and the time to danger read from it."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.forecast.outlook import HORIZONS, Forecast, Line, Pattern


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


def test_quantiles_stay_under_the_ceiling() -> None:
    made = rising(0.2)
    assert made.at(2.5)[0] == pytest.approx(1.5)
    assert made.quantile(3.0, 0.999999) <= 4.0


@given(rate=st.floats(-0.5, 1.0), sd=st.floats(0.01, 0.5), limit=st.floats(0.0, 3.9))
def test_early_is_never_after_late(rate: float, sd: float, limit: float) -> None:
    found = rising(rate, sd).time_to(limit)
    assert 0.0 <= found.early <= found.cautious <= found.likely <= found.late


def test_a_rise_without_precedent_is_foretold_no_later_than_the_straight_line() -> None:
    calm = rising(0.0)
    assert not calm.time_to(2.8).within_reach
    storm = replace(calm, line=Line(1.0, 0.9)).time_to(2.8)
    assert storm.likely == storm.cautious == storm.early == pytest.approx(2.0)
    assert storm.late == math.inf
    soon = replace(rising(0.5), line=Line(1.0, 0.2)).time_to(2.0)
    assert soon == rising(0.5).time_to(2.0)
    assert replace(calm, line=Line(1.0, 0.9)).time_to(8.0).likely == math.inf


def test_a_line_that_stands_above_already_is_there() -> None:
    assert Line(2.0, 0.5).hours_to(1.5) == 0.0
    assert Line(2.0, -0.5).hours_to(1.5) == math.inf


def test_a_blanket_that_just_reaches_a_height_reaches_it() -> None:
    assert rising(-0.1).time_to(1.0).likely == 0.0
    peak = replace(rising(0.0), mean=tuple(2.0 if hours == HORIZONS[2] else 1.0 for hours in HORIZONS))
    assert peak.time_to(2.0).likely == HORIZONS[2]
