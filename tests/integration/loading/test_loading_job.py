"""Loading from what is stored: the settling test with the solids of its own time, and every input's standing."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine

from service.domain.loading.inputs import InputStatus
from service.domain.loading.state_point import StatePointVerdict
from service.domain.plant.signal import SignalKind
from service.jobs.blanket.estimate import project_all
from service.jobs.loading.loading import Loading, loading_all
from tests.support.alarm_plant import NIGHT, AlarmPlant
from tests.support.flowing_plant import TANKS, store_day


def _loadings(engine: Engine, plant: AlarmPlant, hours: float = 0.0) -> dict[str, Loading]:
    now = NIGHT + timedelta(hours=hours)
    believed = project_all(engine, TANKS, plant.ids, now)
    return loading_all(engine, TANKS, plant.ids, believed, now)


def test_a_storm_overloads_the_tank_that_is_metered_and_nothing_is_claimed_of_the_other(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, tanks=TANKS)
    store_day(engine, plant.ids)
    found = _loadings(engine, plant)
    east = found["east"].load
    assert east.sludge_index == pytest.approx(420.0 / 3.2, rel=0.01)
    assert east.overflow_rate == pytest.approx(1000.0 / found["east"].setup.tank.area, rel=0.01)
    assert east.state is not None
    assert east.state.verdict is StatePointVerdict.OVERLOADED
    assert east.held is not None
    west = found["west"]
    assert (west.load.overflow_rate, west.load.state) == (None, None)
    assert {i.kind: i.standing for i in west.inputs}[SignalKind.FLOW] is InputStatus.NO_SIGNAL
    # Fifteen hours later flows are old, and so is the test, which is good for 26 h.
    later = _loadings(engine, plant, hours=15.0)["east"]
    assert later.load.overflow_rate is None
    assert {i.kind for i in later.missing} == {
        SignalKind.FLOW,
        SignalKind.RETURN_FLOW,
        SignalKind.FEED_SOLIDS,
        SignalKind.RETURN_SOLIDS,
        SignalKind.SETTLED_VOLUME,
    }
