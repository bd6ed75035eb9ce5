"""The drawn section is to scale: areas and levels of its polygons are those of the tank."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.blanket.mixture import Mixture, Part
from service.domain.plant.tank import TankShape
from service.web.charts.label_places import Box, words_box
from service.web.charts.tank_section import BEFORE_CENTRE, TICK_TYPE, TICK_X, WIDEST, SectionDrawing, draw
from tests.support.plant import tank


def points(polygon: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in (pair.split(",") for pair in polygon.split())]


def area(polygon: str) -> float:
    """Area by the surveyor's formula. [m²]"""
    corners = points(polygon)
    pairs = zip(corners, corners[1:] + corners[:1], strict=True)
    return abs(sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in pairs)) / 2 / 1e4


def test_the_water_is_as_large_as_the_tank_from_wall_to_centre() -> None:
    # 15 m from wall to centre, 4 m at the wall, floor falling 1:12: 15 × 4 + 15 × 1.25 / 2 = 69.375 m²
    drawing = draw(tank(), height=None)
    assert area(drawing.water) == pytest.approx(69.375)
    assert drawing.centre
    assert not drawing.broken


def test_the_sludge_fills_the_slope_and_stands_level() -> None:
    drawing = draw(tank(), height=1.0, intervals=[(0.8, 1.2)])
    assert area(drawing.sludge) == pytest.approx(15 * 1.0 + 15 * 1.25 / 2)
    assert min(y for _, y in points(drawing.sludge)) == drawing.blanket_y == -100.0
    assert [area(band) for band in drawing.bands] == [pytest.approx(15 * 0.4, rel=1e-3)]


def test_two_rival_stories_are_drawn_as_two_bands_with_clear_water_between() -> None:
    told = Mixture((Part(0.7, 1.0, 0.05), Part(0.3, 3.0, 0.1))).intervals()
    low, high = ([-y / 100.0 for _, y in points(band)] for band in draw(tank(), height=1.0, intervals=told).bands)
    assert min(low) == pytest.approx(0.9, abs=0.02)
    assert max(low) == pytest.approx(1.15, abs=0.06)
    assert 2.5 < min(high) < 3.0 < max(high) < 3.3


def test_a_blanket_below_the_wall_fills_only_the_deep_end() -> None:
    # 0.5 m below the floor at the wall begins 6 m in; the wedge is 9 m long and 0.75 m deep
    drawing = draw(tank(), height=-0.5)
    assert area(drawing.sludge) == pytest.approx(9 * 0.75 / 2)
    assert drawing.blanket_x == pytest.approx(600.0)


@given(st.floats(-1.2, 4.5), st.floats(0.0, 1.0), st.sampled_from([0.0, 1 / 12, 1 / 8]))
def test_nothing_is_drawn_outside_the_tank(height: float, sd: float, slope: float) -> None:
    drawing = draw(tank(floor_slope=slope), height=height, intervals=[(height - sd, height + sd)], fluff=height + 0.4)
    for polygon in (drawing.sludge, *drawing.bands, drawing.fluff):
        for x, y in points(polygon):
            assert -0.1 <= x <= 1500.1
            assert y <= slope * x + 0.2  # above the floor


def test_a_long_tank_is_broken_off_and_says_so() -> None:
    long = tank(shape=TankShape.RECTANGULAR, diameter=None, length=60.0, width=10.0, floor_slope=0.01)
    drawing = draw(long, height=1.0)
    assert drawing.broken
    assert not drawing.centre
    assert drawing.reach == pytest.approx(WIDEST * (4.0 + 0.6) * 100)


def test_a_core_stands_on_the_floor_where_it_was_taken() -> None:
    drawing = draw(tank(), height=1.0, core_thickness=1.4, core_distance=6.0)
    assert drawing.core_x == 600.0
    assert drawing.core_bottom == pytest.approx(50.0)
    assert drawing.core_top == pytest.approx(50.0 - 140.0)


def covered(drawing: SectionDrawing) -> list[Box]:
    """What the words of limits and height marks cover."""
    size, right = drawing.type_size, drawing.reach - BEFORE_CENTRE
    limits = [words_box(mark.words, mark.words_y, size, right=right) for mark in drawing.marks]
    return limits + [words_box(words, y + 0.32 * size, TICK_TYPE * size, left=TICK_X) for y, words in drawing.ticks]


@example(diameter=43.0, depth=6.0, warning=0.0, closer=0.0, every=0.5)
@given(
    diameter=st.floats(3.0, 60.0),
    depth=st.floats(2.0, 6.0),
    warning=st.floats(0.0, 1.0),
    closer=st.floats(0.0, 0.3),
    every=st.sampled_from([0.5, 0.6096]),
)
def test_no_words_lie_on_others(diameter: float, depth: float, warning: float, closer: float, every: float) -> None:
    """Limits anywhere under the weir and as close as they like, in narrow and wide tanks, with a mark every half metre."""
    clear = warning * (depth - 0.3)
    drawing = draw(
        tank(diameter=diameter, side_water_depth=depth),
        height=1.0,
        marks=(("warning", clear, f"warning {clear:.2f} m"), ("danger", max(clear - closer, 0.0), "danger 0.25 m")),
        tick=every,
        tick_words=tuple(f"{n * every:g}" for n in range(int(depth / every) + 1)),
    )
    boxes = covered(drawing)
    assert not [(a, b) for i, a in enumerate(boxes) for b in boxes[:i] if a.meets(b)]
    for box in boxes[: len(drawing.marks)]:
        assert box.top >= drawing.top
        assert box.bottom <= drawing.top + drawing.height


def test_with_room_danger_stands_above_its_line_and_warning_below() -> None:
    marks = (("warning", 1.5, "warning 1.50 m"), ("danger", 0.7, "danger 0.70 m"))
    warning, danger = draw(tank(), height=1.0, marks=marks).marks
    assert warning.words_y > warning.y
    assert danger.words_y < danger.y
