"""The demonstration's night must really hold the story it tells."""

from __future__ import annotations

import numpy as np
import pytest

from service.simulator.coring import Blunder
from service.simulator.scenario import Recording, run
from service.simulator.sensor import SampleCause, head_over_weir
from service.simulator.storm_night import HIGH_CLEARANCE, HIGH_HIGH_CLEARANCE, SEED, storm_night


@pytest.fixture(scope="module")
def night() -> Recording:
    return run(storm_night(), SEED)


def first_above(seconds: np.ndarray, height: np.ndarray, limit: float) -> int | None:
    above = np.flatnonzero(height > limit)
    return int(seconds[above[0]]) if above.size else None


def raw_height(night: Recording, tank: int) -> np.ndarray:
    record = night.sensors[tank]
    flow = np.interp(record.seconds, night.truth.seconds, night.truth.effluent[tank])
    spec = night.scenario.plant.tanks[tank]
    return spec.side_water_depth + head_over_weir(flow, spec) - record.value


def test_worse_tank_crosses_both_limits_and_the_other_neither(night: Recording) -> None:
    depth = night.scenario.plant.tanks[1].side_water_depth
    high = first_above(night.truth.seconds, night.truth.height[1], depth - HIGH_CLEARANCE)
    high_high = first_above(night.truth.seconds, night.truth.height[1], depth - HIGH_HIGH_CLEARANCE)
    assert high is not None
    assert high_high is not None
    assert high_high - high > 30 * 60
    assert first_above(night.truth.seconds, night.truth.height[0], depth - HIGH_CLEARANCE) is None


def test_raw_sensor_would_have_called_late_or_never(night: Recording) -> None:
    depth = night.scenario.plant.tanks[1].side_water_depth
    record = night.sensors[1]
    echo = record.label == SampleCause.BLANKET
    raw = raw_height(night, 1)[echo]
    high = first_above(night.truth.seconds, night.truth.height[1], depth - HIGH_CLEARANCE)
    raw_high = first_above(record.seconds[echo], raw, depth - HIGH_CLEARANCE)
    assert high is not None
    assert raw_high is not None
    assert raw_high - high > 20 * 60
    assert first_above(record.seconds[echo], raw, depth - HIGH_HIGH_CLEARANCE) is None


def test_cores_tell_the_truth_but_for_the_staged_blunder(night: Recording) -> None:
    drop = night.scenario.plant.tanks[0].floor_slope * night.scenario.cores.distance_from_wall
    honest = [core for core in night.cores if core.blunder is Blunder.NONE]
    errors = [core.thickness - drop - core.true_height for core in honest]
    assert max(abs(error) for error in errors) < 0.25
    assert [core.blunder for core in night.cores if core.blunder is not Blunder.NONE] == [Blunder.WRONG_UNIT]


def test_solids_go_over_the_weir_of_the_worse_tank(night: Recording) -> None:
    assert night.truth.effluent_solids[1].max() > 0.1
    assert night.truth.effluent_solids[0].max() < 0.03
