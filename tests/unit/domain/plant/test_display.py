"""Numbers as people read them, at the edges of each wording: a blanket at the weir is never told as clear water."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.domain.plant import display
from service.domain.plant.units import Dimension, UnitSystem
from service.errors import DomainError

FT = 0.3048
ZONE = ZoneInfo("America/New_York")
SI: UnitSystem = "si"


@pytest.mark.parametrize(
    ("value", "system", "shown"),
    [(0.05 * FT, "us", "0.1 ft"), (0.049 * FT, "us", "0.0 ft"), (-0.049 * FT, "us", "0.0 ft"), (-0.06 * FT, "us", "-0.1 ft"),
     (0.0051, "si", "0.01 m"), (-0.004, "si", "0.00 m")],
)  # fmt: skip
def test_what_rounds_to_nothing_has_no_sign(value: float, system: UnitSystem, shown: str) -> None:
    assert display.format_length(value, system) == shown


def test_a_sign_is_shown_where_it_is_asked_for() -> None:
    assert display.format_length(0.5, SI, signed=True) == "+0.50 m"
    assert display.format_speed(0.5, SI, signed=True) == "+0.50 m/h"
    assert display.format_speed(-0.5, SI, signed=True) == "-0.50 m/h"
    assert display.format_speed(0.5, SI) == "0.50 m/h"


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (999.4, "999"),
        (1000.0, "1,000"),
        (99.96, "100.0"),
        (1.0, "1.00"),
        (0.1, "0.100"),
        (-12.34, "-12.3"),
        (float("inf"), "inf"),
    ],
)
def test_three_figures(value: float, shown: str) -> None:
    assert display.to_three_figures(value) == shown


def test_ratios_are_percent_and_times_hours_and_minutes() -> None:
    assert display.format_quantity(0.5, Dimension.RATIO, SI) == "50 %"
    assert display.format_quantity(2.5, Dimension.TIME, SI) == "2 h 30 min"
    assert display.format_share(0.1234, 2) == "12.34 %"


@pytest.mark.parametrize(
    ("rate", "words"), [(0.006, "rising 0.01 m/h"), (-0.006, "falling 0.01 m/h"), (0.0049, "steady"), (-0.0049, "steady")]
)  # fmt: skip
def test_a_rate_that_shows_as_nothing_is_steady(rate: float, words: str) -> None:
    assert display.describe_rate(rate, SI) == words


@pytest.mark.parametrize(
    ("clear", "depth", "words"),
    [(0.006, None, "0.01 m under the weir"), (0.004, None, "at or over the weir"), (0.0, None, "at or over the weir"),
     (-1.0, 4.0, "at or over the weir"), (3.994, 4.0, "3.99 m under the weir"), (3.996, 4.0, "on the floor"),
     (4.5, 4.0, "on the floor"), (4.5, None, "4.50 m under the weir")],
)  # fmt: skip
def test_a_blanket_at_the_weir_is_never_told_as_clear_water(clear: float, depth: float | None, words: str) -> None:
    assert display.describe_clearance(clear, SI, depth) == words


def test_a_blanket_under_the_floor_of_the_wall_lies_on_the_floor() -> None:
    assert display.describe_height(0.006, SI) == "0.01 m above the floor at the wall"
    assert display.describe_height(0.0, SI) == "on the floor"
    assert display.describe_height(-0.3, SI) == "on the floor"


@pytest.mark.parametrize(
    ("span", "words"),
    [(timedelta(seconds=59), "under 1 min"), (timedelta(minutes=1), "1 min"), (timedelta(minutes=59, seconds=59), "59 min"),
     (timedelta(hours=1), "1 h"), (timedelta(hours=23, minutes=59), "23 h 59 min"), (timedelta(days=1), "1 d"),
     (timedelta(days=1, hours=1, minutes=59), "1 d 1 h"), (-timedelta(minutes=5), "5 min")],
)  # fmt: skip
def test_stretches_of_time(span: timedelta, words: str) -> None:
    assert display.format_duration(span) == words


def test_a_delay_is_told_to_the_second() -> None:
    assert display.format_delay(timedelta(days=2, hours=3, minutes=4, seconds=5)) == "2 d 3 h 4 min 5 s"
    assert display.format_delay(timedelta(seconds=0.6)) == "1 s"


def test_a_span_says_once_what_both_ends_share() -> None:
    start = datetime(2024, 11, 2, 16, 0, tzinfo=UTC)
    assert display.format_span(start, start + timedelta(hours=1), ZONE) == "Sat 2 Nov 12:00 to 13:00 EDT"
    # The night the clocks go back: the same day, another zone.
    night = datetime(2024, 11, 3, 5, 30, tzinfo=UTC)
    assert display.format_span(night, night + timedelta(hours=1), ZONE) == "Sun 3 Nov 01:30 EDT to Sun 3 Nov 01:30 EST"


def test_every_day_and_month_has_its_name() -> None:
    shown = [display.format_local_time(datetime(2024, m, 1 + m, 17, tzinfo=UTC), ZONE)[:9] for m in range(1, 13)]
    assert shown == [
        "Tue 2 Jan", "Sat 3 Feb", "Mon 4 Mar", "Fri 5 Apr", "Mon 6 May", "Fri 7 Jun", "Mon 8 Jul", "Fri 9 Aug",
        "Tue 10 Se", "Fri 11 Oc", "Tue 12 No", "Fri 13 De",
    ]  # fmt: skip


def test_a_time_without_a_zone_is_a_defect() -> None:
    with pytest.raises(DomainError, match="has no time zone"):
        display.format_clock(datetime(2024, 1, 1), ZONE)  # noqa: DTZ001
