"""A recording holds together: the same seed the same plant, side by side or alone, and every channel what it claims."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.errors import DomainError
from service.simulator.library import library
from service.simulator.plant import SimPlant, SimTank
from service.simulator.scenario import Recording, Scenario, run, run_many
from service.simulator.storm_night import SEED, storm_night
from service.simulator.weather import Weather


def short() -> Scenario:
    return replace(storm_night(), hours=3.0, name="short")


def same(a: Recording, b: Recording) -> None:
    np.testing.assert_array_equal(a.truth.height, b.truth.height)
    assert a.cores == b.cores
    for one, other in zip(a.sensors, b.sensors, strict=True):
        np.testing.assert_array_equal(one.value, other.value)
    for mine, yours in zip(a.channels, b.channels, strict=True):
        np.testing.assert_array_equal(mine.value, yours.value)


@pytest.fixture(scope="module")
def alone() -> Recording:
    return run(short(), 5)


def test_same_seed_same_recording(alone: Recording) -> None:
    same(run(short(), 5), alone)


def test_side_by_side_equals_alone_and_other_seeds_differ(alone: Recording) -> None:
    pair = run_many([(short(), 9), (short(), 5)])
    same(pair[1], alone)
    assert not np.array_equal(pair[0].truth.height, alone.truth.height)


def test_unequal_lengths_are_refused() -> None:
    with pytest.raises(DomainError, match="equally long"):
        run_many([(short(), 1), (storm_night(), 2)])


def test_nothing_to_run() -> None:
    assert run_many([]) == []


def test_channels_measure_the_truth_within_their_errors() -> None:
    recording = run(storm_night(), SEED)
    for tank in range(2):
        flow = recording.channel("flow", tank)
        assert np.median(flow.value / (recording.truth.effluent[tank] / 3600.0)) == pytest.approx(1.0, abs=0.06)
    solids = recording.channel("feed_solids")
    true = np.interp(solids.seconds, recording.truth.seconds, recording.truth.feed_solids)
    assert np.median(solids.value / true) == pytest.approx(1.0, abs=0.12)
    with pytest.raises(DomainError, match="no flow channel"):
        recording.channel("flow", 7)


def test_primary_tank_fills_between_pumpings() -> None:
    tank = SimTank(name="P", diameter=20.0, side_water_depth=3.5)
    plant = SimPlant(tanks=(tank,), kind="primary", return_ratio=0.006, pump_cycle=4.0, pump_on=0.15, feed_solids=0.30)
    scenario = Scenario(name="primary", plant=plant, weather=Weather(mean_flow=500.0), sensors=(), hours=24.0)
    truth = run(scenario, 3).truth
    pumping = truth.underflow[0] > 0.0
    rate = np.diff(truth.height[0], prepend=truth.height[0, :1])
    assert rate[pumping].mean() < 0.0 < rate[~pumping].mean()
    assert truth.underflow_solids[0].mean() > 15.0


def test_library_is_large_enough_and_names_every_fault() -> None:
    entries = library()
    assert sum(entry.sensor_months for entry in entries) >= 200.0
    assert len({entry.seed for entry in entries}) == len(entries)
    assert min(sum(entry.fault == fault for entry in entries) for fault in {e.fault for e in entries}) >= 3


def test_part_of_the_library_is_the_same_plants() -> None:
    assert library(("echo",), rounds=1)[0] in library()
