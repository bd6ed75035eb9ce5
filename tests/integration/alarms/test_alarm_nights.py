"""Nights of random failures and answers through the real jobs: nothing lost, nobody talked out of a danger, somebody reached."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import Engine

from tests.conftest import THOROUGH
from tests.support.alarm_nights import Night, plant_of_nights


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("first", range(0, 100 * THOROUGH, 100))
def test_whatever_happens_the_promises_hold(engine: Engine, tmp_path: Path, first: int) -> None:
    plant = plant_of_nights(engine, tmp_path)
    outcomes = [Night(plant, seed, tmp_path).live() for seed in range(first, first + 3)]
    assert [(o.seed, o.promises_broken) for o in outcomes] == [(o.seed, []) for o in outcomes]
    assert any(o.received for o in outcomes)
