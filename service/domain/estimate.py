"""The believed blanket of one tank, advanced event by event.

One seam for the whole of "sensor to truth": everything that happened in a tank (readings, hand cores, calibrations) is one
stream of events ordered by the time it happened; :func:`advance` folds the stream into a small state and gives out an
estimate per blanket sample and per core. Live running, catching up after late data and replay of the past call the same
function, so they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from service.domain.core import Calibration, Core
from service.domain.reading import Reading, Reason
from service.domain.signal import Signal
from service.domain.tank import Tank


class Trust(StrEnum):
    """Whether the number can be believed."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BLIND = "blind"


class EstimateReason(StrEnum):
    """Where the estimate came from."""

    SENSOR = "sensor"
    CORE = "core"
    COASTING = "coasting"
    BLIND = "blind"
    READS_HIGH_UNCONFIRMED = "reads high, not confirmed"
    NO_DATA = "no data yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Believed blanket height of a tank at a time."""

    tank: str
    time: datetime
    height: float  #: above the floor datum [m]
    sd: float  #: standard deviation of the height [m]
    rate: float  #: rise positive [m/h]
    trust: Trust
    reason: EstimateReason


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """What conditioning made of one blanket sample. Heights in the tank's frame [m]; NaN where there is no number."""

    tag: str
    time: datetime
    height: float  #: before drift correction
    corrected: float  #: after drift correction
    verdict: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSetup:
    """A tank with the signals that speak of it; ``others`` are its own and the plant's flow and solids signals."""

    tank: Tank
    blankets: tuple[Signal, ...]
    others: tuple[Signal, ...] = ()


Event = Reading | Core | Calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Advance:
    """What a stretch of events led to."""

    state: Mapping[str, object]
    estimates: tuple[Estimate, ...] = field(default=())
    assessments: tuple[Assessment, ...] = field(default=())
