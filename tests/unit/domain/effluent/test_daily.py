"""A day of effluent: means, load, time beyond, solids lost, completeness, and which value counts."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from service.domain.effluent.daily import (
    DayOrigin,
    MeterDay,
    Sample,
    Series,
    day_load,
    day_value,
    joined_across,
    merged,
    meter_day,
    summed,
    volume_of,
)
from service.domain.effluent.permit import Measure
from service.domain.plant.units import from_si, to_si

DAY = date(2026, 3, 14)
START = datetime(2026, 3, 14, 5, 0, tzinfo=UTC)
HOUR, WHOLE = timedelta(hours=1), timedelta(days=1)


def series(*values: float | None, step: timedelta = HOUR, tag: str = "A", start: datetime = START) -> Series:
    samples: list[Sample] = [(start + n * step, 0.0 if v is None else v, v is not None) for n, v in enumerate(values)]
    return Series(tag, samples, step)


def test_a_load_is_what_the_trade_s_factor_gives_to_its_own_rounding() -> None:
    """US plants reckon MGD × mg/L × 8.34 = lb/d; the exact factor is 1e6 × 3.785411784 L / 453 592.37 mg = 8.345 404 452."""
    meter, flow = series(*[0.020] * 24), series(*[to_si(5.0, "MGD")] * 24, tag="F")
    found = meter_day(meter, flow, START, START + WHOLE, None)
    solids = day_value(DAY, WHOLE, Measure.SOLIDS, found, [], None)
    load = day_load(solids, found.volume, WHOLE, None).value
    assert load is not None
    assert from_si(load, "lb/d") == pytest.approx(5.0 * 20.0 * 8.34540445201933)
    assert from_si(load, "lb/d") == pytest.approx(5.0 * 20.0 * 8.34, rel=7e-4)


def test_a_mean_is_weighted_with_the_flow_where_it_is_known_and_with_time_where_not() -> None:
    meter = series(*[0.010] * 12, *[0.040] * 12)
    flow = series(*[0.1] * 12, *[0.3] * 12, tag="F")
    # By hand: (10·1 + 40·3) / 4 = 32.5; by time (10 + 40) / 2 = 25.
    weighted = meter_day(meter, flow, START, START + WHOLE, None)
    assert weighted.mean == pytest.approx(0.0325)
    assert weighted.weighted is True
    plain = meter_day(meter, None, START, START + WHOLE, None)
    assert plain.mean == pytest.approx(0.025)
    assert plain.weighted is False
    assert plain.volume is None
    assert plain.lost is None
    mostly_unknown = meter_day(meter, series(*[0.1] * 3, tag="F"), START, START + WHOLE, None)
    assert mostly_unknown.mean == pytest.approx(0.025)
    assert mostly_unknown.weighted is False


def test_solids_lost_are_what_stands_above_the_limit_times_the_flow() -> None:
    meter = series(*[0.020] * 6, *[0.090] * 2, *[0.020] * 16)
    flow = series(*[0.2] * 24, tag="F")
    found = meter_day(meter, flow, START, START + WHOLE, 0.030)
    # By hand: (90 - 30) g/m³ × 0.2 m³/s × 7200 s = 86.4 kg.
    assert found.lost == pytest.approx(86.4)
    assert found.beyond == 2 * HOUR
    [stretch] = found.stretches
    assert (stretch.start, stretch.length, stretch.highest) == (START + 6 * HOUR, 2 * HOUR, 0.090)


def test_bad_values_and_silence_cover_nothing() -> None:
    gaps = series(*[0.020] * 6, *[None] * 6, *[0.040] * 6)  # then silence
    found = meter_day(gaps, None, START, START + WHOLE, None)
    assert found.known == 12 * HOUR
    assert found.mean == pytest.approx(0.030)
    day = day_value(DAY, WHOLE, Measure.SOLIDS, found, [], 0.045)
    assert (day.covered, day.whole, day.within, day.verdict) == (0.5, False, None, "incomplete")


def test_an_incomplete_day_can_break_its_limit_but_not_keep_it() -> None:
    half = meter_day(series(*[0.080] * 12), None, START, START + WHOLE, None)
    day = day_value(DAY, WHOLE, Measure.SOLIDS, half, [], 0.045)
    assert (day.within, day.verdict) == (False, "OVER")
    nothing = day_value(DAY, WHOLE, Measure.SOLIDS, None, [], 0.045)
    assert (nothing.within, nothing.verdict) == (None, "no value")


def test_a_few_hours_are_no_day_but_a_laboratory_value_is() -> None:
    short = meter_day(series(*[0.080] * 5), None, START, START + WHOLE, 0.045)
    day = day_value(DAY, WHOLE, Measure.SOLIDS, short, [], 0.045)
    assert (day.value, day.highest, day.beyond, day.verdict) == (None, 0.080, 5 * HOUR, "no value")
    assert day_value(DAY, WHOLE, Measure.SOLIDS, short, [0.02], 0.045).verdict == "within"


def test_the_laboratory_counts_before_the_meter_which_is_still_told() -> None:
    online = meter_day(series(*[0.020] * 24), None, START, START + WHOLE, None)
    day = day_value(DAY, WHOLE, Measure.SOLIDS, online, [0.050, 0.060], 0.045)
    assert day.value == pytest.approx(0.055)
    assert day.origin is DayOrigin.LABORATORY
    assert day.samples == 2
    assert day.online == 0.020
    assert (day.whole, day.within, day.highest) == (True, False, 0.060)


def test_a_stretch_over_midnight_is_one() -> None:
    late = meter_day(series(0.09, start=START + 23 * HOUR), None, START, START + WHOLE, 0.03)
    early = meter_day(series(0.12, start=START + WHOLE), None, START + WHOLE, START + 2 * WHOLE, 0.03)
    [one] = joined_across([*early.stretches, *late.stretches])
    assert (one.length, one.highest) == (2 * HOUR, 0.12)


def test_tanks_meters_are_weighted_with_the_water_that_passed_them() -> None:
    days = [
        MeterDay(known=24 * HOUR, mean=0.010, highest=0.01, volume=3000.0, weighted=True),
        MeterDay(known=12 * HOUR, mean=0.050, highest=0.09, volume=1000.0, weighted=True),
    ]
    both = merged(days)
    assert both.mean == pytest.approx(0.020)
    assert both.volume == 4000.0
    assert both.known == 12 * HOUR
    assert both.highest == 0.09
    assert merged([days[0], MeterDay(known=HOUR, mean=0.050, highest=0.05)]).mean == pytest.approx(0.030)


def test_a_flow_known_for_less_than_most_of_the_day_gives_no_volume() -> None:
    assert volume_of(series(*[0.1] * 18), START, START + WHOLE) == pytest.approx(0.1 * 86400)
    assert volume_of(series(*[0.1] * 17), START, START + WHOLE) is None


def test_a_sum_of_flows_is_known_where_each_is() -> None:
    total = summed([series(1.0, 2.0, None, tag="A"), series(10.0, 20.0, 30.0, tag="B")])
    assert [(value, good) for _, value, good in total.samples] == [(11.0, True), (22.0, True), (30.0, False)]
