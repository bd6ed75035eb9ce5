"""Parses quantities in the site file: "12 ft", "12 ft 6 in", "1:12", "1/3", "25 %", "10 min"."""

from __future__ import annotations

import difflib
import math
import re
from datetime import timedelta

from pydantic_core import PydanticCustomError

from service.domain.plant.units import UNITS, Dimension, symbols_of, to_si

_NUMBER = r"[-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_PART = re.compile(rf"\s*({_NUMBER})\s*([^\d\s+\-.,][^\s]*)?")
#: Nothing in a plant is larger in any unit; keeps sums and conversions far from the ends of floating point.
LARGEST_NUMBER = 1e30

_DECIMAL_COMMA = re.compile(r"\d,\d")

_TIME_WORDS = {
    "sec": "s",
    "second": "s",
    "seconds": "s",
    "mins": "min",
    "minute": "min",
    "minutes": "min",
    "hr": "h",
    "hrs": "h",
    "hour": "h",
    "hours": "h",
    "day": "d",
    "days": "d",
}

#: Other spellings of units and their symbols; only suggested, never accepted silently.
_OTHER_SPELLINGS = {
    "feet": "ft",
    "foot": "ft",
    "'": "ft",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "meter": "m",
    "meters": "m",
    "metre": "m",
    "metres": "m",
    "mgal/d": "MGD",
    "mg/d": "MGD",
    "m³/s": "m3/s",
    "m³/h": "m3/h",
    "m³/d": "m3/d",
    "m3/hr": "m3/h",
    "cmh": "m3/h",
    "lps": "L/s",
    "gal/min": "gpm",
    "gal/d": "gpd",
    "ppm": "mg/L",
    "percent": "%",
    "pct": "%",
    "degrees": "deg",
    "°": "deg",
    "°c": "degC",
    "c": "degC",
    "°f": "degF",
    "f": "degF",
    "% solids": "%solids",
    "bool": "state",
    "on/off": "state",
}


def wrong(problem: str, remedy: str, *, near: str | None = None) -> PydanticCustomError:
    """A validator's error: problem, remedy, and the value most likely meant."""
    return PydanticCustomError("wrong", "{problem}", {"problem": problem, "remedy": remedy, "near": near})


def closest_word(word: str, known: tuple[str, ...]) -> str | None:
    """The known word most similar to *word*; None if none is similar.

    >>> closest_word("daimeter", ("diameter", "length"))
    'diameter'
    >>> closest_word("esat", ("east", "west"))
    'east'
    """
    folded = {k.casefold().replace("_", "-"): k for k in reversed(known)}
    written = word.casefold().replace("_", "-")
    near = difflib.get_close_matches(written, folded, n=5, cutoff=0.6)
    if not near:
        return None
    # Among equally similar words, swapped letters are the commonest error, and the first letter is the surest.
    return folded[max(near, key=lambda k: (_likeness(written, k), k[:1] == written[:1]))]


def _likeness(written: str, known: str) -> float:
    swapped = 0.2 if sorted(written) == sorted(known) else 0.0
    return difflib.SequenceMatcher(None, known, written).ratio() + swapped


def closest_unit(symbol: str, dimension: Dimension | None = None) -> str | None:
    """The unit symbol most likely meant by *symbol*, of that dimension if given.

    >>> closest_unit("feet"), closest_unit("mgd"), closest_unit("m³/h")
    ('ft', 'MGD', 'm3/h')
    """
    known = tuple(UNITS) if dimension is None else symbols_of(dimension)
    folded = symbol.strip().casefold()
    if (spelt := _OTHER_SPELLINGS.get(folded)) in known:
        return spelt
    same = [k for k in known if k.casefold() == folded]
    if same:
        return same[0]
    return closest_word(symbol, known) if len(folded) > 2 else None


