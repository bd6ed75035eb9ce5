"""Scaling against NE 43 and worked numbers."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from connectors.base import SourceQuality, SourceReason
from connectors.scaling import CurrentLoop, Linear, ScaledSpan

GOOD, UNCERTAIN, BAD = SourceQuality.GOOD, SourceQuality.UNCERTAIN, SourceQuality.BAD


@pytest.mark.parametrize(
    ("current", "value"),
    # 0 to 5 m over 4 to 20 mA: value = (mA - 4) / 16 × 5, exact arithmetic.
    [(3.8, -0.0625), (4.0, 0.0), (12.0, 2.5), (20.0, 5.0), (20.5, 5.15625)],
)
def test_measuring_range_is_good(current: float, value: float) -> None:
    scaled = CurrentLoop(low=0.0, high=5.0).apply(current)
    assert scaled.value == pytest.approx(value, abs=1e-12)
    assert (scaled.quality, scaled.reason) == (GOOD, SourceReason.NONE)


@pytest.mark.parametrize(
    ("current", "quality", "reason"),
    # NAMUR NE 43: fault signal up to 3.6 mA and from 21.0 mA. The bands between are left open by the recommendation:
    # saturated, common practice, no source.
    [
        (0.0, BAD, SourceReason.LOOP_FAULT_LOW),
        (3.6, BAD, SourceReason.LOOP_FAULT_LOW),
        (3.6001, UNCERTAIN, SourceReason.UNDER_RANGE),
        (3.7999, UNCERTAIN, SourceReason.UNDER_RANGE),
        (20.5001, UNCERTAIN, SourceReason.OVER_RANGE),
        (20.9999, UNCERTAIN, SourceReason.OVER_RANGE),
        (21.0, BAD, SourceReason.LOOP_FAULT_HIGH),
        (22.0, BAD, SourceReason.LOOP_FAULT_HIGH),
    ],
)
def test_outside_the_measuring_range(current: float, quality: SourceQuality, reason: SourceReason) -> None:
    scaled = CurrentLoop(low=0.0, high=5.0).apply(current)
    assert (scaled.quality, scaled.reason) == (quality, reason)
    assert math.isnan(scaled.value) == (quality is BAD)


def test_counts_of_an_input_card() -> None:
    # A 15-bit card that shows 0 at 4 mA and 27648 at 20 mA: a broken wire (0 mA) reads -6912.
    card = CurrentLoop(low=0.0, high=5.0, raw_4ma=0, raw_20ma=27648)
    assert card.apply(13824).value == pytest.approx(2.5)
    assert card.current(-6912) == pytest.approx(0.0)
    assert card.apply(-6912).reason is SourceReason.LOOP_FAULT_LOW


def test_a_loop_that_runs_downwards() -> None:
    # Distance to blanket: 4 mA far away, 20 mA near.
    loop = CurrentLoop(low=5.0, high=0.0)
    assert loop.apply(8.0).value == pytest.approx(3.75)


def test_limits_hold_on_a_converter_grid() -> None:
    # 3.6 mA and 21 mA as decimal constants come back from a float32 a little off; they are still faults.
    loop = CurrentLoop(low=0.0, high=5.0)
    assert loop.apply(3.6 + 1e-12).reason is SourceReason.LOOP_FAULT_LOW
    assert loop.apply(21.0 - 1e-12).reason is SourceReason.LOOP_FAULT_HIGH


def test_span_keeps_and_doubts_what_lies_beyond() -> None:
    span = ScaledSpan(raw_low=6553, raw_high=32767, low=0.0, high=4.0)
    assert span.apply(6553).value == 0.0
    assert span.apply(32767).value == 4.0
    assert span.apply(6000).reason is SourceReason.UNDER_RANGE
    assert span.apply(40000).reason is SourceReason.OVER_RANGE
    assert span.apply(40000).value > 4.0


@pytest.mark.parametrize("scaling", [Linear(), ScaledSpan(0, 1, 0, 1), CurrentLoop(low=0, high=1)])
@pytest.mark.parametrize("raw", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_bad(scaling: Linear | ScaledSpan | CurrentLoop, raw: float) -> None:
    scaled = scaling.apply(raw)
    assert (scaled.quality, scaled.reason) == (BAD, SourceReason.NOT_A_NUMBER)


def test_overflow_is_bad_not_infinite() -> None:
    assert Linear(factor=1e300).apply(1e300).reason is SourceReason.NOT_A_NUMBER


@pytest.mark.parametrize(
    "make",
    [
        lambda: Linear(factor=0.0),
        lambda: Linear(offset=math.inf),
        lambda: ScaledSpan(1, 1, 0, 5),
        lambda: ScaledSpan(0, 1, 5, 5),
        lambda: CurrentLoop(low=5, high=5),
        lambda: CurrentLoop(low=0, high=5, raw_4ma=7, raw_20ma=7),
        lambda: CurrentLoop(low=0, high=math.nan),
    ],
)
def test_impossible_scalings_are_refused(make: object) -> None:
    with pytest.raises(ValueError, match=r"needs|finite"):
        make()  # type: ignore[operator]


@given(st.floats(-1e6, 1e6), st.floats(-100, 100).filter(lambda f: abs(f) > 1e-6), st.floats(-1e6, 1e6))
def test_linear_is_a_line(raw: float, factor: float, offset: float) -> None:
    assert Linear(factor, offset).apply(raw).value == raw * factor + offset


@given(st.floats(0.0, 30.0))
def test_every_current_has_exactly_one_verdict(current: float) -> None:
    scaled = CurrentLoop(low=0.0, high=5.0).apply(current)
    assert (scaled.quality is GOOD) == (scaled.reason is SourceReason.NONE)
    assert (scaled.quality is BAD) == math.isnan(scaled.value)
