"""From what a blanket sensor counts to a height above the floor."""

from __future__ import annotations

import pytest

from service.domain.plant.signal import DIMENSION_OF, Measures, Mount, SignalKind, sensor_height
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import Dimension

TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0, side_water_depth=4.0
)  # fmt: skip


@pytest.mark.parametrize(
    ("measures", "zero", "reads", "head", "height"),
    [
        # Worked by hand on a tank 4 m deep whose blanket stands at 1 m.
        (Measures.HEIGHT, 0.25, 0.75, 0.0, 1.0),
        (
            Measures.HEIGHT,
            0.25,
            0.75,
            0.2,
            1.0,
        ),  # how high the water stands is nothing to a sensor that counts from below
        (Measures.DISTANCE, 3.7, 2.7, 0.0, 1.0),
        (Measures.DISTANCE, 3.7, 2.7, 0.2, 1.0),  # nor to one that hangs from the bridge
        (Measures.DEPTH, 0.0, 3.0, 0.0, 1.0),
        (
            Measures.DEPTH,
            0.0,
            3.2,
            0.2,
            1.0,
        ),  # in a storm the surface, from which it counts, stands 0.2 m above the weir
        (Measures.DEPTH, 9.9, 3.2, 0.2, 1.0),  # such a sensor has no zero of its own
    ],
)
def test_the_head_over_the_weir_counts_for_a_sensor_that_counts_from_the_surface_or_a_storm_looks_lower(
    measures: Measures, zero: float, reads: float, head: float, height: float
) -> None:
    assert sensor_height(reads, TANK, Mount(measures=measures, zero_height=zero), head) == pytest.approx(height)


def test_every_kind_of_signal_is_typed_in_units_of_what_it_measures() -> None:
    lengths = {SignalKind.BLANKET, SignalKind.FLUFF, SignalKind.WATER_LEVEL}
    flows = {SignalKind.FLOW, SignalKind.RETURN_FLOW, SignalKind.WASTE_FLOW, SignalKind.CHEMICAL_FLOW}
    solids = {SignalKind.FEED_SOLIDS, SignalKind.RETURN_SOLIDS, SignalKind.EFFLUENT_SOLIDS, SignalKind.NITRATE}
    others = {
        SignalKind.TURBIDITY: Dimension.TURBIDITY,
        SignalKind.SETTLED_VOLUME: Dimension.SETTLED_VOLUME,
        SignalKind.ARM_ANGLE: Dimension.ANGLE,
        SignalKind.STATUS: Dimension.STATUS,
        SignalKind.TEMPERATURE: Dimension.TEMPERATURE,
        SignalKind.TORQUE: Dimension.RATIO,
    }
    assert (
        dict.fromkeys(lengths, Dimension.LENGTH)
        | dict.fromkeys(flows, Dimension.FLOW)
        | dict.fromkeys(solids, Dimension.CONCENTRATION)
        | others
    ) == DIMENSION_OF
