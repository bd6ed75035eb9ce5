"""Simulates the plant: tanks fed from one aeration basin or straight from the sewer, disturbances, and the true blanket."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.simulator.settler import SUBSTEPS_PER_MINUTE, Columns, Settlers, settling_curve
from service.simulator.weather import Weather, wander

Floats = NDArray[np.float64]

#: The plant runs this long on its own before the scenario starts, so that it starts from a lived-in state. [h]
RUN_UP_HOURS = 48
#: Standard deviation of the small waves on a blanket. [m]
RIPPLE = 0.012


@dataclass(frozen=True, slots=True, kw_only=True)
class SimTank:
    """One circular settling tank. Lengths in [m]."""

    name: str
    diameter: float
    side_water_depth: float
    floor_slope: float = 1.0 / 12.0
    feed_height: float = 2.4  #: above the floor datum
    notch_count: int = 250
    notch_angle: float = 90.0  #: [degree]

    @property
    def area(self) -> float:
        """Water surface. [m²]"""
        return float(np.pi * self.diameter**2 / 4.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpTrip:
    """A return (or sludge) pump that stops, or weakens to ``left`` of its flow. Times in [h]."""

    tank: int
    start: float
    hours: float
    left: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnevenSplit:
    """A tank that takes ``factor`` times its even share for a while; 0 takes it out of the flow. Times in [h]."""

    tank: int
    start: float
    hours: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bulking:
    """Settleability worsening by ``added`` [mL/g] over ``rise`` [h], staying for ``hold`` [h], then mending as slowly."""

    start: float
    rise: float
    hold: float
    added: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SimPlant:
    """A plant of equal duty: secondary tanks share an aeration basin; primary tanks and thickeners do not.

    For those, ``feed_solids`` comes with the inflow and the sludge pumps run ``pump_on`` of every ``pump_cycle`` hours.
    """

    tanks: tuple[SimTank, ...]
    kind: str = "secondary"  #: secondary, primary or thickener
    mixed_liquor: float = 3.2  #: solids of basin and tanks together, over the basin volume [kg/m³]
    basin_volume: float = 5200.0  #: [m³]
    sludge_age: float = 240.0  #: [h]
    return_ratio: float = 0.55  #: return flow over mean inflow [–]
    flow_paced: bool = False  #: return flow follows the inflow, up to 1.3 times its mean
    settleability: float = 130.0  #: sludge volume index [mL/g]
    settleability_swing: float = 8.0  #: [mL/g]
    feed_solids: float = 0.28  #: [kg/m³], primary tanks and thickeners
    pump_cycle: float = 2.0  #: [h]
    pump_on: float = 0.25  #: [–]
    trips: tuple[PumpTrip, ...] = ()
    splits: tuple[UnevenSplit, ...] = ()
    bulking: tuple[Bulking, ...] = ()


@dataclass(frozen=True, slots=True)
class Forcing:
    """What drives one plant, minute by minute, run-up included."""

    hours: Floats
    effluent: Floats  #: per tank and minute [m³/h]
    underflow: Floats  #: per tank and minute [m³/h]
    settleability: Floats  #: [mL/g]
    feed_solids: Floats | None  #: [kg/m³]; None where the aeration basin decides
    ripple: Floats  #: small waves on the blanket, per tank and minute [m]


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened in one plant, minute by minute. Rows are tanks."""

    seconds: NDArray[np.int64]  #: UTC, since 1970
    height: Floats  #: blanket above the floor datum [m]
    effluent: Floats  #: [m³/h]
    underflow: Floats  #: [m³/h]
    feed_solids: Floats  #: one row for the plant [kg/m³]
    underflow_solids: Floats  #: [kg/m³]
    effluent_solids: Floats  #: [kg/m³]
    settleability: Floats  #: one row for the plant [mL/g]
    ripple: Floats = field(repr=False)  #: the part of the height that is small waves [m]
    held: Floats = field(repr=False)  #: solids in each tank [kg]


def forcing(
    plant: SimPlant, weather: Weather, minutes: int, first_local_hour: float, rng: np.random.Generator
) -> Forcing:
    """Everything that will happen to the plant from outside, drawn beforehand."""
    hours = (np.arange(minutes + RUN_UP_HOURS * 60) - RUN_UP_HOURS * 60) / 60.0
    inflow = weather.inflow(hours, first_local_hour, rng)
    count = len(plant.tanks)
    duty = np.ones((count, hours.size))
    for split in plant.splits:
        duty[split.tank, _during(hours, split.start, split.hours)] = split.factor
    share = duty * np.array([tank.area for tank in plant.tanks])[:, None]
    share /= np.maximum(share.sum(axis=0, keepdims=True), 1e-12)
    effluent = inflow * share
    if plant.kind == "secondary":
        total = np.full(hours.size, plant.return_ratio * weather.mean_flow)
        if plant.flow_paced:
            total = np.minimum(plant.return_ratio * inflow, 1.3 * plant.return_ratio * weather.mean_flow)
        underflow = np.tile(total / count, (count, 1)) * (duty > 0.0)
    else:
        on = (hours[None, :] / plant.pump_cycle + np.arange(count)[:, None] / count) % 1.0 < plant.pump_on
        underflow = on * plant.return_ratio * weather.mean_flow / count / plant.pump_on
    for trip in plant.trips:
        underflow[trip.tank, _during(hours, trip.start, trip.hours)] *= trip.left
    index = plant.settleability + wander(hours.size, plant.settleability_swing, 3.0 * 1440.0, rng)
    for event in plant.bulking:
        up = np.clip((hours - event.start) / event.rise, 0.0, 1.0)
        down = np.clip((hours - event.start - event.rise - event.hold) / event.rise, 0.0, 1.0)
        index = index + event.added * (up - down)
    feed = None
    if plant.kind != "secondary":
        swing = 0.8 + 0.2 * inflow / weather.mean_flow
        feed = plant.feed_solids * swing * (1.0 + wander(hours.size, 0.10, 180.0, rng))
    ripple = np.stack([wander(hours.size, RIPPLE, 25.0, rng) for _ in range(count)])
    return Forcing(hours, effluent, underflow, np.clip(index, 50.0, 450.0), feed, ripple)


