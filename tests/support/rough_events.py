"""A rough plant's minutes and cores as the events that reach the service."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np

from service.domain.blanket.estimate import Event, TankSetup, event_order
from service.domain.cores.core import Calibration, CalibrationKind, Core, Surface
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from tests.support.rough_plants import RoughPlant

START = datetime(2026, 3, 2, tzinfo=UTC)
#: Other signals are read every so many minutes.
EVERY = 5
SISTER = "south.level"


@dataclass(frozen=True)
class RoughEvents:
    """What the service is told of one plant."""

    setup: TankSetup
    sisters: tuple[Signal, ...]
    events: list[Event]


def rough_tank(plant: RoughPlant) -> Tank:
    """Level floor, so that a core's thickness is a height."""
    return Tank(
        key="north",
        label="North",
        kind=TankKind.SECONDARY,
        shape=TankShape.CIRCULAR,
        side_water_depth=plant.depth,
        diameter=30.0,
    )


def level_signal(tag: str, tank: str, depth: float) -> Signal:
    """A blanket sensor that reports height above the floor."""
    return Signal(
        tag=tag,
        kind=SignalKind.BLANKET,
        tank=tank,
        unit="m",
        low=-0.5,
        high=depth + 0.5,
        mount=Mount(measures=Measures.HEIGHT),
    )


def rough_events(plant: RoughPlant) -> RoughEvents:
    """The plant's stream in the order that counts."""
    tank = rough_tank(plant)
    blankets = tuple(level_signal(f"north.level{i + 1}", "north", plant.depth) for i in range(len(plant.sensors)))
    others = tuple(
        Signal(tag=f"north.{kind.value}", kind=kind, tank="north", unit=unit)
        for kind, unit in (
            (SignalKind.FLOW, "m3/s"),
            (SignalKind.RETURN_FLOW, "m3/s"),
            (SignalKind.FEED_SOLIDS, "kg/m3"),
            (SignalKind.EFFLUENT_SOLIDS, "kg/m3"),
        )
    )
    times = [START + timedelta(minutes=m) for m in range(plant.minutes)]
    events: list[Event] = []
    for signal, sensor in zip(blankets, plant.sensors, strict=True):
        for time, value in zip(times, sensor.sent.tolist(), strict=True):
            if value == value:
                events.append(Reading(signal.tag, time, value))
            elif time.minute % 10 == 0:
                events.append(Reading(signal.tag, time, float("nan"), Quality.BAD, ReadingReason.SOURCE_BAD))
        for minute in sensor.cleaned:
            if minute < plant.minutes:
                events.append(
                    Calibration(tag=signal.tag, at=times[minute], kind=CalibrationKind.CLEANING, as_left_offset=None)
                )
    series = (plant.flow, plant.return_flow, plant.feed, plant.effluent / 1000.0)
    for signal, values in zip(others, series, strict=True):
        for minute in range(0, plant.minutes, EVERY):
            events.append(Reading(signal.tag, times[minute], float(values[minute])))
    for minute in range(0, plant.minutes, EVERY):
        events.append(Reading(SISTER, times[minute], float(plant.sister[minute])))
    for number, core in enumerate(plant.cores):
        at = START + timedelta(minutes=core.minute, seconds=20)
        surface = (Surface.SOLIDS_OVER_WEIR,) if core.over_weir else ()
        events.append(
            Core(
                id=UUID(int=number + 1),
                tank="north",
                taken_at=at,
                recorded_at=at,
                thickness=core.height,
                distance_from_wall=0.0,
                fluff=core.top,
                surface=surface,
                taken_by=core.person,
            )
        )
    events.sort(key=event_order)
    setup = TankSetup(tank=tank, blankets=blankets, others=others)
    return RoughEvents(setup, (level_signal(SISTER, "south", plant.depth),), events)


def minute_of(time: datetime) -> int:
    """Minutes since the plant's start."""
    return int((time - START).total_seconds() // 60)


def stretched(minutes: list[int], values: list[float], n: int, before: float = np.nan) -> np.ndarray:
    """Values given at some minutes, held until the next, as a value a minute."""
    out = np.full(n, before)
    if not minutes:
        return out
    place = np.searchsorted(np.asarray(minutes), np.arange(n), side="right") - 1
    known = np.asarray(values)
    return np.where(place >= 0, known[np.maximum(place, 0)], before)
