"""A hand core, and what the round saw of the surface."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID


class Surface(StrEnum):
    """What the surface of the tank looked like: the trade's words."""

    CLEAR = "clear"
    TURBID = "turbid"
    PIN_FLOC = "pin floc"
    STRAGGLER_FLOC = "straggler floc"
    CLUMPS = "clumps"
    BUBBLES = "bubbles"
    FOAM = "foam"
    SCUM = "scum"
    SOLIDS_OVER_WEIR = "solids over weir"
    ARM_STOPPED = "arm stopped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """One hand core as it stands after corrections. Lengths in [m], angles in [degree]."""

    id: UUID
    tank: str
    taken_at: datetime
    recorded_at: datetime
    thickness: float
    distance_from_wall: float
    arm_position: float | None = None
    replicate: int = 1
    fluff: float | None = None
    surface: tuple[Surface, ...] = ()
    taken_by: str = ""
    note: str = ""


class CalibrationKind(StrEnum):
    """What was done to a sensor."""

    CALIBRATION = "calibration"
    CLEANING = "cleaning"
    REPLACEMENT = "replacement"


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Work on a sensor after which its drift starts anew. Offsets are sensor minus truth in [m]; span error in [–]."""

    tag: str
    at: datetime
    kind: CalibrationKind
    done_by: str = ""
    reason: str = ""
    as_found_offset: float | None = None
    as_left_offset: float | None = None
    as_found_span_error: float | None = None
    as_left_span_error: float | None = None
