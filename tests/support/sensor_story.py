"""Short invented stories of one tank's sensor and cores, as events for the estimator."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.estimate import Event, TankSetup, event_order
from service.domain.cores.core import Calibration, Core
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape

START = datetime(2026, 5, 4, 6, 0, tzinfo=UTC)
Floats = NDArray[np.float64]

TANK = Tank(
    key="north",
    label="North",
    kind=TankKind.SECONDARY,
    shape=TankShape.CIRCULAR,
    side_water_depth=4.0,
    floor_slope=1 / 12,
    diameter=30.0,
    core_distance_from_wall=5.0,
)


def blanket_signal(tag: str = "north.level", measures: Measures = Measures.HEIGHT, **changes: object) -> Signal:
    """A blanket sensor that can report anything a 4 m tank holds."""
    zero = {Measures.HEIGHT: 0.0, Measures.DISTANCE: 3.8, Measures.DEPTH: 0.0}[measures]
    described: dict[str, object] = {
        "tag": tag,
        "kind": SignalKind.BLANKET,
        "tank": "north",
        "unit": "m",
        "low": -0.5,
        "high": 4.5,
        "mount": Mount(measures=measures, zero_height=zero),
    }
    return Signal(**(described | changes))  # type: ignore[arg-type]


def quiet(hours: Floats) -> Floats:
    """A blanket about 1 m high with a daily swing. [m]"""
    return np.asarray(1.0 + 0.25 * np.sin(2 * np.pi * hours / 24.0))


@dataclass
class Story:
    """Samples of a true height with what the sensor adds, and cores every so many hours."""

    days: float
    seed: int = 1
    height: Callable[[Floats], Floats] = quiet
    error: Callable[[Floats], Floats] = field(default=lambda hours: np.zeros_like(hours))
    noise: float = 0.015
    #: [min]
    sample_every: int = 1
    core_every: float = 8.0
    core_noise: float = 0.06
    signals: Sequence[Signal] = field(default_factory=lambda: (blanket_signal(),))
    works: Sequence[Calibration] = ()
    #: Thickness that replaces a core's own, by its number.
    core_blunders: dict[int, Callable[[float], float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(self.seed)
        self.hours: Floats = np.arange(0, round(self.days * 1440), self.sample_every) / 60.0
        self.true = self.height(self.hours)
        self.seen = self.true + self.error(self.hours) + rng.normal(0.0, self.noise, self.hours.size)
        self.core_errors = rng.normal(0.0, self.core_noise, self.hours.size)

    @property
    def setup(self) -> TankSetup:
        """The tank with its sensors."""
        return TankSetup(tank=TANK, blankets=tuple(self.signals))

    def at(self, hours: float) -> datetime:
        """The time so many hours into the story."""
        return START + timedelta(hours=hours)

    def core(self, number: int, hours: float, height: float, **changes: object) -> Core:
        """A core of that blanket height at the customary spot."""
        thickness = max(0.0, TANK.thickness_from_height(height, 5.0))
        if number in self.core_blunders:
            thickness = self.core_blunders[number](thickness)
        described: dict[str, object] = {
            "id": UUID(int=number + 1),
            "tank": "north",
            "taken_at": self.at(hours),
            "recorded_at": self.at(hours),
            "thickness": thickness,
            "distance_from_wall": 5.0,
        }
        return Core(**(described | changes))  # type: ignore[arg-type]

    def events(self) -> list[Event]:
        """Everything that happened, in the order that counts."""
        made: list[Event] = list(self.works)
        for signal in self.signals:
            assert signal.mount is not None
            for hour, seen in zip(self.hours.tolist(), self.seen.tolist(), strict=True):
                value = seen - signal.mount.zero_height
                if signal.mount.measures is not Measures.HEIGHT:
                    value = (signal.mount.zero_height or TANK.side_water_depth) - seen
                made.append(Reading(signal.tag, self.at(hour), round(value, 4)))
        if self.core_every:
            when = np.arange(self.core_every, self.hours[-1], self.core_every)
            for number, hour in enumerate(when.tolist()):
                i = int(hour * 60 / self.sample_every)
                made.append(self.core(number, hour, float(self.true[i] + self.core_errors[i])))
        return sorted(made, key=event_order)

    def true_at(self, time: datetime) -> float:
        """True blanket height. [m]"""
        return float(np.interp((time - START).total_seconds() / 3600.0, self.hours, self.true))


def bad(tag: str, time: datetime, reason: ReadingReason = ReadingReason.SOURCE_BAD) -> Reading:
    """A reading its source calls bad."""
    return Reading(tag, time, float("nan"), Quality.BAD, reason)
