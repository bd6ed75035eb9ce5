"""The scenario library the estimators are scored on: many invented plants, every fault several times, fixed seeds."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from service.simulator.coring import CoreRegime
from service.simulator.plant import Bulking, PumpTrip, SimPlant, SimTank, UnevenSplit
from service.simulator.scenario import Recording, Scenario, run_many
from service.simulator.sensor import ArmStrikes, Fouling, OffsetStep, SensorWork, SimSensor, TroubleSpell
from service.simulator.weather import Storm, Weather

#: What goes wrong with the sensors of an entry; each names a recipe in :func:`_sensor`.
FAULTS = ("sound", "drift", "step", "span", "fouling", "arm", "echo", "flat", "lock", "silent", "mixed", "worked")
#: What goes hard on the tanks of an entry while its sensors stay sound.
STRESSES = ("storms", "trips", "bulking")
DAYS = 60
ROUNDS = 5  #: invented plants per fault
#: How many plants are simulated side by side: enough for speed, few enough for memory.
_BATCH = 20


@dataclass(frozen=True, slots=True)
class LibraryPlant:
    """One plant of the library: what is wrong with its sensors, and the seed it always runs with."""

    fault: str
    seed: int
    scenario: Scenario

    @property
    def sensor_months(self) -> float:
        """How much sensor time it holds, in months of 30 days."""
        return len(self.scenario.sensors) * self.scenario.hours / 720.0


def library(
    faults: tuple[str, ...] = FAULTS + STRESSES, rounds: int = ROUNDS, days: int = DAYS, first: int = 0
) -> tuple[LibraryPlant, ...]:
    """Seventy-five plants of two tanks over sixty days: 300 sensor-months with the default arguments.

    Every plant also meets storms, return pumps that trip, uneven splits or bulking, drawn from its seed; the stressed
    ones meet more and worse. Fewer faults or rounds give some of the same plants, for quick looks; another *first* gives
    others, for looking at plants that nothing was chosen on.

    >>> entries = library()
    >>> round(sum(entry.sensor_months for entry in entries))
    300
    """
    entries = []
    for number, fault in enumerate(FAULTS + STRESSES):
        if fault not in faults:
            continue
        for turn in range(first, first + rounds):
            seed = 1000 * (number + 1) + turn
            entries.append(LibraryPlant(fault, seed, _scenario(fault, seed, days)))
    return tuple(entries)


def recordings(entries: tuple[LibraryPlant, ...]) -> Iterator[tuple[LibraryPlant, Recording]]:
    """Run the entries, a batch side by side at a time, giving each with what it left behind."""
    for begin in range(0, len(entries), _BATCH):
        batch = entries[begin : begin + _BATCH]
        yield from zip(batch, run_many([(entry.scenario, entry.seed) for entry in batch]), strict=True)


def _scenario(fault: str, seed: int, days: int) -> Scenario:
    rng = np.random.default_rng([seed, 77])  # apart from the streams the run itself draws from
    hours = 24.0 * days
    diameter = float(rng.choice([18.288, 24.384, 30.48]))
    depth = float(rng.choice([3.9624, 4.2672, 4.572]))
    tanks = tuple(
        SimTank(
            name=f"Tank {i + 1}",
            diameter=diameter,
            side_water_depth=depth,
            floor_slope=float(rng.choice([1 / 12, 1 / 16])),
            feed_height=0.62 * depth,
            notch_count=round(diameter * 10.3),
        )
        for i in range(2)
    )
    surface = 2.0 * tanks[0].area
    flow = surface * float(rng.uniform(0.55, 0.8))
    trips = int(rng.poisson(days / (5.0 if fault == "trips" else 20.0)))
    storms = int(rng.poisson(days / (4.0 if fault == "storms" else 9.0)))
    harder = fault in STRESSES
    bulking = rng.random() < (1.0 if fault == "bulking" else 0.35)
    plant = SimPlant(
        tanks=tanks,
        mixed_liquor=float(rng.uniform(3.4, 4.3)) + 0.3 * harder,
        basin_volume=flow * float(rng.uniform(7.0, 10.0)),
        return_ratio=float(rng.uniform(0.5, 0.75)),
        flow_paced=bool(rng.random() < 0.3),
        settleability=float(rng.uniform(125.0, 165.0)) + 18.0 * harder,
        trips=tuple(_trip(hours, 7.0 if harder else 4.0, rng) for _ in range(trips)),
        splits=tuple(_split(hours, rng) for _ in range(int(rng.poisson(days / 40.0)))),
        bulking=(_bulking(hours, rng),) if bulking else (),
    )
    weather = Weather(mean_flow=flow, storms=tuple(_storm(hours, rng) for _ in range(storms)))
    sensors = tuple(_sensor(fault, tank, tanks[tank], hours, rng) for tank in range(2))
    cores = CoreRegime(
        times_of_day=((7.0, 15.0, 23.0), (8.0, 20.0), (9.0,))[int(rng.choice(3, p=[0.6, 0.3, 0.1]))],
        reading_error=float(rng.uniform(0.04, 0.09)),
        distance_from_wall=diameter / 6.0,
        blunders=0.02 if fault == "sound" else 0.03,
    )
    return Scenario(
        name=f"{fault} {seed}",
        plant=plant,
        weather=weather,
        sensors=sensors,
        hours=hours,
        cores=cores,
        start=datetime(2031, 1, 6, 5, 0, tzinfo=UTC),
    )


def _sensor(fault: str, tank: int, where: SimTank, hours: float, rng: np.random.Generator) -> SimSensor:
    measures = str(rng.choice(["depth", "distance", "height"]))
    zero = {"depth": 0.0, "distance": where.side_water_depth - 0.3, "height": -0.2}[measures]
    sensor = SimSensor(
        tag=f"T{tank + 1}.blanket",
        tank=tank,
        measures=measures,
        zero_height=zero,
        noise=float(rng.uniform(0.012, 0.035)),
        offset=float(rng.normal(0.0, 0.05)),
        walk=float(rng.uniform(0.003, 0.012)),
    )
    sign = float(rng.choice([-1.0, 1.0]))
    arm = ArmStrikes(period=float(rng.uniform(0.35, 0.95)), size=float(rng.uniform(0.35, 0.8)))
    if fault == "drift":
        return replace(sensor, ramp=sign * float(rng.uniform(0.003, 0.008)), walk=0.015)
    if fault == "step":
        times = np.sort(rng.uniform(0.15, 0.9, size=2)) * hours
        sizes = rng.choice([-1.0, 1.0], size=2) * rng.uniform(0.15, 0.35, size=2)
        return replace(
            sensor, steps=tuple(OffsetStep(at=float(t), size=float(s)) for t, s in zip(times, sizes, strict=True))
        )
    if fault == "span":
        return replace(sensor, span_error=sign * float(rng.uniform(0.08, 0.22)), span_pivot=0.0)
    if fault == "fouling":
        size = -float(rng.uniform(0.25, 0.6))
        return replace(sensor, fouling=Fouling(start=0.15 * hours, hours=0.7 * hours, size=size))
    if fault == "arm":
        return replace(sensor, arm=arm)
    if fault == "echo":
        return replace(sensor, echo_lost=_spells(9, 8.0, hours, rng), noisy=_spells(2, 20.0, hours, rng, 4.0))
    if fault == "flat":
        return replace(sensor, flat=_spells(4, 9.0, hours, rng))
    if fault == "lock":
        fluff = _spells(6, 4.0, hours, rng, float(rng.uniform(0.35, 0.7)))
        return replace(sensor, fluff=fluff, surface=_spells(4, 3.0, hours, rng, 0.35))
    if fault == "silent":
        return replace(sensor, silent=_spells(6, 7.0, hours, rng))
    if fault == "mixed":
        return replace(
            sensor,
            ramp=sign * float(rng.uniform(0.002, 0.006)),
            walk=0.012,
            steps=(OffsetStep(at=float(rng.uniform(0.3, 0.8)) * hours, size=-sign * float(rng.uniform(0.15, 0.3))),),
            arm=arm,
            echo_lost=_spells(4, 5.0, hours, rng),
            surface=_spells(2, 2.0, hours, rng, 0.35),
            silent=_spells(2, 5.0, hours, rng),
        )
    if fault == "worked":
        works = tuple(
            SensorWork(at=float(share) * hours, kind=kind, residual=float(rng.normal(0.0, 0.02)))
            for share, kind in ((rng.uniform(0.3, 0.4), "cleaning"), (rng.uniform(0.6, 0.75), "calibration"))
        )
        dirt = Fouling(start=0.0, hours=0.45 * hours, size=-float(rng.uniform(0.25, 0.5)))
        return replace(sensor, walk=0.012, fouling=dirt, works=works)
    return sensor


def _spells(
    count: float, mean: float, hours: float, rng: np.random.Generator, size: float = 0.0
) -> tuple[TroubleSpell, ...]:
    starts = np.sort(rng.uniform(0.02, 0.97, size=int(rng.poisson(count)) + 1)) * hours
    lengths = np.clip(rng.exponential(mean, size=starts.size), 0.5, 3.0 * mean)
    return tuple(TroubleSpell(start=float(s), hours=float(n), size=size) for s, n in zip(starts, lengths, strict=True))


def _storm(hours: float, rng: np.random.Generator) -> Storm:
    return Storm(
        start=float(rng.uniform(0.0, hours)),
        peak=float(np.clip(rng.gamma(3.0, 0.35), 0.3, 2.2)),
        rise=float(rng.uniform(0.7, 3.0)),
        hold=float(rng.uniform(1.0, 10.0)),
        recession=float(rng.uniform(2.0, 8.0)),
    )


def _trip(hours: float, mean: float, rng: np.random.Generator) -> PumpTrip:
    return PumpTrip(
        tank=int(rng.integers(2)),
        start=float(rng.uniform(0.0, hours)),
        hours=float(np.clip(rng.exponential(mean), 1.0, 2.5 * mean)),
        left=float(rng.choice([0.0, 0.0, 0.3, 0.5])),
    )


def _split(hours: float, rng: np.random.Generator) -> UnevenSplit:
    return UnevenSplit(
        tank=int(rng.integers(2)),
        start=float(rng.uniform(0.0, hours)),
        hours=float(rng.uniform(12.0, 72.0)),
        factor=float(rng.choice([1.2, 1.4, 0.7])),
    )


def _bulking(hours: float, rng: np.random.Generator) -> Bulking:
    return Bulking(
        start=float(rng.uniform(0.1, 0.5)) * hours,
        rise=float(rng.uniform(120.0, 240.0)),
        hold=float(rng.uniform(48.0, 168.0)),
        added=float(rng.uniform(30.0, 90.0)),
    )