def simulate(plants: Sequence[SimPlant], forcings: Sequence[Forcing], starts: Sequence[int]) -> list[Truth]:
    """Run several plants of equal length side by side; each is as if it ran alone.

    Parameters
    ----------
    starts : time zero of each plant, in seconds since 1970 (UTC).
    """
    tanks = [tank for plant in plants for tank in plant.tanks]
    counts = np.array([len(plant.tanks) for plant in plants])
    firsts = np.concatenate(([0], np.cumsum(counts)[:-1]))
    owner = np.repeat(np.arange(len(plants)), counts)
    settlers = Settlers(
        Columns(
            area=np.array([t.area for t in tanks]),
            side_water_depth=np.array([t.side_water_depth for t in tanks]),
            cone_depth=np.array([t.floor_slope * t.diameter / 2.0 for t in tanks]),
            feed_height=np.array([t.feed_height for t in tanks]),
        )
    )
    # Minutes lead, so that each step reads one contiguous row.
    effluent = np.ascontiguousarray(np.concatenate([f.effluent for f in forcings]).T)
    underflow = np.ascontiguousarray(np.concatenate([f.underflow for f in forcings]).T)
    index = np.stack([f.settleability for f in forcings])
    speeds, hindrances = settling_curve(index)
    fresh = np.array([p.kind != "secondary" for p in plants])
    speeds[fresh], hindrances[fresh] = 9.0, 0.0012 * index[fresh]  # raw sludge packs far denser than floc
    speed, hindrance = np.ascontiguousarray(speeds[owner].T), np.ascontiguousarray(hindrances[owner].T)
    steps = effluent.shape[0]
    forced = np.stack([f.feed_solids if f.feed_solids is not None else np.zeros(steps) for f in forcings]).T
    volume = np.array([p.basin_volume for p in plants])
    target = np.array([p.mixed_liquor for p in plants]) * volume
    age = np.array([p.sludge_age for p in plants])
    basin = target / volume * 0.85
    minute = 1.0 / 60.0
    height = np.empty((steps, len(tanks)))
    drawn, lost, held = np.empty_like(height), np.empty_like(height), np.empty_like(height)
    feed = np.empty((steps, len(plants)))
    for i in range(steps):
        solids = np.where(fresh, forced[i], basin)
        feed[i] = solids
        per_tank = solids[owner]
        returned = np.add.reduceat(underflow[i] * settlers.underflow_solids, firsts)
        sent = basin * np.add.reduceat(effluent[i] + underflow[i], firsts)
        for _ in range(SUBSTEPS_PER_MINUTE):
            settlers.step(minute / SUBSTEPS_PER_MINUTE, effluent[i], underflow[i], per_tank, speed[i], hindrance[i])
        height[i], held[i] = settlers.blanket_height(), settlers.held()
        drawn[i], lost[i] = settlers.underflow_solids, settlers.effluent_solids
        # Growth and wasting together hold the solids of the whole system near their target.
        total = basin * volume + np.add.reduceat(held[i], firsts)
        basin = np.maximum(basin + minute / volume * (returned - sent + (target - total) / age), 0.02)
    return [
        _truth(
            plant, forcings[p], starts[p], slice(firsts[p], firsts[p] + counts[p]), p, height, drawn, lost, held, feed
        )
        for p, plant in enumerate(plants)
    ]


def _truth(
    plant: SimPlant, given: Forcing, start: int, rows: slice, p: int,
    height: Floats, drawn: Floats, lost: Floats, held: Floats, feed: Floats,
) -> Truth:  # fmt: skip
    keep = slice(RUN_UP_HOURS * 60, None)
    seconds = start + 60 * np.arange(given.hours.size - RUN_UP_HOURS * 60, dtype=np.int64)
    top = np.array([tank.side_water_depth for tank in plant.tanks])[:, None]
    lowest = -np.array([tank.floor_slope * tank.diameter / 2.0 for tank in plant.tanks])[:, None]
    return Truth(
        seconds=seconds,
        height=np.clip(height[keep, rows].T + given.ripple[:, keep], lowest, top),
        effluent=given.effluent[:, keep],
        underflow=given.underflow[:, keep],
        feed_solids=feed[keep, p].copy(),
        underflow_solids=drawn[keep, rows].T.copy(),
        effluent_solids=lost[keep, rows].T.copy(),
        settleability=given.settleability[keep],
        ripple=given.ripple[:, keep],
        held=held[keep, rows].T.copy(),
    )


def _during(hours: Floats, start: float, length: float) -> NDArray[np.bool_]:
    return (hours >= start) & (hours < start + length)
