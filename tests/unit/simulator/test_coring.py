"""Simulated cores are honest but for the blunders they are labelled with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from service.simulator.coring import Blunder, CoreRegime, SimulatedCore, take_cores
from service.simulator.scenario import Recording, run
from service.simulator.storm_night import storm_night


@pytest.fixture(scope="module")
def night() -> Recording:
    return run(storm_night(), 11)


def cores(night: Recording, regime: CoreRegime) -> tuple[SimulatedCore, ...]:
    return take_cores(regime, night.scenario.plant, night.truth, 20.0, np.random.default_rng(11))


HONEST = CoreRegime(
    times_of_day=(), extra=(1.0, 3.0, 5.0, 7.0), blunders=0.0, reading_error=0.0, rounding=0.001, late=0.0
)


def test_honest_cores_read_the_blanket_over_the_sloping_floor(night: Recording) -> None:
    for core in cores(night, replace(HONEST, operators=(("A", 0.0),))):
        assert core.thickness == pytest.approx(core.true_height + 4.0 / 12.0, abs=0.06)
        assert core.entered >= core.taken == core.true_taken


@pytest.mark.parametrize("blunder", [b for b in Blunder if b is not Blunder.NONE])
def test_staged_blunder_happens_and_is_labelled(night: Recording, blunder: Blunder) -> None:
    found = [core for core in cores(night, replace(HONEST, staged=((1, blunder),))) if core.blunder is blunder]
    assert len(found) == 1
    core = found[0]
    honest = core.true_height + 4.0 / 12.0
    assert core.tank != core.true_tank or core.taken != core.true_taken or abs(core.thickness - honest) > 0.3


def test_late_entries_come_after_their_time(night: Recording) -> None:
    late = cores(night, replace(HONEST, late=1.0))
    assert min(core.entered - core.taken for core in late) > 2 * 3600
