"""The drawn section is to scale: areas and levels of its polygons are those of the tank."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.tank import TankShape
from service.web.section import WIDEST, draw
from tests.plant import tank


def points(polygon: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in polygon.split())]


def area(polygon: str) -> float:
    """Area by the surveyor's formula. [m²]"""
    corners = points(polygon)
    pairs = zip(corners, corners[1:] + corners[:1], strict=True)
    return abs(sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in pairs)) / 2 / 1e4


def test_the_water_is_as_large_as_the_tank_from_wall_to_centre() -> None:
    # 15 m from wall to centre, 4 m at the wall, floor falling 1:12: 15 × 4 + 15 × 1.25 / 2 = 69.375 m²
    drawing = draw(tank(), height=None, sd=0.0)
    assert area(drawing.water) == pytest.approx(69.375)
    assert drawing.centre
    assert not drawing.broken


def test_the_sludge_fills_the_slope_and_stands_level() -> None:
    drawing = draw(tank(), height=1.0, sd=0.1)
    assert area(drawing.sludge) == pytest.approx(15 * 1.0 + 15 * 1.25 / 2)
    assert min(y for _, y in points(drawing.sludge)) == drawing.blanket_y == -100.0
    assert area(drawing.band) == pytest.approx(15 * 2 * 1.96 * 0.1, rel=1e-3)


def test_a_blanket_below_the_wall_fills_only_the_deep_end() -> None:
    # 0.5 m below the floor at the wall begins 6 m in; the wedge is 9 m long and 0.75 m deep
    drawing = draw(tank(), height=-0.5, sd=0.0)
    assert area(drawing.sludge) == pytest.approx(9 * 0.75 / 2)
    assert drawing.blanket_x == pytest.approx(600.0)


@given(st.floats(-1.2, 4.5), st.floats(0.0, 1.0), st.sampled_from([0.0, 1 / 12, 1 / 8]))
def test_nothing_is_drawn_outside_the_tank(height: float, sd: float, slope: float) -> None:
    drawing = draw(tank(floor_slope=slope), height=height, sd=sd, fluff=0.4)
    for polygon in (drawing.sludge, drawing.band, drawing.fluff):
        for x, y in points(polygon):
            assert -0.1 <= x <= 1500.1
            assert y <= slope * x + 0.2  # above the floor


def test_a_long_tank_is_broken_off_and_says_so() -> None:
    long = tank(shape=TankShape.RECTANGULAR, diameter=None, length=60.0, width=10.0, floor_slope=0.01)
    drawing = draw(long, height=1.0, sd=0.1)
    assert drawing.broken
    assert not drawing.centre
    assert drawing.reach == pytest.approx(WIDEST * (4.0 + 0.6) * 100)


def test_a_core_stands_on_the_floor_where_it_was_taken() -> None:
    drawing = draw(tank(), height=1.0, sd=0.1, core_thickness=1.4, core_distance=6.0)
    assert drawing.core_x == 600.0
    assert drawing.core_bottom == pytest.approx(50.0)
    assert drawing.core_top == pytest.approx(50.0 - 140.0)
