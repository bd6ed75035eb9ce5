"""A hand core, and the words for the surface seen with it; work on a sensor."""

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
    BLANKET_AT_SURFACE = "blanket at surface"
    ARM_STOPPED = "arm stopped"
    HIGH_TORQUE = "high torque"
    BROKEN_FLIGHT = "broken flight"
    ALGAE = "algae on weirs"


#: Words that mean sludge at the weir, whatever the tube showed.
OVER_THE_WEIR = frozenset({Surface.SOLIDS_OVER_WEIR, Surface.BLANKET_AT_SURFACE})


def surface_of(text: str) -> Surface | None:
    """The word of the trade that somebody means; None where it is none of them.

    >>> surface_of("Solids over the weir"), surface_of("sludge going over the weirs"), surface_of("blanket at the surface")
    (<Surface.SOLIDS_OVER_WEIR: 'solids over weir'>, <Surface.SOLIDS_OVER_WEIR: 'solids over weir'>, <Surface.BLANKET_AT_SURFACE: 'blanket at surface'>)
    >>> surface_of("pin_floc"), surface_of("no solids over the weir") is None
    (<Surface.PIN_FLOC: 'pin floc'>, True)
    """
    words = [w for w in text.casefold().replace("_", " ").replace("-", " ").split() if w not in _FILLERS]
    plain = " ".join({"weirs": "weir", "sludge": "solids"}.get(word, word) for word in words)
    plain = {
        "solids at weir": "solids over weir",
        "blanket over weir": "solids over weir",
        "solids carryover": "solids over weir",
        "solids carry over": "solids over weir",
        "washout": "solids over weir",
        "solids washout": "solids over weir",
        "solids at surface": "blanket at surface",
        "blanket on surface": "blanket at surface",
        "algae on weir": "algae on weirs",
    }.get(plain, plain)
    try:
        return Surface(plain)
    except ValueError:
        return None


_FILLERS = frozenset({"the", "going", "goes", "go", "is", "are"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """One hand core as it stands after corrections. Lengths in [m], angles in [degree].

    ``fluff`` is read like the thickness: the top of the dispersed layer above the floor where the sampler stood.
    """

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
