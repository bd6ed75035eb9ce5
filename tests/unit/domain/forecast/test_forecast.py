"""The forecaster on a simulated tank: it learns, it beats what anybody could draw by hand, and it knows what is going on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.diagnosis.what_if import PlantChange, what_if
from service.domain.forecast.forecast import forecast, observe, pattern_now
from service.domain.forecast.outlook import HORIZONS, Pattern
from service.domain.forecast.state import ForecastMemory
from service.domain.loading.balance import Conditions
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.errors import DomainError
from service.simulator.plant import PumpTrip, SimPlant, SimTank
from service.simulator.scenario import Recording, Scenario, run
from service.simulator.weather import Storm, Weather

DAYS = 8
TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=24.384, side_water_depth=4.2672,
    floor_slope=1 / 12,
)  # fmt: skip
STORM_AT, TRIP_AT = 24.0 * 6 + 3.0, 24.0 * 7 + 5.0


@pytest.fixture(scope="module")
def recording() -> Recording:
    plant = SimPlant(
        tanks=(SimTank(name="T", diameter=24.384, side_water_depth=4.2672),),
        mixed_liquor=3.7,
        basin_volume=2800.0,
        settleability=145.0,
        trips=(PumpTrip(tank=0, start=TRIP_AT, hours=6.0),),
    )
    weather = Weather(mean_flow=320.0, storms=(Storm(start=STORM_AT, peak=1.4, rise=1.5, hold=5.0),))
    return run(Scenario(name="forecast", plant=plant, weather=weather, sensors=(), hours=24.0 * DAYS), 21)


Step = tuple[datetime, Estimate, Conditions]


def steps(recording: Recording, every: int = 5, flows: bool = True) -> Iterator[Step]:
    """What would be observed: the true height with a few centimetres of error, and the measured channels."""
    rng = np.random.default_rng(8)
    truth = recording.truth
    flow, back = recording.channel("flow", 0).value, recording.channel("return_flow", 0).value
    feed, drawn = recording.channel("feed_solids"), recording.channel("return_solids", 0)
    for minute in range(30, truth.seconds.size, every):
        at = datetime.fromtimestamp(int(truth.seconds[minute]), UTC)
        rate = (truth.height[0, minute] - truth.height[0, minute - 30]) * 2.0
        estimate = Estimate(
            tank="t",
            time=at,
            height=float(truth.height[0, minute] + 0.015 * rng.standard_normal()),
            sd=0.02,
            rate=float(rate),
            trust=Trust.GOOD,
            reason=EstimateReason.SENSOR,
        )
        conditions = Conditions()
        if flows:
            conditions = Conditions(
                flow=float(flow[minute]),
                return_flow=float(back[minute]),
                feed_solids=float(feed.value[np.searchsorted(feed.seconds, truth.seconds[minute], "right") - 1]),
                return_solids=float(drawn.value[np.searchsorted(drawn.seconds, truth.seconds[minute], "right") - 1]),
            )
        yield at, estimate, conditions


def taught(recording: Recording, until: float, flows: bool = True) -> ForecastMemory:
    memory = ForecastMemory()
    end = recording.truth.seconds[0] + until * 3600.0
    for at, estimate, conditions in steps(recording, flows=flows):
        if at.timestamp() > end:
            break
        observe(TANK, memory, estimate, conditions)
    return memory


Remembered = dict[float, dict[str, Any]]


@pytest.fixture(scope="module")
def remembered(recording: Recording) -> Remembered:
    """The forecaster's memory at the times the tests ask about, from one pass over the recording."""
    memory = ForecastMemory()
    waiting = [30.0, STORM_AT - 0.5, STORM_AT + 1.0, TRIP_AT + 0.5, TRIP_AT + 1.0]
    found: Remembered = {}
    for at, estimate, conditions in steps(recording):
        if waiting and at.timestamp() > recording.truth.seconds[0] + waiting[0] * 3600.0:
            found[waiting.pop(0)] = memory.to_json()
        observe(TANK, memory, estimate, conditions)
    return found


