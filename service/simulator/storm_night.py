"""The demo's scenario: two tanks, a storm, a failed return pump, and a sensor that reads low."""

from __future__ import annotations

from datetime import UTC, datetime

from service.simulator.coring import Blunder, CoreRegime
from service.simulator.plant import PumpTrip, SimPlant, SimTank, UnevenSplit
from service.simulator.scenario import Scenario
from service.simulator.sensor import ArmStrikes, Fouling, SimSensor, TroubleSpell
from service.simulator.weather import Storm, Weather

SEED = 7
#: Limits on clearance that the night really crosses in the second tank. [m]
HIGH_CLEARANCE, HIGH_HIGH_CLEARANCE = 1.5, 0.9


def storm_night() -> Scenario:
    """Ten hours from eight in the evening at an invented plant of two 80 ft tanks.

    The storm comes at about 22:00, the second tank takes more than its share, and its return pump trips near midnight.
    Its blanket climbs through both limits while its fouled sensor reads about 0.4 m low, so that the sensor alone would
    have called late or never; cores every hour or two show by how much it lies.
    """
    tanks = tuple(
        SimTank(name=name, diameter=24.384, side_water_depth=4.2672, floor_slope=1.0 / 12.0, feed_height=3.0)
        for name in ("Tank 1", "Tank 2")
    )
    plant = SimPlant(
        tanks=tanks,
        mixed_liquor=4.0,
        basin_volume=8600.0,
        return_ratio=0.7,
        settleability=165.0,
        settleability_swing=2.0,
        splits=(UnevenSplit(tank=1, start=1.0, hours=9.0, factor=1.25),),
        trips=(PumpTrip(tank=1, start=2.6, hours=5.4, left=0.05),),
    )
    weather = Weather(mean_flow=660.0, storms=(Storm(start=1.4, peak=1.25, rise=1.2, hold=5.0, recession=3.0),))
    sensors = (
        SimSensor(
            tag="T1.blanket", tank=0, measures="depth", offset=0.03, walk=0.01, arm=ArmStrikes(period=0.6, size=0.5)
        ),
        SimSensor(
            tag="T2.blanket",
            tank=1,
            measures="depth",
            offset=-0.20,
            walk=0.02,
            fouling=Fouling(start=0.0, hours=9.0, size=-0.32, power=1.3),
            arm=ArmStrikes(period=0.55, size=0.6),
            echo_lost=(TroubleSpell(start=4.1, hours=0.12),),
        ),
    )
    cores = CoreRegime(
        times_of_day=(),
        extra=(0.3, 1.3, 2.4, 3.3, 4.3, 5.2, 6.2, 7.4, 8.8),
        skipped=0.0,
        reading_error=0.05,
        rounding=0.0508,
        operators=(("M. Okafor", 0.0),),
        entry_delay=0.1,
        late=0.0,
        blunders=0.0,
        staged=((2, Blunder.WRONG_UNIT),),
    )
    return Scenario(
        name="storm night",
        plant=plant,
        weather=weather,
        sensors=sensors,
        hours=10.0,
        cores=cores,
        start=datetime(2031, 3, 15, 1, 0, tzinfo=UTC),
        utc_offset=-5.0,
    )
