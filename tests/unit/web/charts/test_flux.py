"""The state point picture shows what the state point says: lines meet where it stands, and pass the curve when it fails."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.loading.balance import Conditions
from service.domain.loading.state_point import StatePointVerdict
from service.domain.loading.tank_load import tank_load
from service.domain.plant.units import to_si
from service.web.charts.axes import HEIGHT, WIDTH, Frame
from service.web.charts.flux import FluxPicture, draw_flux
from tests.unit.domain.loading.test_inputs import TANK

Place = tuple[float, float]


def _points(line: str) -> list[Place]:
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in line.split())]


def _at(line: str, x: float) -> float:
    (x0, y0), (x1, y1) = _points(line)
    return y0 + (x - x0) / (x1 - x0) * (y1 - y0)


def _curve(picture: FluxPicture, x: float) -> float:
    points = _points(picture.curve)
    for (x0, y0), (x1, y1) in pairwise(points):
        if x0 <= x <= x1:
            return y0 + (x - x0) / (x1 - x0) * (y1 - y0)
    raise AssertionError(x)


def _drawn(flow: float, back: float, feed: float = 3.5) -> tuple[FluxPicture, StatePointVerdict]:
    conditions = Conditions(flow=to_si(flow, "m3/h"), return_flow=to_si(back, "m3/h"), feed_solids=feed)
    load = tank_load(TANK, conditions, settled_volume=150.0 * feed)
    picture = draw_flux(load, "us")
    assert picture is not None
    assert load.state is not None
    return picture, load.state.verdict


@given(st.floats(100, 1500), st.floats(50, 900), st.floats(1.5, 5.0))
def test_the_lines_meet_at_the_state_point_and_nothing_leaves_the_picture(
    flow: float, back: float, feed: float
) -> None:
    picture, _ = _drawn(flow, back, feed)
    x, y = picture.point
    assert _at(picture.overflow, x) == pytest.approx(y, abs=0.6)
    assert _at(picture.underflow, x) == pytest.approx(y, abs=0.6)
    for line in (picture.curve, picture.overflow, picture.underflow):
        assert all(0.0 <= px <= WIDTH and 0.0 <= py <= HEIGHT for px, py in _points(line))


def test_the_underflow_line_passes_the_curve_only_when_thickening_fails() -> None:
    for flow, verdict in ((500.0, StatePointVerdict.SAFE), (1000.0, StatePointVerdict.OVERLOADED)):
        picture, found = _drawn(flow, 250.0)
        assert found is verdict
        assert picture.limiting is not None
        x, _ = picture.limiting
        above = _at(picture.underflow, x) < _curve(picture, x)  # upwards is less
        assert above is (verdict is StatePointVerdict.OVERLOADED)
        assert verdict.value in picture.words


def test_no_picture_where_the_state_point_is_not_known() -> None:
    assert draw_flux(tank_load(TANK, Conditions(flow=0.1)), "si") is None


@given(st.floats(-5, 0), st.floats(0.01, 30_000))
def test_ticks_are_few_and_inside(low: float, high: float) -> None:
    frame = Frame(low, high, 0.0, 1.0)
    assert 2 <= len(frame.x_ticks) <= 8
    places = [tick.at for tick in frame.x_ticks]
    assert places == sorted(places)
    assert len({tick.words for tick in frame.x_ticks}) == len(places)
