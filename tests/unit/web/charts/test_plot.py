"""Charts as points: round ticks, the plant's midnights, nothing outside the frame."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from service.web.charts.plot import BOTTOM, HEIGHT, LEFT, RIGHT, TOP, WIDTH, PlotFrame, days, numbers, round_steps

values = st.floats(-1e4, 1e4, allow_nan=False)


@given(values, values)
def test_ticks_are_few_round_and_inside(a: float, b: float) -> None:
    low, high = min(a, b), max(a, b)
    steps = round_steps(low, high)
    assert 1 <= len(steps) <= 7
    assert all(low - 0.5 - 1e-6 <= step <= high + 0.5 + 1e-6 for step in steps)
    assert len({words for _, words in numbers(steps)}) == len(steps)


@given(values, values, values, values)
def test_whatever_is_placed_stays_in_the_frame(low: float, high: float, x: float, y: float) -> None:
    frame = PlotFrame(low, max(low, high), low, max(low, high))
    frame.mark("now", x, y)
    [mark] = frame.marks
    assert LEFT <= mark.x <= WIDTH - RIGHT
    assert TOP <= mark.y <= HEIGHT - BOTTOM


def test_days_begin_at_the_plants_midnight_across_the_clocks_change() -> None:
    zone = ZoneInfo("America/New_York")
    found = days(datetime(2026, 3, 5, 12, tzinfo=UTC), datetime(2026, 3, 12, 12, tzinfo=UTC), zone)
    assert [words for _, words in found] == ["7 Mar", "9 Mar", "11 Mar"]
    assert {datetime.fromtimestamp(at, zone).hour for at, _ in found} == {0}


@given(st.integers(1, 8000), st.integers(0, 365))
def test_the_axis_of_time_is_never_crowded(span: int, first: int) -> None:
    start = datetime(2020, 1, 1, tzinfo=UTC) + timedelta(days=first)
    found = days(start, start + timedelta(days=span), ZoneInfo("UTC"))
    assert len(found) <= 9
    assert [at for at, _ in found] == sorted({at for at, _ in found})


def test_a_line_is_cut_to_the_frame() -> None:
    frame = PlotFrame(0.0, 10.0, 0.0, 10.0)
    frame.straight("fit", 1.0, 5.0)
    [line] = frame.lines
    assert line.points.split(" ")[0] == f"{LEFT:.1f},{frame.y(5.0):.1f}"
    assert line.points.split(" ")[1] == f"{frame.x(5.0):.1f},{TOP:.1f}"
    frame.straight("fit", 1.0, 50.0)
    assert len(frame.lines) == 1
