"""Simulates hand cores: when people core, their reading errors and their mistakes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from service.simulator.plant import SimPlant, Truth


class Blunder(StrEnum):
    """What went wrong with a core, if anything; the answer key."""

    NONE = "none"
    WRONG_TANK = "wrong tank"
    WRONG_UNIT = "wrong unit"
    MISREAD = "misread"
    WRONG_TIME = "wrong time"


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreRegime:
    """How a plant cores. Lengths in [m], times of day in local hours."""

    times_of_day: tuple[float, ...] = (7.0, 15.0, 23.0)
    extra: tuple[float, ...] = ()  #: further rounds, in hours from the start of the scenario
    jitter: float = 0.35  #: [h]
    skipped: float = 0.06  #: share of rounds nobody makes [–]
    reading_error: float = 0.06
    rounding: float = 0.05
    operators: tuple[tuple[str, float], ...] = (("A", 0.0), ("B", 0.03), ("C", -0.02))  #: name and bias [m]
    distance_from_wall: float = 4.0
    entry_delay: float = 0.3  #: mean time until the core is typed in [h]
    late: float = 0.05  #: share typed in hours later [–]
    blunders: float = 0.03  #: share that carry one [–]
    staged: tuple[tuple[int, Blunder], ...] = ()  #: blunders put on the n-th round on purpose


@dataclass(frozen=True, slots=True)
class SimulatedCore:
    """One hand core as logged, and the answer key."""

    tank: int  #: as logged
    taken: int  #: as logged [s since 1970, UTC]
    entered: int  #: when it reached the system [s]
    thickness: float  #: as logged [m]
    distance_from_wall: float  #: [m]
    by: str
    blunder: Blunder
    true_tank: int
    true_taken: int
    true_height: float  #: above the floor datum [m]


def take_cores(
    regime: CoreRegime, plant: SimPlant, truth: Truth, first_local_hour: float, rng: np.random.Generator
) -> tuple[SimulatedCore, ...]:
    """Every core of the scenario, in the order they were typed in."""
    length = truth.seconds.size / 60.0
    days = int(np.ceil((length + first_local_hour) / 24.0)) + 1
    rounds = [24.0 * day + hour - first_local_hour for day in range(days) for hour in regime.times_of_day]
    planned = sorted([(hour, False) for hour in rounds] + [(hour, True) for hour in regime.extra])
    staged = dict(regime.staged)
    records: list[SimulatedCore] = []
    number = 0
    for hour, certain in planned:
        # Draw everything for every round, so that one round's fate never shifts another's.
        draw = rng.uniform(size=4 + len(plant.tanks) * 6)
        normal = rng.standard_normal(2 * len(plant.tanks))
        at = hour if certain else hour + regime.jitter * (2.0 * draw[0] - 1.0)
        if not 0.0 <= at < length - 0.1 or (not certain and draw[1] < regime.skipped):
            continue
        by, bias = regime.operators[int(draw[2] * len(regime.operators))]
        wait = -regime.entry_delay * np.log1p(-draw[3])
        for tank in range(len(plant.tanks)):
            mine = draw[4 + 6 * tank : 10 + 6 * tank]
            blunder = staged.get(number, Blunder.NONE) if tank == 0 else Blunder.NONE
            if blunder is Blunder.NONE and mine[0] < regime.blunders:
                blunder = _pick_blunder(mine[1], len(plant.tanks))
            minute = min(int((at + 0.08 * tank) * 60.0), truth.seconds.size - 1)
            true_height = float(truth.height[tank, minute])
            drop = plant.tanks[tank].floor_slope * regime.distance_from_wall
            local = 0.015 * float(normal[2 * tank])
            read = true_height + local + drop + bias + regime.reading_error * float(normal[2 * tank + 1])
            logged_tank, taken, read = _blunder(blunder, tank, int(truth.seconds[minute]), read, mine, len(plant.tanks))
            thickness = max(round(read / regime.rounding) * regime.rounding, 0.0)
            entered = int(truth.seconds[minute]) + int(
                3600.0 * (wait + (2.0 + 8.0 * mine[4]) * (mine[5] < regime.late))
            )
            records.append(
                SimulatedCore(
                    logged_tank,
                    taken,
                    entered,
                    round(thickness, 4),
                    regime.distance_from_wall,
                    by,
                    blunder,
                    tank,
                    int(truth.seconds[minute]),
                    true_height,
                )
            )
        number += 1
    return tuple(sorted(records, key=lambda record: (record.entered, record.taken, record.true_tank)))


def _pick_blunder(draw: float, tanks: int) -> Blunder:
    kinds = [Blunder.WRONG_UNIT, Blunder.MISREAD, Blunder.WRONG_TIME] + ([Blunder.WRONG_TANK] if tanks > 1 else [])
    return kinds[int(draw * len(kinds))]


def _blunder(
    blunder: Blunder, tank: int, taken: int, read: float, draw: np.ndarray[tuple[int], np.dtype[np.float64]], tanks: int
) -> tuple[int, int, float]:
    """Logged tank, logged time and value once the blunder has happened."""
    if blunder is Blunder.WRONG_TANK:
        return (tank + 1) % tanks, taken, read
    if blunder is Blunder.WRONG_UNIT:  # feet typed where metres belong, or the other way round
        return tank, taken, read * (3.28084 if draw[2] < 0.5 else 0.3048)
    if blunder is Blunder.MISREAD:
        return tank, taken, read + (1.0 if draw[2] < 0.5 else -1.0) * (0.4 + 0.6 * float(draw[3]))
    if blunder is Blunder.WRONG_TIME:  # twelve-hour clock, or yesterday's date
        return tank, taken - (43_200 if draw[2] < 0.5 else 86_400), read
    return tank, taken, read
