"""The simulated settlers keep their solids and behave like water and sludge."""

from __future__ import annotations

import numpy as np

from service.simulator.settler import Columns, Settlers, settling_curve


def tank(count: int = 1) -> Columns:
    ones = np.ones(count)
    return Columns(area=467.0 * ones, side_water_depth=4.27 * ones, cone_depth=1.0 * ones, feed_height=2.5 * ones)


def advance(settlers: Settlers, hours: float, effluent: float, underflow: float, solids: float, index: float) -> float:
    """Advance and return the net mass put in. [kg]"""
    ones = np.ones(settlers.columns.area.size)
    speed, hindrance = settling_curve(index * ones)
    put_in = 0.0
    for _ in range(round(hours * 120)):
        out = effluent * settlers.effluent_solids[0] + underflow * settlers.underflow_solids[0]
        put_in += ((effluent + underflow) * solids - out) / 120.0
        settlers.step(1 / 120, effluent * ones, underflow * ones, solids * ones, speed, hindrance)
    return put_in


def test_solids_are_conserved() -> None:
    settlers = Settlers(tank())
    before = settlers.held()[0]
    put_in = advance(settlers, 30.0, 330.0, 190.0, 2.6, 150.0)
    assert abs(settlers.held()[0] - before - put_in) < 1e-6


def test_blanket_rises_without_return_and_falls_with_more() -> None:
    settlers = Settlers(tank())
    advance(settlers, 24.0, 330.0, 190.0, 2.6, 150.0)
    settled = settlers.blanket_height()[0]
    advance(settlers, 3.0, 330.0, 0.0, 2.6, 150.0)
    risen = settlers.blanket_height()[0]
    advance(settlers, 5.0, 330.0, 350.0, 2.6, 150.0)
    assert risen > settled + 0.5
    assert settlers.blanket_height()[0] < risen - 0.5


def test_worse_settling_sludge_stands_higher() -> None:
    heights = []
    for index in (100.0, 160.0, 220.0):
        settlers = Settlers(tank())
        advance(settlers, 30.0, 330.0, 190.0, 2.4, index)
        heights.append(settlers.blanket_height()[0])
    assert heights[0] < heights[1] < heights[2]


def test_still_sludge_settles_as_fast_as_its_curve_says() -> None:
    # Kynch (1952): the interface of an even suspension falls at its own settling velocity.
    settlers = Settlers(tank(), start_solids=5.0)
    speed, hindrance = settling_curve(np.array([150.0]))
    expected = float(speed[0] * np.exp(-hindrance[0] * 5.0))
    top = settlers.blanket_height()[0]
    advance(settlers, 1.5, 0.0, 0.0, 0.0, 150.0)
    fallen = (top - settlers.blanket_height()[0]) / 1.5
    assert abs(fallen - expected) < 0.1 * expected + 0.02


def test_tanks_side_by_side_do_not_touch() -> None:
    alone, pair = Settlers(tank(1)), Settlers(tank(2))
    advance(alone, 5.0, 330.0, 190.0, 2.6, 150.0)
    advance(pair, 5.0, 330.0, 190.0, 2.6, 150.0)
    np.testing.assert_array_equal(pair.solids[1], alone.solids[0])
