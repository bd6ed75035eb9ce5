"""The judge of beliefs judged itself: the plants are what they say, and a perfect or a blind belief gets the marks it deserves."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.belief_score import Track, limit, score
from tests.support.rough_plants import KINDS, RoughPlant, rough_plant


@pytest.fixture(scope="module")
def stormy() -> RoughPlant:
    return rough_plant("fast storms", 2, days=20)


def told(plant: RoughPlant, mean: np.ndarray, half: float) -> Track:
    n = plant.minutes
    above = (mean >= plant.danger).astype(float)
    return Track(mean, mean - half, mean + half, above, np.ones(n, dtype=bool), np.full(n, np.inf))


def test_who_knows_the_truth_gets_full_marks(stormy: RoughPlant) -> None:
    marks = score(stormy, told(stormy, stormy.top, 0.01))
    assert (marks.rms, marks.held, marks.held_near, marks.wrong_good) == (0.0, 1.0, 1.0, 0.0)
    assert marks.false_danger == marks.called_off == 0
    assert marks.delays
    assert max(marks.delays) <= 1


def test_who_sees_nothing_of_storms_is_late_and_wrong(stormy: RoughPlant) -> None:
    marks = score(stormy, told(stormy, np.full(stormy.minutes, 0.8), 0.3))
    assert min(marks.delays) == np.inf
    assert marks.held_near < 0.2
    assert marks.wrong_good > 1000


def test_two_parts_of_an_interval_do_not_hold_what_lies_between(stormy: RoughPlant) -> None:
    track = told(stormy, stormy.top, 1.0)
    track.gap_low, track.gap_high = stormy.top - 0.1, stormy.top + 0.1
    assert score(stormy, track).held == 0.0


@pytest.mark.parametrize("kind", KINDS)
def test_a_plant_is_the_same_again_and_as_its_kind_says(kind: str) -> None:
    plant, again = rough_plant(kind, 4, days=12), rough_plant(kind, 4, days=12)
    assert np.array_equal(plant.top, again.top)
    assert np.array_equal(plant.sensors[0].sent, again.sensors[0].sent, equal_nan=True)
    sensor = plant.sensors[0]
    error = sensor.sent - plant.top
    seen = sensor.sees_top
    # Where it is said to see the top it does, but for its offset, its noise and a level that is not the same everywhere.
    assert np.nanquantile(np.abs(error - sensor.offset)[seen], 0.99) < 0.2
    if kind == "units":
        assert np.nanmax(np.abs(error)) > 2.0
    if kind == "stuck":
        assert (np.abs(np.diff(sensor.sent)) < 0.003).mean() > 0.02
    assert 8 <= len(plant.cores) <= 40


def test_the_limit_knows_the_faults() -> None:
    plant = rough_plant("steps", 4, days=12)
    assert score(plant, limit(plant)).rms < 0.05
