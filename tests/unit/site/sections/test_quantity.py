"""Quantities as people write them. Factors: NIST SP 811 (2008) appendix B, exact."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic_core import PydanticCustomError

from service.domain.plant.units import UNITS, Dimension, from_si
from service.site.sections.quantity import closest_unit, duration, quantity, share, slope


def said_by(error: PydanticCustomError) -> str:
    context = error.context or {}
    return f"{context['problem']} — {context['remedy']}"


def said(error: pytest.ExceptionInfo[PydanticCustomError]) -> str:
    return said_by(error.value)


@pytest.mark.parametrize(
    ("written", "metres"),
    [
        (12, 12 * 0.3048),
        (12.5, 12.5 * 0.3048),
        ("12", 12 * 0.3048),
        ("12 ft", 12 * 0.3048),
        ("12ft", 12 * 0.3048),
        ("45 in", 45 * 0.0254),
        ("3.7 m", 3.7),
        ("12 ft 6 in", 3.81),
        ("-2 ft 6 in", -0.762),
        (" .5 m ", 0.5),
        ("1e2 mm", 0.1),
    ],
)
def test_lengths(written: object, metres: float) -> None:
    assert quantity(written, Dimension.LENGTH, "ft", '"12 ft"') == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("12 feet", ['no unit "feet"', 'write "12 ft"']),
        ("12'", ['no unit "\'"', 'write "12 ft"']),
        ("12 gpm", ["gpm measures flow, not length", "ft"]),
        ("3,7 m", ["decimal comma", '"3.7 m"']),
        ("deep", ['"deep" is not a length', "12 ft"]),
        ("12 ft deep", ['"12 ft deep" is not a length']),
        ("", ["is empty"]),
        ("   ", ["is empty"]),
        (True, ["true is not a length"]),
        ([12], ["is not a length"]),
        (float("inf"), ["inf is not a length"]),
        ("1e999 m", ["is not a length"]),
    ],
)
def test_what_is_no_length_says_what_would_be(written: object, words: list[str]) -> None:
    with pytest.raises(PydanticCustomError) as error:
        quantity(written, Dimension.LENGTH, "ft", '"12 ft"')
    assert all(word in said(error) for word in words), said(error)


@given(st.floats(-1e6, 1e6).map(lambda x: round(x, 6)), st.sampled_from(sorted(set(UNITS) - {"1"})))
def test_a_number_with_its_unit_comes_back(number: float, symbol: str) -> None:
    read = quantity(f"{number} {symbol}", UNITS[symbol].dimension, None, f'"1 {symbol}"')
    assert from_si(read, symbol) == pytest.approx(number, rel=1e-12, abs=1e-12)


@given(st.text(max_size=20) | st.integers() | st.floats() | st.booleans() | st.none())
def test_anything_at_all_is_a_length_or_told_why_not(value: object) -> None:
    problem = None
    try:
        metres = quantity(value, Dimension.LENGTH, "ft", '"12 ft"')
    except PydanticCustomError as error:
        problem = error
    assert math.isfinite(metres) if problem is None else said_by(problem)


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("30 s", 30),
        ("10 min", 600),
        ("1.5 h", 5400),
        ("2 d", 172_800),
        ("1 h 30 min", 5400),
        ("2 hours", 7200),
        ("90sec", 90),
    ],
)
def test_durations(written: str, seconds: float) -> None:
    assert duration(written) == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    ("written", "word"),
    [(10, "no unit"), ("10", "no unit"), ("-5 min", "negative"), ("1 fortnight", "no unit"), ("9e9 d", "longer than")],
)
def test_what_is_no_duration(written: object, word: str) -> None:
    with pytest.raises(PydanticCustomError) as error:
        duration(written)
    assert word in said(error)


@pytest.mark.parametrize(
    ("written", "fall"),
    [
        ("1:12", 1 / 12),
        ("1/12", 1 / 12),
        ("1 in 12", 1 / 12),
        ("8 %", 0.08),
        ("8%", 0.08),
        (0.083, 0.083),
        ("0.083", 0.083),
        (0, 0),
    ],
)
def test_slopes(written: object, fall: float) -> None:
    assert slope(written) == pytest.approx(fall)


@pytest.mark.parametrize("written", ["1:0", "steep", True, "1:12:3", float("nan"), [1]])
def test_what_is_no_slope(written: object) -> None:
    with pytest.raises(PydanticCustomError):
        slope(written)


@pytest.mark.parametrize(("written", "part"), [("1/3", 1 / 3), ("25 %", 0.25), (0.25, 0.25), (25, 25)])
def test_shares(written: object, part: float) -> None:
    assert share(written, '"1/3"') == pytest.approx(part)


@pytest.mark.parametrize(
    ("written", "symbol"),
    [("feet", "ft"), ("FT", "ft"), ("mgd", "MGD"), ("m³/h", "m3/h"), ("gal/min", "gpm"), ("ppm", "mg/L"), ("zz", None)],
)
def test_other_spellings_of_units(written: str, symbol: str | None) -> None:
    assert closest_unit(written) == symbol