def test_nothing_observed_nothing_said() -> None:
    assert forecast(TANK, ForecastMemory(), datetime(2031, 1, 1, tzinfo=UTC)) is None
    assert pattern_now(TANK, ForecastMemory()) is Pattern.NOT_KNOWN


def test_better_than_staying_and_than_a_straight_line(recording: Recording) -> None:
    memory = ForecastMemory()
    errors: dict[float, list[tuple[float, float, float]]] = {1.0: [], 3.0: [], 6.0: []}
    inside = []
    begin = recording.truth.seconds[0] + 4 * 86_400
    last = int(recording.truth.seconds[-1])
    for number, (at, estimate, conditions) in enumerate(steps(recording)):
        observe(TANK, memory, estimate, conditions)
        if number % 6 or at.timestamp() < begin:
            continue
        made = forecast(TANK, memory, at)
        assert made is not None
        for hours, found in errors.items():
            then = int(at.timestamp() + hours * 3600)
            if then > last:
                continue
            true = float(recording.truth_at(0, np.array([then]))[0])
            line = estimate.height + estimate.rate * hours
            found.append((abs(made.at(hours)[0] - true), abs(estimate.height - true), abs(line - true)))
            inside.append(made.quantile(hours, 0.05) <= true <= made.quantile(hours, 0.95))
    for found in errors.values():
        ours, staying, straight = np.mean(found, axis=0)
        assert ours < 0.8 * staying
        assert ours < 0.8 * straight
    assert 0.75 < np.mean(inside) < 0.98


def test_balance_of_the_tank_is_learned(recording: Recording, remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[STORM_AT - 0.5])
    true = TANK.area / recording.scenario.plant.basin_volume
    assert memory.dilution.mean[0] == pytest.approx(true, rel=0.4)
    assert 0.1 < memory.rise.mean[0] < 0.3


def test_lost_return_is_recognised_at_once_and_foreseen(recording: Recording, remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[TRIP_AT + 0.5])
    assert pattern_now(TANK, memory) is Pattern.RETURN_LOST
    made = forecast(TANK, memory, datetime.fromtimestamp(memory.time or 0.0, UTC))
    assert made is not None
    truth = recording.truth_at(0, np.array([int(recording.truth.seconds[0] + (TRIP_AT + 3.5) * 3600)]))[0]
    assert truth - made.height > 0.3
    assert made.at(3.0)[0] - made.height == pytest.approx(truth - made.height, rel=0.4)


def test_storm_is_recognised_while_it_rises(remembered: Remembered) -> None:
    before, during = (ForecastMemory.from_json(remembered[STORM_AT + hours]) for hours in (-0.5, 1.0))
    assert pattern_now(TANK, before) is Pattern.NOTHING_UNUSUAL
    assert pattern_now(TANK, during) is Pattern.FLOW_SURGE


def test_without_flows_it_still_forecasts(recording: Recording) -> None:
    memory = taught(recording, 40.0, flows=False)
    made = forecast(TANK, memory, datetime.fromtimestamp(memory.time or 0.0, UTC))
    assert made is not None
    assert made.pattern is Pattern.NOT_KNOWN
    assert list(made.spread) == sorted(made.spread)
    with pytest.raises(DomainError, match="no flow is known"):
        what_if(TANK, memory, made.made_at, PlantChange(return_added=0.01))


def test_memory_survives_json_exactly(recording: Recording, remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[30.0])
    back = ForecastMemory.from_json(json.loads(json.dumps(memory.to_json())))
    following = [step for step in steps(recording) if step[0].timestamp() > (memory.time or 0.0)][:60]
    for _, estimate, conditions in following:
        observe(TANK, memory, estimate, conditions)
        observe(TANK, back, estimate, conditions)
    at = following[-1][0]
    assert forecast(TANK, memory, at) == forecast(TANK, back, at)
    with pytest.raises(DomainError, match="version"):
        ForecastMemory.from_json({"version": 0})
    with pytest.raises(DomainError, match="damaged"):
        ForecastMemory.from_json({name: value for name, value in memory.to_json().items() if name != "rise"})


