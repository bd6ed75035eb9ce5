"""The parts of the forecaster, each against a calculation of its own: lags, streams, patterns, balance, errors, lessons."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.diagnosis.what_if import PlantChange, what_if
from service.domain.forecast.forecast import (
    _smooth_pumping,
    expect,
    forecast,
    observe,
    pattern_now,
    response_of,
    streams_of,
)
from service.domain.forecast.inflow import FlowHabit
from service.domain.forecast.outlook import HORIZONS, Forecast, Pattern
from service.domain.forecast.prediction import Expectation, foreseen
from service.domain.forecast.state import ForecastMemory, Moment, TypicalError
from service.domain.forecast.training import learn_balance, learn_outcome
from service.domain.forecast.wording import clear_water_words, reaching_words, spread
from service.domain.loading.balance import Conditions, Response, Streams, carry_forward
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.errors import DomainError

#: Untyped, as it stands within tuples and in the place of numbers.
near: Any = pytest.approx

T0 = datetime(2026, 3, 1, tzinfo=UTC)
TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.RECTANGULAR, length=40.0, width=9.0, side_water_depth=4.0,
    floor_slope=0.01,
)  # fmt: skip
PRIMARY = replace(TANK, kind=TankKind.PRIMARY)


def seen(
    minutes: float, height: float = 1.0, sd: float = 0.02, rate: float = 0.0, trust: Trust = Trust.GOOD
) -> Estimate:
    return Estimate(
        tank="t", time=T0 + timedelta(minutes=minutes), height=height, sd=sd, rate=rate, trust=trust, reason=EstimateReason.SENSOR
    )  # fmt: skip


def followed(*steps: tuple[float, float, Conditions], tank: Tank = TANK) -> ForecastMemory:
    memory = ForecastMemory.for_tank(tank.kind)
    for minutes, height, conditions in steps:
        observe(tank, memory, seen(minutes, height), conditions)
    return memory


# --- what is observed -------------------------------------------------------------------------------------------------


def test_flows_and_solids_follow_with_a_lag_of_a_tenth_of_an_hour() -> None:
    first = Conditions(flow=0.1, return_flow=0.05, feed_solids=3.0, return_solids=8.0, plant_flow=0.4, plant_return=0.2)
    after = Conditions(flow=0.2, return_flow=0.10, feed_solids=4.0, return_solids=9.0, plant_flow=0.8, plant_return=0.4)
    memory = followed((0, 1.0, first), (6, 1.0, after))
    part = 1.0 - math.exp(-1.0)  # six minutes are a tenth of an hour
    assert memory.flow == near(0.1 + 0.1 * part)
    assert memory.under == near(0.05 + 0.05 * part)
    assert (memory.feed, memory.drawn) == (near(3.0 + part), near(8.0 + part))
    assert (memory.plant_flow, memory.plant_under) == (near(0.4 + 0.4 * part), near(0.2 + 0.2 * part))
    # A flow that is not measured any more is not known any more; solids change slowly and stand until measured again.
    observe(TANK, memory, seen(7), Conditions())
    assert (memory.flow, memory.under, memory.plant_flow) == (None, None, None)
    assert (memory.feed, memory.drawn) == (near(3.0 + part), near(8.0 + part))


def test_what_came_in_and_went_out_is_summed_over_time() -> None:
    steady = Conditions(flow=0.1, return_flow=0.05, feed_solids=3.0, return_solids=8.0)
    memory = followed((0, 1.0, steady), (30, 1.0, steady))
    # 0.1 m³/s over 360 m² is 1 m/h: (1 + 0.5)·3 kg/(m²·h) come, 0.5·8 go, over half an hour.
    assert memory.total_in == near(2.25)
    assert memory.total_out == near(2.0)
    assert memory.total_basin == near(0.5 * (0.5 * 8.0 - 1.5 * 3.0))


def test_after_an_hour_of_silence_nothing_is_compared_across_it() -> None:
    steady = Conditions(flow=0.1, return_flow=0.05)
    memory = followed((0, 1.0, steady), (15, 1.0, steady))
    assert len(memory.moments) == 2
    observe(TANK, memory, seen(75), steady)
    assert len(memory.moments) == 3
    total = memory.total_in
    observe(TANK, memory, seen(136, height=2.0), steady)
    assert len(memory.moments) == 1
    assert memory.total_in == total
    assert memory.usual_height == 1.0


def test_the_usual_height_follows_over_three_days() -> None:
    memory = followed((0, 1.0, Conditions()), (36, 2.0, Conditions()))
    assert memory.usual_height == near(1.0 + 0.6 / 72.0)


def test_a_moment_is_kept_every_quarter_hour_and_as_many_as_the_farthest_horizon_needs() -> None:
    memory = ForecastMemory()
    for minute in range(0, 12 * 60, 5):
        observe(TANK, memory, seen(minute), Conditions(flow=0.1))
    assert {b.seconds - a.seconds for a, b in zip(memory.moments, memory.moments[1:], strict=False)} == {900.0}
    assert len(memory.moments) == 6 * 4 + 1


def test_the_line_has_a_point_a_minute_however_often_is_looked_and_half_an_hour_of_them() -> None:
    memory = ForecastMemory()
    for looks in range(45 * 3):
        observe(TANK, memory, seen(looks / 3.0), Conditions())
    times = [seconds - T0.timestamp() for seconds, _ in memory.recent]
    assert times == [60.0 * minute for minute in range(14, 45)]
    # What reads high and is not confirmed may be no rise at all.
    observe(TANK, memory, replace(seen(46, 2.0), reason=EstimateReason.READS_HIGH_UNCONFIRMED), Conditions())
    assert memory.recent == []


@pytest.mark.parametrize(
    "estimate", [seen(10, trust=Trust.BLIND), seen(10, height=math.nan), seen(10, sd=math.inf), seen(-1)]
)
def test_what_is_blind_or_past_teaches_nothing(estimate: Estimate) -> None:
    memory = followed((0, 1.0, Conditions()))
    before = memory.to_json()
    observe(TANK, memory, estimate, Conditions(flow=9.0))
    assert memory.to_json() == before


def test_a_pump_that_runs_now_and_then_draws_its_mean() -> None:
    memory = ForecastMemory()
    _smooth_pumping(memory, 0.0, math.inf)
    for minute in range(1, 24 * 60):
        _smooth_pumping(memory, 0.012 if minute % 60 < 10 else 0.0, 1 / 60)
    assert memory.under_mean == near(0.002, rel=0.05)
    assert memory.drawing_hours == near(24.0, abs=0.1)
    # At first it is the plain mean of what was seen.
    young = ForecastMemory()
    _smooth_pumping(young, 0.0, math.inf)
    _smooth_pumping(young, 0.01, 0.5)
    assert young.under_once == near(0.01)
    _smooth_pumping(young, 0.04, 0.5)
    assert young.under_once == near(0.025)
    # A gap, or no word, begins anew.
    _smooth_pumping(young, 0.03, 1.1)
    assert (young.under_once, young.under_mean, young.drawing_hours) == (0.03, 0.03, 0.0)
    _smooth_pumping(young, None, 0.1)
    assert (young.under_once, young.under_mean) == (None, None)


# --- streams, patterns, balance ---------------------------------------------------------------------------------------


def test_streams_are_flows_over_the_area() -> None:
    memory = ForecastMemory(flow=0.1, under=0.05, feed=3.0, drawn=8.0)
    assert streams_of(TANK, memory, 0.05) == Streams(
        over=near(1.0), under=near(0.5), feed=3.0, drawn=8.0, basin_over=near(1.0), basin_under=near(0.5)
    )  # fmt: skip
    memory.plant_flow, memory.plant_under, memory.usual_share = 0.4, 0.1, 0.25
    found = streams_of(TANK, memory, 0.05)
    assert found is not None
    assert (found.basin_over, found.basin_under) == (near(1.0), near(0.25))
    assert streams_of(TANK, ForecastMemory(under=0.05), 0.05) is None


@pytest.mark.parametrize(("tank", "feed"), [(TANK, 3.0), (PRIMARY, 0.2), (replace(TANK, kind=TankKind.THICKENER), 8.0)])
def test_gaps_are_filled_with_what_is_usual(tank: Tank, feed: float) -> None:
    found = streams_of(tank, ForecastMemory(flow=0.1), None)
    assert found is not None
    assert found.feed == feed
    if tank.kind is TankKind.SECONDARY:
        # Half the flow comes back, and what comes in goes out: (1 + 1/2)/(1/2) times the feed.
        assert (found.under, found.drawn) == (near(0.5), near(9.0))
    else:
        assert (found.under, found.drawn) == (0.0, near(2.0 * feed))


def day_seen(mean: float) -> FlowHabit:
    return FlowHabit(bins=[mean] * 24, seen=[4.0] * 24)


@pytest.mark.parametrize(
    ("flow", "under", "pattern"),
    [
        (0.1, 0.05, Pattern.NOTHING_UNUSUAL), (0.134, 0.05, Pattern.NOTHING_UNUSUAL), (0.136, 0.05, Pattern.FLOW_SURGE),
        (0.1, 0.0351, Pattern.NOTHING_UNUSUAL), (0.1, 0.0349, Pattern.RETURN_LOW), (0.1, 0.01251, Pattern.RETURN_LOW),
        (0.1, 0.01249, Pattern.RETURN_LOST), (0.2, 0.0, Pattern.RETURN_LOST), (0.2, None, Pattern.FLOW_SURGE),
    ],
)  # fmt: skip
def test_a_third_more_flow_is_a_surge_and_a_quarter_of_the_return_is_lost(
    flow: float, under: float | None, pattern: Pattern
) -> None:
    memory = ForecastMemory(
        time=T0.timestamp(),
        flow=flow,
        under=under,
        under_mean=9.0,
        flow_habit=day_seen(0.1),
        return_habit=day_seen(0.05),
    )
    assert pattern_now(TANK, memory) is pattern
    pumped = replace(memory, under=9.0, under_mean=under)
    assert pattern_now(PRIMARY, pumped) is pattern


def test_what_is_usual_is_not_known_before_six_hours_of_quarters() -> None:
    young = FlowHabit(bins=[0.1] * 24, seen=[1.0] * 24)
    memory = ForecastMemory(time=T0.timestamp(), flow=0.2, under=0.0, flow_habit=young, return_habit=young)
    assert pattern_now(TANK, memory) is Pattern.NOTHING_UNUSUAL
    older = FlowHabit(bins=[0.1] * 24, seen=[1.05] * 24)
    assert pattern_now(TANK, replace(memory, flow_habit=older)) is Pattern.FLOW_SURGE
    assert pattern_now(TANK, replace(memory, return_habit=older)) is Pattern.RETURN_LOST
    assert pattern_now(TANK, replace(memory, flow=None)) is Pattern.NOT_KNOWN


def test_an_answer_no_tank_can_give_is_not_believed() -> None:
    memory = ForecastMemory()
    memory.rise.mean[:] = memory.dilution.mean[:] = memory.thickening.mean[:] = -9.0
    assert response_of(memory) == Response(rise_in=0.01, fall_out=0.01, dilution=0.0, thickening=0.0)
    memory.rise.mean[:] = memory.dilution.mean[:] = memory.thickening.mean[:] = 9.0
    assert response_of(memory) == Response(rise_in=0.6, fall_out=0.6, dilution=1.0, thickening=0.4)
    memory.rise.mean[:] = (0.2, 0.3)
    assert (response_of(memory).rise_in, response_of(memory).fall_out) == (0.2, 0.3)


def euler(kind: TankKind, ratios: list[float]) -> list[float]:
    """The three balances as they are written, blanket, basin and underflow, a quarter hour at a time."""
    height, feed, drawn, path = 1.0, 3.5, 9.0, []
    for ratio in ratios:
        come, go = (0.5 * ratio + 0.25) * feed, 0.25 * drawn
        lost = (0.6 * ratio + 0.3) * feed - 0.3 * drawn
        height += 0.25 * (0.12 * come - 0.10 * go)
        if kind is TankKind.SECONDARY:
            feed -= 0.25 * 0.2 * lost
        drawn += 0.25 * 0.3 * (come - go)
        path.append(height)
    return path


@pytest.mark.parametrize("kind", [TankKind.SECONDARY, TankKind.PRIMARY])
def test_the_balance_carried_forward_is_the_sum_of_its_steps(kind: TankKind) -> None:
    streams = Streams(over=0.5, under=0.25, feed=3.5, drawn=9.0, basin_over=0.6, basin_under=0.3)
    response = Response(rise_in=0.12, fall_out=0.10, dilution=0.2, thickening=0.3)
    ratios = [1.0, 1.4, 1.8, 1.2, 0.7]
    assert carry_forward(1.0, streams, ratios, response, kind, -1.0, 4.0) == near(euler(kind, ratios))
    assert streams.basin_gain == near(0.3 * 9.0 - 0.9 * 3.5)


def test_the_underflow_stays_between_half_and_twice_what_it_was() -> None:
    strong = Response(rise_in=0.0, fall_out=1.0, dilution=0.0, thickening=90.0)
    more = Streams(over=9.0, under=0.1, feed=3.0, drawn=8.0, basin_over=0.0, basin_under=0.0)
    path = carry_forward(3.9, more, [1.0] * 3, strong, TankKind.PRIMARY, -9.0, 4.0)
    assert path == near([3.9 - 0.25 * 0.8, 3.9 - 0.25 * 0.8 * 3, 3.9 - 0.25 * 0.8 * 5])
    less = replace(more, over=0.0, feed=0.1)
    path = carry_forward(3.9, less, [1.0] * 3, strong, TankKind.PRIMARY, -9.0, 4.0)
    assert path == near([3.9 - 0.25 * 0.8, 3.9 - 0.25 * 0.8 * 1.5, 3.9 - 0.25 * 0.8 * 2])


def test_a_basin_never_runs_out_of_solids_altogether() -> None:
    thin = Response(rise_in=1.0, fall_out=0.0, dilution=50.0, thickening=0.0)
    streams = Streams(over=0.5, under=0.0, feed=3.0, drawn=0.0, basin_over=0.5, basin_under=0.0)
    path = carry_forward(0.0, streams, [1.0] * 2, thin, TankKind.SECONDARY, -1.0, 4.0)
    assert path == near([0.375, 0.375 + 0.25 * 0.5 * 0.05])


# --- expectation, errors, lessons -------------------------------------------------------------------------------------


def test_the_features_are_the_balance_the_fading_rate_and_the_habits() -> None:
    six_in_the_morning = 6 * 3600.0
    carried = tuple(0.1 * h for h in HORIZONS)
    rows = Expectation(six_in_the_morning, carried, 0.3, -0.2, Pattern.NOTHING_UNUSUAL).features()
    for row, horizon in zip(rows, HORIZONS, strict=True):
        share = horizon / 6.0
        reach = 1.5 * (1.0 - math.exp(-horizon / 1.5))  # of a rate that fades over an hour and a half
        assert row == near([0.1 * horizon, 0.3 * reach, -0.2 * share, share, 0.0, share, 0.0], abs=1e-12)
    for pattern in (Pattern.RETURN_LOST, Pattern.RETURN_LOW):
        other = Expectation(six_in_the_morning, carried, 0.3, -0.2, pattern).features()
        assert other[:, 6] == near(rows[:, 0])
        assert other[:, 0] == near(0.0)
        assert foreseen(other) == near(np.asarray(carried))
    assert foreseen(-rows) == near(np.asarray(carried))


def test_without_flows_the_whole_observed_rate_is_unexplained() -> None:
    memory = ForecastMemory(time=0.0, height=1.2, rate=0.3, usual_height=1.0)
    found = expect(TANK, memory, 0.0)
    assert found.carried == near((0.0,) * len(HORIZONS))
    assert (found.unexplained, found.away) == (0.3, near(0.2))
    assert expect(TANK, replace(memory, usual_height=None), 0.0).away == 0.0


def test_with_flows_the_balance_explains_its_part_of_the_rate() -> None:
    memory = ForecastMemory(time=0.0, height=1.0, rate=0.3, flow=0.1, under=0.05, feed=3.0, drawn=8.0)
    found = expect(TANK, memory, 0.0)
    assert found.unexplained == near(0.3 - 0.16 * (1.5 * 3.0 - 0.5 * 8.0))
    streams = streams_of(TANK, memory, 0.05)
    assert streams is not None
    path = carry_forward(1.0, streams, [1.0] * 24, response_of(memory), TANK.kind, TANK.lowest_height, 4.0)
    assert found.carried == near([path[round(4 * h) - 1] - 1.0 for h in HORIZONS])


def test_typical_errors_are_a_line_fitted_by_least_squares() -> None:
    rng = np.random.default_rng(4)
    changes, errors = rng.uniform(0.0, 1.0, 60), rng.uniform(0.05, 0.3, 60)
    which = np.array([1])
    typical = TypicalError(np.zeros((2, 5)), np.ones(2))
    rows = np.stack([np.ones(60), changes, changes**2, errors, errors * changes], axis=1)
    typical.sums[1] = rows.sum(axis=0)
    slope, always = np.polyfit(changes, errors, 1)
    found = typical.typical(np.array([0.4]), which)
    # Mean absolute deviation to standard deviation of a normal: √(π/2) = 1.2533.
    assert found[0] == near(math.sqrt(math.pi / 2) * (always + max(slope, 0.0) * 0.4), rel=1e-4)
    typical.sums[1] = [60.0, 30.0, 20.0, 6.0, 1.0]  # falls with the change: taken for level
    assert typical.typical(np.array([0.0, 1.0])[1:], which)[0] == near(1.2533 * 0.1)
    typical.sums[1] = [60.0, 30.0, 20.0, 0.0, 0.0]
    assert typical.typical(np.array([1.0]), which)[0] == near(1.2533 * 0.003)


def test_prior_errors_are_those_they_are_made_from() -> None:
    always = np.array([0.05, 0.2])
    prior = TypicalError.from_prior(always, 0.25)
    assert prior.typical(np.array([0.0, 0.0])) == near(1.2533 * always)
    assert prior.typical(np.array([0.5, 1.0])) == near(1.2533 * (always + 0.25 * np.array([0.5, 1.0])))
    # Worth a day of quarter hours, an hour's worth of each size, each by the inverse square of its error.
    assert prior.sums[0, 0] == near(24.0 * sum((0.05 + 0.25 * c) ** -2 for c in (0.0, 0.1, 0.5, 1.0)))


def test_errors_are_learned_and_old_ones_fade_over_a_month_of_quarter_hours() -> None:
    typical = TypicalError.from_prior(np.array([0.05, 0.05]), 0.25)
    which = np.array([0])
    before = typical.sums.copy()
    typical.learn(np.array([0.4]), np.array([0.3]), which)
    weight = 1.0 / (0.05 + 0.25 * 0.4) ** 2
    fresh = weight * np.array([1.0, 0.4, 0.16, 0.3, 0.12])
    assert typical.sums[0] == near(before[0] * (1 - 1 / 3000) + fresh)
    assert typical.sums[1] == near(before[1])


def test_the_interval_is_stretched_until_nine_in_ten_fall_inside() -> None:
    rng = np.random.default_rng(1)
    typical = TypicalError.from_prior(np.array([0.05]), 0.25)
    errors = rng.standard_t(3, 8_000) / math.sqrt(3) * 1.5
    inside = []
    for error in errors:
        inside.append(abs(error) < 1.6449 * typical.stretch[0])
        typical.calibrate(np.array([inside[-1]]), np.array([0]))
    assert np.mean(inside[2_000:]) == near(0.9, abs=0.02)
    for outcome, bound in ((True, 1.0), (False, 1.8)):
        for _ in range(700):
            typical.calibrate(np.array([outcome]), np.array([0]))
        assert typical.stretch[0] == bound


def moment(seconds: float, height: float = 1.0, **more: float) -> Moment:
    values: dict[str, float | None] = {
        "sd": 0.0, "flow": 0.1, "feed": 3.0, "drawn": 8.0, "total_in": 0.0, "total_out": 0.0, "total_basin": 0.0
    }  # fmt: skip
    expected = Expectation(seconds, (0.1,) * len(HORIZONS), 0.0, 0.0, Pattern.NOTHING_UNUSUAL)
    return Moment(seconds=seconds, height=height, expected=expected, **(values | more))  # type: ignore[arg-type]


def test_only_the_horizons_that_were_foretold_learn() -> None:
    memory = ForecastMemory(time=3600.0, height=1.3, moments=[moment(0.0), moment(1800.0)])
    before = memory.corrections.mean.copy()
    learn_outcome(memory, 3600.0)
    moved = np.abs(memory.corrections.mean - before).max(axis=1) > 0.0
    assert [h for h, changed in zip(HORIZONS, moved, strict=True) if changed] == [0.5, 1.0]
    # The blanket rose more than the balance foretold: the balance is worth more than was thought.
    assert memory.corrections.mean[2, 0] > before[2, 0]
    untouched = ForecastMemory(height=1.3, moments=[moment(0.0)])
    learn_outcome(untouched, 3600.0 * 7)
    assert untouched.corrections.mean == near(before)


@pytest.mark.parametrize(("off", "found"), [(299.0, True), (-299.0, True), (301.0, False), (-301.0, False)])
def test_a_moment_is_found_within_five_minutes(off: float, found: bool) -> None:
    memory = ForecastMemory(moments=[moment(0.0), moment(3600.0), moment(7200.0)])
    assert (memory.moment_at(3600.0 + off) is not None) is found


def test_a_tank_that_rises_more_per_solids_is_learned() -> None:
    memory = ForecastMemory(height=1.5, sd=0.01, total_in=2.0, total_out=0.0)
    streams = Streams(over=1.0, under=0.5, feed=3.0, drawn=8.0, basin_over=1.0, basin_under=0.5)
    for _ in range(400):
        learn_balance(memory, moment(0.0, height=1.0), None, streams)
    assert memory.rise.mean[0] == near(0.25, rel=0.02)  # 0.5 m by 2 kg/m²
    falling = ForecastMemory(height=0.8, total_out=1.0)
    for _ in range(400):
        learn_balance(falling, moment(0.0, height=1.0), None, streams)
    assert falling.rise.mean[1] == near(0.2, rel=0.02)


def test_dilution_and_thickening_are_learned_from_solids_probes() -> None:
    memory = ForecastMemory(feed=2.4, drawn=9.0, total_basin=-2.0, total_in=5.0, total_out=1.0)
    streams = Streams(over=1.0, under=0.5, feed=3.0, drawn=8.0, basin_over=1.0, basin_under=0.5)
    earlier = moment(0.0, feed=3.0, drawn=8.0)
    for _ in range(3000):
        learn_balance(memory, None, earlier, streams)
    assert memory.dilution.mean[0] == near(0.3, rel=0.03)  # 0.6 kg/m³ less by 2 kg/m² lost
    assert memory.thickening.mean[0] == near(0.25, rel=0.03)  # 1 kg/m³ more by 4 kg/m² stored
    still = ForecastMemory(feed=2.4, drawn=9.0, total_in=5.0)
    learn_balance(still, None, earlier, replace(streams, under=0.02))
    assert still.thickening.mean[0] == 0.10  # next to nothing drawn says nothing of what is drawn


# --- the forecast itself ----------------------------------------------------------------------------------------------


def test_a_forecast_is_given_for_an_hour_after_the_last_word() -> None:
    memory = followed((0, 1.0, Conditions()))
    assert forecast(TANK, memory, T0 + timedelta(hours=1)) is not None
    assert forecast(TANK, memory, T0 + timedelta(hours=1, seconds=1)) is None


def test_the_spread_joins_typical_error_doubt_of_now_and_doubt_of_the_coefficients() -> None:
    memory = followed((0, 1.0, Conditions(flow=0.1, return_flow=0.05, feed_solids=3.5, return_solids=8.0)))
    memory.sd, memory.errors.stretch[:] = 0.2, 1.5
    made = forecast(TANK, memory, T0)
    assert made is not None
    features = expect(TANK, memory, T0.timestamp()).features()
    for i in range(len(HORIZONS)):
        change = float(features[i] @ memory.corrections.mean[i])
        unsure = float(features[i] @ memory.corrections.cov[i] @ features[i])
        always = 0.012 + 0.022 * HORIZONS[i] ** 0.7
        error = 1.2533 * (always + 0.25 * abs(features[i, 0]))
        assert made.mean[i] == near(1.0 + change)
        assert made.spread[i] == near(1.5 * math.sqrt(error**2 + 0.2**2 + unsure), rel=1e-6)


def test_no_forecast_leaves_the_tank() -> None:
    memory = followed((0, 3.9, Conditions()))
    memory.rate = 5.0
    made = forecast(TANK, memory, T0)
    assert made is not None
    assert max(made.mean) == 4.0
    memory.rate, memory.height = -5.0, 0.0
    made = forecast(TANK, memory, T0)
    assert made is not None
    assert min(made.mean) == near(-0.4)  # 40 m at 1 %


def distribution(mean: float = 1.0, sd: float = 0.2, now_sd: float = 0.05) -> Forecast:
    return Forecast(
        tank="t", made_at=T0, height=0.5, sd=now_sd, mean=(mean,) * len(HORIZONS), spread=(sd,) * len(HORIZONS),
        pattern=Pattern.NOTHING_UNUSUAL, ceiling=4.0,
    )  # fmt: skip


def test_quantiles_are_the_normal_distributions_and_times_those_of_the_straight_way_between() -> None:
    made = distribution()
    assert made.quantile(2.0, 0.95) == near(norm.ppf(0.95, 1.0, 0.2))
    assert made.at(0.125) == (near(0.75), near(0.125))
    # At 0.8 m after (0.3/0.5) of the first quarter hour.
    assert made.time_to(0.8).likely == near(0.15)
    for share, name in ((0.9, "early"), (0.1, "late"), (0.8, "cautious")):
        z = norm.ppf(share)
        start, end = 0.5 + z * 0.05, 1.0 + z * 0.2
        level = 0.6
        wanted = math.inf if end < level else 0.25 * (level - start) / (end - start)
        assert getattr(made.time_to(level), name) == near(wanted)
    assert made.time_to(0.5).likely == 0.0


def test_a_forecast_in_words() -> None:
    made = distribution()
    low, high = 1.0 - 1.6449 * 0.2, 1.0 + 1.6449 * 0.2
    assert spread(TANK, made, 2.0) == near((1.0, low, high), abs=1e-4)
    assert spread(TANK, distribution(mean=-0.3), 2.0) == near((-0.3, -0.4, -0.3 + 1.6449 * 0.2), abs=1e-4)
    assert clear_water_words(TANK, made, 2.0, "si") == f"3.00 m under the weir ({4 - high:.2f} to {4 - low:.2f} m)"
    over = distribution(mean=3.9, sd=0.5)
    assert clear_water_words(TANK, over, 2.0, "si") == "0.10 m under the weir (0.00 to 0.92 m)"
    assert reaching_words(made, 0.4) == "reached already"
    assert reaching_words(made, 0.75) == "in about 7 min"
    assert reaching_words(made, 1.2) == "not within 6 h, though it may be in 13 min"
    assert reaching_words(made, 3.0) == "not within 6 h"


# --- what if ----------------------------------------------------------------------------------------------------------

STEADY = Conditions(flow=0.1, return_flow=0.05, feed_solids=3.5, return_solids=8.0)


def shift(change: PlantChange, height: float = 1.0) -> list[float]:
    base, changed = what_if(TANK, followed((0, height, STEADY)), T0, change)
    return [after - before for after, before in zip(changed.mean, base.mean, strict=True)]


def expected_shift(height: float, over: list[float], under: float) -> list[float]:
    """What the two balances differ by, weighed by the trust in the balance: 0.9 before anything was learned."""
    response = Response(rise_in=0.16, fall_out=0.16, dilution=0.18, thickening=0.10)

    def path(ratios: list[float], drawn_off: float) -> list[float]:
        streams = Streams(over=1.0, under=drawn_off, feed=3.5, drawn=8.0, basin_over=1.0, basin_under=drawn_off)
        return carry_forward(height, streams, ratios, response, TANK.kind, TANK.lowest_height, 4.0)

    before, after = path([1.0] * 24, 0.5), path(over, under)
    return [0.9 * (after[round(4 * h) - 1] - before[round(4 * h) - 1]) for h in HORIZONS]


def test_what_a_change_does_is_what_the_two_balances_differ_by() -> None:
    assert shift(PlantChange()) == near([0.0] * len(HORIZONS), abs=1e-12)
    # 0.02 m³/s more over 360 m² draw 0.2 m/h more.
    assert shift(PlantChange(return_added=0.02)) == near(expected_shift(1.0, [1.0] * 24, 0.7))
    assert shift(PlantChange(flow_factor=1.3)) == near(expected_shift(1.0, [1.3] * 24, 0.5))
    storm = [1.0] * 4 + [1.5] * 8 + [1.0] * 12
    assert shift(PlantChange(storm_flow=0.05, storm_start=1.0, storm_hours=2.0)) == near(
        expected_shift(1.0, storm, 0.5)
    )


def test_a_quarter_of_what_a_change_does_is_added_to_the_doubt() -> None:
    base, changed = what_if(TANK, followed((0, 1.0, STEADY)), T0, PlantChange(flow_factor=1.3))
    for i in range(len(HORIZONS)):
        assert changed.spread[i] == near(math.hypot(base.spread[i], 0.25 * (changed.mean[i] - base.mean[i])))


def test_a_change_that_cannot_be_is_refused() -> None:
    memory = followed((0, 1.0, STEADY))
    for change in (PlantChange(flow_factor=-0.1), PlantChange(storm_hours=-1.0), PlantChange(return_added=-0.051)):
        with pytest.raises(DomainError):
            what_if(TANK, memory, T0, change)
    assert what_if(TANK, memory, T0, PlantChange(flow_factor=0.0, return_added=-0.0499))
    with pytest.raises(DomainError, match="no flow is known"):
        what_if(TANK, followed((0, 1.0, Conditions())), T0, PlantChange())


def test_a_balance_that_proved_worthless_still_counts_a_third_and_one_that_proved_strong_a_fifth_more() -> None:
    for worth, kept in ((0.0, 0.3), (5.0, 1.2)):
        memory = followed((0, 1.0, STEADY))
        memory.corrections.mean[:, 0] = worth
        base, changed = what_if(TANK, memory, T0, PlantChange(flow_factor=1.3))
        wanted = np.asarray(expected_shift(1.0, [1.3] * 24, 0.5)) / 0.9 * kept
        free = [i for i, mean in enumerate(changed.mean) if TANK.lowest_height < mean < 4.0]
        assert [changed.mean[i] - base.mean[i] for i in free] == near([wanted[i] for i in free])


def test_a_rise_without_precedent_goes_on_and_a_step_does_not() -> None:
    calm = [(minute, 1.0, Conditions()) for minute in range(600)]
    risen = [(600 + minute, 1.0 + 0.9 * minute / 60.0, Conditions()) for minute in range(35)]
    line = forecast(TANK, followed(*calm, *risen), T0 + timedelta(minutes=634)).line  # type: ignore[union-attr]
    assert line is not None
    assert line.rate == near(0.9, abs=0.05)
    assert line.height == near(1.0 + 0.9 * 34 / 60.0, abs=0.02)
    stepped = [(600 + minute, 1.4, Conditions()) for minute in range(15)]
    assert forecast(TANK, followed(*calm, *stepped), T0 + timedelta(minutes=614)).line is None  # type: ignore[union-attr]


def test_what_the_tank_does_every_day_has_a_precedent() -> None:
    daily = [(minute, 1.0 + 0.5 * abs((minute % 120) / 60.0 - 1.0), Conditions()) for minute in range(5 * 1440 + 110)]
    memory = followed(*daily)
    assert memory.usual_rate_var > 0.1**2
    assert forecast(TANK, memory, T0 + timedelta(minutes=5 * 1440 + 109)).line is None  # type: ignore[union-attr]


def test_what_reads_high_and_is_not_confirmed_is_no_line() -> None:
    memory = followed(*[(minute, 1.0 + 0.9 * minute / 60.0, Conditions()) for minute in range(40)])
    assert memory.recent
    observe(TANK, memory, replace(seen(41, 1.6), reason=EstimateReason.READS_HIGH_UNCONFIRMED), Conditions())
    assert not memory.recent
