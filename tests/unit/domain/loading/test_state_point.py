"""State point analysis against a worked set and a brute-force search of the flux curve."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.loading.settling import Vesilind, daigger_1995
from service.domain.loading.state_point import (
    Limit,
    StatePointVerdict,
    failing_flow,
    failing_solids,
    limiting_flux,
    restoring_return,
    state_point,
)
from service.domain.plant.units import from_si, to_si

# Worked set computed from published equations (Daigger 1995 at SVI 150, area 1000 m2); not itself published.
SLUDGE = daigger_1995(150.0)
AREA = 1000.0


def h(flow: float) -> float:
    return to_si(flow, "m3/h")


@pytest.mark.parametrize(
    ("q", "x", "loading", "thickening", "clarification", "verdict"),
    [
        (500.0, 3.5, 2.6250, 0.7305, 0.3158, StatePointVerdict.SAFE),
        (500.0, 3.8, 2.85, 0.7931, 0.3564, StatePointVerdict.SAFE),
        (500.0, 3.9, 2.925, 0.8140, 0.3711, StatePointVerdict.CRITICAL),  # beyond what real tanks stand: four fifths
        (500.0, 4.791136, 3.5934, 1.0000, 0.5317, StatePointVerdict.CRITICAL),
        (1000.0, 3.5, 4.3750, 1.2175, 0.6316, StatePointVerdict.OVERLOADED),
    ],
)
def test_worked_set(
    q: float, x: float, loading: float, thickening: float, clarification: float, verdict: StatePointVerdict
) -> None:
    point = state_point(h(q), h(250.0), x, AREA, SLUDGE)
    assert point.loading == pytest.approx(loading, abs=5e-5)
    assert point.limiting_solids == pytest.approx(11.1901, abs=5e-5)
    assert point.limiting_flux == pytest.approx(3.5934, abs=5e-5)
    assert point.thickening_load == pytest.approx(thickening, abs=5e-5)
    assert point.clarification_load == pytest.approx(clarification, abs=5e-5)
    assert point.verdict is verdict
    assert point.nearer is Limit.THICKENING


def test_worked_set_in_us_units_is_the_same_tank() -> None:
    flow, back = to_si(from_si(h(500.0), "MGD"), "MGD"), to_si(from_si(h(250.0), "gpm"), "gpm")
    area, solids = to_si(from_si(AREA, "ft2"), "ft2"), to_si(3500.0, "mg/L")
    assert from_si(state_point(flow, back, solids, area, SLUDGE).loading, "lb/d.ft2") == pytest.approx(
        2.625 / 0.203434484849294
    )


@given(under=st.floats(0.02, 0.8), v0=st.floats(3.0, 12.0), k=st.floats(0.25, 0.8), feed=st.floats(0.5, 6.0))
def test_limiting_flux_by_search(under: float, v0: float, k: float, feed: float) -> None:
    found = limiting_flux(Vesilind(v0, k), under, feed)
    grid = np.linspace(feed, 60.0, 200_001)
    total = grid * v0 * np.exp(-k * grid) + under * grid
    dips = np.flatnonzero((total[1:-1] < total[:-2]) & (total[1:-1] <= total[2:])) + 1
    if found is None:
        assert dips.size == 0
    elif dips.size:
        assert found[1] == pytest.approx(total[dips[0]], rel=1e-6)
    else:  # the dip lies between the feed and the first grid points
        assert found[0] - feed < 2e-3 or under > 0.999 * v0 / math.e**2


def test_failing_flow_and_solids_are_where_the_verdict_turns() -> None:
    flow = failing_flow(h(250.0), 3.5, AREA, SLUDGE)
    assert state_point(flow, h(250.0), 3.5, AREA, SLUDGE).margin == pytest.approx(0.0, abs=1e-9)
    solids = failing_solids(h(500.0), h(250.0), AREA, SLUDGE)
    assert solids == pytest.approx(4.791136, abs=1e-6)
    assert state_point(h(500.0), h(250.0), solids, AREA, SLUDGE).margin == pytest.approx(0.0, abs=1e-9)


@given(q=st.floats(50.0, 2000.0), back=st.floats(0.0, 1500.0), index=st.floats(60.0, 300.0))
def test_margin_vanishes_at_the_failing_solids(q: float, back: float, index: float) -> None:
    sludge = daigger_1995(index)
    solids = failing_solids(h(q), h(back), AREA, sludge)
    if solids > 0.0:
        assert state_point(h(q), h(back), solids * 0.999, AREA, sludge).margin >= -1e-6
        assert state_point(h(q), h(back), solids * 1.001, AREA, sludge).margin <= 1e-6


def test_no_return_is_overloaded_at_any_flow() -> None:
    point = state_point(h(100.0), 0.0, 3.0, AREA, SLUDGE)
    assert point.verdict is StatePointVerdict.OVERLOADED
    assert failing_flow(0.0, 3.0, AREA, SLUDGE) == 0.0


def test_restoring_return_restores_and_a_little_less_does_not() -> None:
    found = restoring_return(h(1000.0), 3.5, AREA, SLUDGE)
    assert found.flow is not None
    assert found.reachable
    assert state_point(h(1000.0), found.flow * 1.001, 3.5, AREA, SLUDGE).margin >= 0.0
    assert state_point(h(1000.0), found.flow * 0.999, 3.5, AREA, SLUDGE).margin < 0.0
    assert found.ceiling == pytest.approx(SLUDGE.v0 / math.e**2 * AREA / 3600.0)


def test_restoring_return_knows_its_ceilings() -> None:
    weak = restoring_return(h(1000.0), 3.5, AREA, SLUDGE, capacity=h(300.0))
    assert not weak.reachable
    assert weak.ceiling == pytest.approx(h(300.0))
    drowned = restoring_return(h(2000.0), 3.5, AREA, SLUDGE)
    assert drowned.flow is None
    assert "overflow" in drowned.reason
