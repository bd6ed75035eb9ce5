"""Parses lengths as read off a sampler: tenths of a foot, feet and inches, inches, meters, centimeters."""

from __future__ import annotations

import math
import re

from service.domain.plant.units import UnitSystem, to_si
from service.errors import InputError

#: What can be chosen, the plant's usual reading first.
READ_IN: dict[UnitSystem, tuple[tuple[str, str], ...]] = {
    "us": (("ft", "feet and tenths"), ("ft in", "feet and inches"), ("in", "inches")),
    "si": (("m", "metres"), ("cm", "centimetres")),
}
_NUMBER = re.compile(r"\d{1,4}(?:[.,]\d{0,3})?|[.,]\d{1,3}")


def length(text: str, unit: str, inches: str = "") -> tuple[float, float, str]:
    """A length in metres, with the number and unit it is kept as typed.

    Parameters
    ----------
    unit : one of those of READ_IN; ``ft in`` takes the second part from *inches*.

    Raises
    ------
    InputError
        saying what is wrong with what was typed.

    >>> length("3.4", "ft")[1:], length("3", "ft in", "6")[1:]
    ((3.4, 'ft'), (42.0, 'in'))
    >>> round(length("3,5", "m")[0], 3)
    3.5
    """
    if unit == "ft in":
        feet = _number(text or "0", "ft")
        rest = _number(inches or "0", "in")
        if feet != int(feet):
            raise InputError(f"{text} ft and inches beside it: write whole feet, or choose feet and tenths")
        if rest >= 12.0:
            raise InputError(f"{inches} in is a foot or more: write feet, and inches below 12")
        total = feet * 12.0 + rest
        return to_si(total, "in"), total, "in"
    if unit not in ("ft", "in", "m", "cm"):
        raise InputError(f"lengths are read in ft, in, m or cm, not in {unit[:20]!r}")
    value = _number(text, unit)
    return to_si(value, unit), value, unit


def signed_length(text: str, unit: str) -> float:
    """A difference or a level that may lie below its zero, in metres.

    Raises
    ------
    InputError
        saying what is wrong with what was typed.

    >>> round(signed_length("-0.8", "ft"), 3), signed_length("+0,25", "m")
    (-0.244, 0.25)
    """
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    sign = -1.0 if text.startswith("-") else 1.0
    return sign * length(text.lstrip("+-").strip(), unit)[0]


def _number(text: str, unit: str) -> float:
    text = text.strip()
    if not text:
        raise InputError("the thickness is missing: how much sludge was in the sampler?")
    if not _NUMBER.fullmatch(text):
        raise InputError(f"{text[:20]!r} is not a length in {unit}; write digits, such as 3.4")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise InputError(f"{text[:20]!r} is not a length")  # pragma: no cover
    return value