def test_long_silence_teaches_nothing(remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[30.0])
    before = memory.corrections.mean.copy()
    at = datetime.fromtimestamp(memory.time or 0.0, UTC) + timedelta(hours=3)
    jumped = Estimate(
        tank="t", time=at, height=3.5, sd=0.02, rate=0.0, trust=Trust.GOOD, reason=EstimateReason.SENSOR
    )  # fmt: skip
    observe(TANK, memory, jumped, Conditions(flow=0.09))
    np.testing.assert_array_equal(memory.corrections.mean, before)
    assert len(memory.moments) == 1


def test_blind_belief_is_passed_over_and_old_news_is_no_forecast(remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[30.0])
    at = datetime.fromtimestamp(memory.time or 0.0, UTC)
    blind = Estimate(
        tank="t", time=at + timedelta(minutes=10), height=0.0, sd=9.0, rate=0.0, trust=Trust.BLIND,
        reason=EstimateReason.BLIND,
    )  # fmt: skip
    observe(TANK, memory, blind, Conditions(flow=0.09))
    assert memory.to_json() == remembered[30.0]
    assert forecast(TANK, memory, at + timedelta(minutes=50)) is not None
    assert forecast(TANK, memory, at + timedelta(minutes=70)) is None


def test_what_if_moves_the_right_way(remembered: Remembered) -> None:
    memory = ForecastMemory.from_json(remembered[TRIP_AT + 1.0])
    now = datetime.fromtimestamp(memory.time or 0.0, UTC)
    base, helped = what_if(TANK, memory, now, PlantChange(return_added=0.06))
    assert helped.at(4.0)[0] < base.at(4.0)[0] - 0.1
    _, drowned = what_if(TANK, memory, now, PlantChange(storm_flow=0.08, storm_hours=4.0))
    assert drowned.at(4.0)[0] > base.at(4.0)[0]
    _, relieved = what_if(TANK, memory, now, PlantChange(flow_factor=0.5))
    assert relieved.at(4.0)[0] < base.at(4.0)[0]
    _, nothing = what_if(TANK, memory, now, PlantChange())
    assert nothing == base
    for bad in (
        PlantChange(return_added=-1.0),
        PlantChange(flow_factor=-1.0),
        PlantChange(storm_flow=0.1, storm_hours=-1.0),
    ):
        with pytest.raises(DomainError):
            what_if(TANK, memory, now, bad)
    assert len(base.mean) == len(HORIZONS)


def test_sludge_pumped_in_cycles_is_no_lost_return() -> None:
    tank = Tank(
        key="p", label="P", kind=TankKind.PRIMARY, shape=TankShape.CIRCULAR, diameter=20.0, side_water_depth=3.5
    )  # fmt: skip
    plant = SimPlant(
        tanks=(SimTank(name="P", diameter=20.0, side_water_depth=3.5),), kind="primary", return_ratio=0.0085,
        pump_cycle=3.0, pump_on=0.2, settleability=100.0, trips=(PumpTrip(tank=0, start=90.0, hours=12.0),),
    )  # fmt: skip
    recording = run(Scenario(name="p", plant=plant, weather=Weather(mean_flow=450.0), sensors=(), hours=101.0), 4)
    memory = ForecastMemory.for_tank(TankKind.PRIMARY)
    patterns: dict[bool, list[Pattern]] = {False: [], True: []}
    for at, estimate, conditions in steps(recording):
        observe(tank, memory, estimate, conditions)
        hours = (at.timestamp() - recording.truth.seconds[0]) / 3600.0
        if hours > 60.0 and not 90.0 <= hours < 98.0:
            patterns[hours >= 98.0].append(pattern_now(tank, memory))
    assert set(patterns[False]) == {Pattern.NOTHING_UNUSUAL}
    assert set(patterns[True]) == {Pattern.RETURN_LOST}