def quantity(value: object, dimension: Dimension, default_unit: str | None, example: str) -> float:
    """A number in *default_unit*, or a text with a unit, in SI.

    Several parts add up, largest first, as in "12 ft 6 in".

    >>> quantity("12 ft 6 in", Dimension.LENGTH, "ft", "12 ft")
    3.81
    >>> quantity(10, Dimension.LENGTH, "ft", "12 ft")
    3.048
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise wrong(f"{_shown(value)} is not a {dimension}", f"write for example {example}")
    if isinstance(value, int | float):
        number = _finite(value, f"a {dimension}", f"write for example {example}")
        if default_unit is None:
            raise wrong(f"{number:g} has no unit", f'write for example "{number:g} {_unit_of(example)}"')
        return to_si(number, default_unit)
    parts = _parts(value, dimension, default_unit, example)
    if len(parts) == 1:
        return to_si(*parts[0])
    sign = -1.0 if parts[0][0] < 0 else 1.0
    # 12 ft 6 in: the sign of the first part holds for all; rounded to undo the float noise of adding up.
    return round(sign * math.fsum(abs(to_si(number, symbol)) for number, symbol in parts), 12)


def _parts(text: str, dimension: Dimension, default_unit: str | None, example: str) -> list[tuple[float, str]]:
    if _DECIMAL_COMMA.search(text):
        raise wrong(f'"{text}" has a decimal comma', f'write "{_DECIMAL_COMMA.sub(_with_point, text)}" with a point')
    parts: list[tuple[float, str]] = []
    at = 0
    while at < len(text.rstrip()):
        match = _PART.match(text, at)
        if match is None:
            raise wrong(f'"{text}" is not a {dimension}', f"write for example {example}")
        symbol = match[2] or default_unit
        if symbol is None:
            raise wrong(f'"{text}" has no unit', f'write for example "{text.strip()} {_unit_of(example)}"')
        if dimension is Dimension.TIME:
            symbol = _TIME_WORDS.get(symbol.casefold(), symbol)
        known = UNITS.get(symbol)
        if known is None:
            near = closest_unit(symbol, dimension)
            remedy = f'write "{match[1]} {near}"' if near else f"use one of {', '.join(symbols_of(dimension))}"
            raise wrong(f'"{text}": no unit "{symbol}" is known', remedy)
        if known.dimension is not dimension:
            raise wrong(
                f'"{text}": {symbol} measures {known.dimension}, not {dimension}',
                f"use one of {', '.join(symbols_of(dimension))}",
            )
        number = _finite(float(match[1]), f"a {dimension}", f"write for example {example}")
        parts.append((number, symbol))
        at = match.end()
    if not parts:
        raise wrong(f"is empty, not a {dimension}", f"write for example {example}")
    return parts


def duration(value: object, example: str = '"10 min"') -> timedelta:
    """A duration; the unit is required.

    >>> duration("1 h 30 min")
    datetime.timedelta(seconds=5400)
    """
    hours = quantity(value, Dimension.TIME, None, example)
    if hours < 0:
        raise wrong(f"{_shown(value)} is a negative time", f"write for example {example}")
    try:
        return timedelta(hours=hours)
    except OverflowError:
        raise wrong(f"{_shown(value)} is longer than a calendar", f"write for example {example}") from None


_SLOPE = 'write "1:12" (falls 1 over 12) or 0.083'


def slope(value: object) -> float:
    """Fall per length: "1:12", "1/12", "1 in 12", "8 %" or 0.083.

    >>> slope("1:12") == 1 / 12, slope("8 %")
    (True, 0.08)
    """
    if isinstance(value, str):
        match = re.fullmatch(rf"\s*({_NUMBER})\s*(?::|/|in)\s*({_NUMBER})\s*", value)
        if match and float(match[2]) != 0:
            return _finite(float(match[1]) / float(match[2]), "a slope", _SLOPE)
    return _fraction(value, "a slope", _SLOPE)


def share(value: object, example: str) -> float:
    """A part of a whole: "1/3", "25 %" or 0.25.

    >>> share("25 %", "x"), share("1/4", "x"), share(0.25, "x")
    (0.25, 0.25, 0.25)
    """
    if isinstance(value, str):
        match = re.fullmatch(rf"\s*({_NUMBER})\s*/\s*({_NUMBER})\s*", value)
        if match and float(match[2]) != 0:
            return _finite(float(match[1]) / float(match[2]), "a part of a whole", f"write for example {example}")
    return _fraction(value, "a part of a whole", f"write for example {example}")


def _fraction(value: object, what: str, remedy: str) -> float:
    problem = f"{_shown(value)} is not {what}"
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise wrong(problem, remedy)
    if isinstance(value, str):
        match = re.fullmatch(rf"\s*({_NUMBER})\s*(%?)\s*", value)
        if match is None:
            raise wrong(problem, remedy)
        return _finite(float(match[1]) * (0.01 if match[2] else 1.0), what, remedy)
    return _finite(value, what, remedy)


def _finite(value: float, what: str, remedy: str) -> float:
    # An integer of the file may have any number of digits, more than a float can hold.
    if not abs(value) < LARGEST_NUMBER:
        raise wrong(f"{value if isinstance(value, float) else 'this number'} is not {what}", remedy)
    return float(value)


def _with_point(match: re.Match[str]) -> str:
    return match[0].replace(",", ".")


def _unit_of(example: str) -> str:
    return example.strip('"').split()[-1]


def _shown(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else str(value)
