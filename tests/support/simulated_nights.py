"""Nights whose cause is hydraulic, run in the simulator: the call comes when the blanket or the effluent goes beyond."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.tank import TankKind
from service.simulator.plant import Bulking, Forcing, PumpTrip, SimPlant, SimTank, Truth, UnevenSplit, forcing, simulate
from service.simulator.settler import settling_curve
from service.simulator.weather import Storm, Weather
from tests.support.mode_nights import World

HOURS, LATE_HOURS = 36, 14
#: The hour the trouble begins, at the earliest.
_BEGINS = 27.0
SIMULATED = (
    FailureMode.RETURN_LOST,
    FailureMode.THICKENING,
    FailureMode.CLARIFICATION,
    FailureMode.BULKING,
    FailureMode.UNEVEN,
    FailureMode.INVENTORY,
)


@dataclass(frozen=True)
class _Plan:
    mode: FailureMode
    seed: int
    plant: SimPlant
    weather: Weather


@dataclass(frozen=True)
class SimulatedNight:
    """A night with what made it, so that it can be lived on from the call."""

    world: World
    plant: SimPlant
    given: Forcing
    minute: int  #: of the call


def simulated_worlds(seeds: tuple[int, ...], modes: tuple[FailureMode, ...] = SIMULATED) -> list[World]:
    """One world a mode and seed, all simulated side by side."""
    return [night.world for night in simulated_nights(seeds, modes)]


def simulated_nights(
    seeds: tuple[int, ...], modes: tuple[FailureMode, ...] = SIMULATED, *, late: bool = False
) -> list[SimulatedNight]:
    """One night a mode and seed, all simulated side by side.

    Parameters
    ----------
    late : nights with more sludge, to which nobody came before the blanket stood at four fifths of the depth.
    """
    plans = [_plan(mode, seed, 1.35 if late else 1.0) for mode in modes for seed in seeds]
    length = 60 * (HOURS + LATE_HOURS * late)
    given = [
        forcing(p.plant, p.weather, length, 20.0, np.random.default_rng([p.seed, 5, list(FailureMode).index(p.mode)]))
        for p in plans
    ]
    truths = simulate([p.plant for p in plans], given, [0] * len(plans))
    nights = []
    for plan, made, truth in zip(plans, given, truths, strict=True):
        world, minute = _world(plan, truth, 0.8 if late else 0.45)
        nights.append(SimulatedNight(world, plan.plant, made, minute))
    return nights


def _plan(mode: FailureMode, seed: int, more: float) -> _Plan:
    rng = np.random.default_rng([seed, 17, list(FailureMode).index(mode)])
    u = rng.uniform
    count = int(rng.choice([2, 2, 3]))
    diameter, depth = float(u(20.0, 30.0)), float(u(3.7, 4.6))
    tanks = tuple(
        SimTank(name=f"Tank {i + 1}", diameter=diameter, side_water_depth=depth, feed_height=0.62 * depth)
        for i in range(count)
    )
    flow = count * tanks[0].area * float(u(0.5, 0.65))
    feed, index, back = float(u(4.0, 4.6)), float(u(115.0, 145.0)), float(u(0.5, 0.7))
    start = _BEGINS + float(u(0.0, 1.5))
    storms: tuple[Storm, ...] = ()
    trips: tuple[PumpTrip, ...] = ()
    splits: tuple[UnevenSplit, ...] = ()
    bulking: tuple[Bulking, ...] = ()
    mild = Storm(start=start - 0.5, peak=float(u(0.2, 0.4)), rise=1.0, hold=6.0)
    if rng.random() < 0.4:  # a mild second trouble
        storms = (mild,)
    if mode is FailureMode.RETURN_LOST:
        left = float(u(0.0, 0.3))
        whole = rng.random() < 0.25
        trips = tuple(PumpTrip(tank=t, start=start, hours=20.0, left=left) for t in range(count if whole else 1))
        feed, index = feed + 0.3, index + float(u(0.0, 25.0))
    elif mode is FailureMode.THICKENING:
        storms = (Storm(start=start, peak=float(u(0.9, 1.5)), rise=1.0, hold=7.0),)
        feed, back, index = float(u(4.8, 5.6)), float(u(0.4, 0.55)), float(u(125.0, 155.0))
    elif mode is FailureMode.CLARIFICATION:
        storms = (Storm(start=start, peak=float(u(2.3, 3.2)), rise=1.0, hold=7.0),)
        feed, back, index = float(u(5.6, 6.8)), float(u(1.2, 1.6)), float(u(110.0, 140.0))
        flow = count * tanks[0].area * float(u(0.55, 0.7))
    elif mode is FailureMode.BULKING:
        bulking = (Bulking(start=-40.0, rise=60.0, hold=80.0, added=float(u(130.0, 230.0))),)
    elif mode is FailureMode.UNEVEN:
        splits = (UnevenSplit(tank=0, start=start - 4.0, hours=20.0, factor=float(u(1.5, 2.1))),)
        storms = (mild,)
        feed, index = feed + 0.4, index + 15.0
    elif mode is FailureMode.INVENTORY:
        feed, storms = float(u(6.8, 8.2)), ()
        index = float(u(100.0, 125.0))
    plant = SimPlant(
        tanks=tanks, mixed_liquor=more * feed, basin_volume=flow * float(u(7.0, 9.0)), return_ratio=back, settleability=index,
        settleability_swing=3.0, trips=trips, splits=splits, bulking=bulking, flow_paced=bool(rng.random() < 0.3),
    )  # fmt: skip
    return _Plan(mode, seed, plant, Weather(mean_flow=flow, storms=storms))


def _world(plan: _Plan, truth: Truth, call_at: float) -> tuple[World, int]:
    plant, depth = plan.plant, plan.plant.tanks[0].side_water_depth
    rng = np.random.default_rng([plan.seed, 23, list(FailureMode).index(plan.mode)])
    since = int(_BEGINS * 60) + 60
    height, lost = truth.height[0], truth.effluent_solids[0]
    area = plant.tanks[0].area
    speeds, hindrances = settling_curve(truth.settleability)
    outrunning = truth.effluent[0] / area > speeds * np.exp(-hindrances * truth.feed_solids)
    if plan.mode is FailureMode.CLARIFICATION:  # by the simulator's own sludge, and it shows in the effluent
        bad = np.flatnonzero(outrunning[since:] & (lost[since:] > 0.03))
    else:
        bad = np.flatnonzero((height[since:] > call_at * depth) | (lost[since:] > 0.03))
    at = since + (int(bad[0]) + 20 if bad.size else int(np.argmax(height[since:])))
    at = min(at, height.size - 1)
    hour, day = at - 180, max(at - 1440, 0)

    def tanks(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], when: int, factor: float = 1.0) -> list[float]:
        return [float(v) * factor for v in values[:, when]]

    feed, outrun = float(truth.feed_solids[at]), bool(outrunning[at])
    effluent = float(truth.effluent_solids[0, at])
    world = World(
        mode=plan.mode,
        seed=plan.seed,
        kind=TankKind.SECONDARY,
        area=area,
        depth=depth,
        flow=tanks(truth.effluent, at, 1 / 3600.0),
        back=tanks(truth.underflow, at, 1 / 3600.0),
        thick=tanks(truth.underflow_solids, at),
        feed=feed,
        index=float(truth.settleability[at]),
        heights=tanks(truth.height, at),
        rate=float(np.clip(truth.height[0, at] - truth.height[0, at - 60], -0.6, 1.5)),
        flow_before=(tanks(truth.effluent, hour, 1 / 3600.0), tanks(truth.effluent, day, 1 / 3600.0)),
        back_before=(tanks(truth.underflow, hour, 1 / 3600.0), tanks(truth.underflow, day, 1 / 3600.0)),
        usual_feed=feed / float(rng.uniform(1.25, 1.6)) if plan.mode is FailureMode.INVENTORY else feed * float(rng.uniform(0.95, 1.1)),
        usual_index=float(rng.uniform(105.0, 135.0)) if plan.mode is FailureMode.BULKING else plant.settleability * float(rng.uniform(0.92, 1.06)),
        effluent=effluent + float(rng.uniform(0.006, 0.012)),
        turbidity=400.0 * effluent + float(rng.uniform(2.0, 5.0)),
        temperature=(float(t := rng.uniform(9.0, 20.0)), float(t + rng.uniform(-0.1, 0.5))),
        nitrate=float(rng.uniform(0.002, 0.007)) if rng.random() < 0.5 else None,
        torque=float(rng.uniform(0.12, 0.4)) if rng.random() < 0.5 else None,
        fluff=float(rng.uniform(0.0, 0.25)) + (1.2 if outrun else 0.0) if rng.random() < 0.5 else None,
        rivals=float(rng.choice([0.0, 0.0, 0.08])),
        core_age=float(rng.uniform(0.5, 10.0)),
        correlation=str(rng.choice(["daigger-1995", "hartel-popel-1992"])),
        return_harms=bool(outrun),
        storm=bool(plan.weather.storms and plan.weather.storms[0].peak > 0.5),
        essential=frozenset({
            FailureMode.RETURN_LOST: {"back"},
            FailureMode.THICKENING: {"flow", "back", "feed", "test"},
            FailureMode.CLARIFICATION: {"flow", "back", "feed", "test"},
            FailureMode.BULKING: {"feed", "test"},
            FailureMode.UNEVEN: {"flow", "sisters"},
            FailureMode.INVENTORY: {"feed"},
        }[plan.mode]),
    )  # fmt: skip
    return world, at
