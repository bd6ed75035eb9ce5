"""Finds the mistake that best explains a hand core that does not fit what was expected."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum


class CoreFault(StrEnum):
    """What probably went wrong with a core."""

    UNIT = "wrong unit"
    TANK = "wrong tank"
    TIME = "wrong time"
    MISREAD = "misread"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Doubt:
    """The most probable fault, in words that name what would make the core fit, and how well it then fits."""

    fault: CoreFault
    explanation: str
    deviation: float  #: of the core from what that fault predicts, in standard deviations [–]


#: Factors people slip by: what was logged is the thickness times this.
UNIT_SLIPS: tuple[tuple[float, str], ...] = (
    (1 / 0.3048, "feet logged as metres"),
    (0.3048, "metres logged as feet"),
    (12.0, "inches logged as feet"),
    (1 / 12.0, "feet logged as inches"),
)
#: Slips of the eye along the sampler's marks [m]: a foot mark, a half metre, a metre, two feet.
MARK_SLIPS: tuple[tuple[float, str], ...] = (
    (0.3048, "one foot mark"),
    (0.5, "half a metre"),
    (1.0, "one metre"),
    (0.6096, "two foot marks"),
)
#: A fault explains a core when the core then fits within so many standard deviations.
FITS = 2.0


def core_doubt(
    thickness: float,
    expected: float,
    sd: float,
    others: Mapping[str, tuple[float, float]] | None = None,
    earlier: Sequence[tuple[str, float, float]] = (),
) -> Doubt:
    """The fault that best explains a core which does not fit.

    Parameters
    ----------
    thickness : as logged. [m]
    expected, sd : thickness expected there and then, and its standard deviation with the core's own noise. [m]
    others : for the other tanks, by name, thickness expected there and its standard deviation. [m]
    earlier : (what the mistake would be, thickness expected at that other time, its standard deviation). [m]

    Notes
    -----
    A unit slip is tried first, since it leaves the most telling number; then another tank, another time, a misread mark.
    A fault that happens to predict almost the expected thickness explains nothing and is passed over.

    >>> core_doubt(3.28, 1.0, 0.05).explanation
    'feet logged as metres'
    """
    tried: list[Doubt] = []
    for factor, words in UNIT_SLIPS:
        tried.append(Doubt(CoreFault.UNIT, words, _off(thickness, expected * factor, sd * max(factor, 0.3))))
    for name, (there, there_sd) in (others or {}).items():
        if abs(there - expected) > 2.0 * sd:
            tried.append(Doubt(CoreFault.TANK, f"fits {name}", _off(thickness, there, math.hypot(sd, there_sd))))
    for words, then, then_sd in earlier:
        if abs(then - expected) > 2.0 * sd:
            tried.append(Doubt(CoreFault.TIME, words, _off(thickness, then, math.hypot(sd, then_sd))))
    for slip, words in MARK_SLIPS:
        side = slip if thickness > expected else -slip
        tried.append(Doubt(CoreFault.MISREAD, f"off by {words}", _off(thickness, expected + side, sd)))
    fitting = [doubt for doubt in tried if doubt.deviation <= FITS]
    for fault in (CoreFault.UNIT, CoreFault.TANK, CoreFault.TIME, CoreFault.MISREAD):
        best = min((d for d in fitting if d.fault is fault), key=lambda d: d.deviation, default=None)
        if best is not None:
            return best
    return Doubt(CoreFault.UNKNOWN, "fits no usual mistake", _off(thickness, expected, sd))


def _off(value: float, expected: float, sd: float) -> float:
    return abs(value - expected) / max(sd, 1e-6)
