"""What every section of the site file has in common: nothing unknown, nothing changed after reading, SI inside."""

from __future__ import annotations

import re
from datetime import timedelta
from functools import cache
from typing import Annotated, cast
from zoneinfo import available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationInfo

from service.domain.loading.limits import DIMENSION_OF_QUANTITY, Quantity
from service.domain.plant.units import UNITS, Dimension, UnitSystem, shown_unit
from service.site.sections.quantity import duration, near_unit, near_word, quantity, share, slope, wrong


class Section(BaseModel):
    """A table of the site file."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def units_of(info: ValidationInfo) -> UnitSystem:
    """The site's unit system, which the reader passes to every section."""
    return cast(UnitSystem, (info.context or {}).get("units", "si"))


def site_quantity(value: object, info: ValidationInfo, dimension: Dimension) -> float:
    """A number in the site's own unit for that dimension, or a text with a unit. [SI]"""
    symbol = shown_unit(dimension, units_of(info))
    return quantity(
        value, dimension, symbol, f'{_EXAMPLE.get(dimension, 1)} or "{_EXAMPLE.get(dimension, 1)} {symbol}"'
    )


_EXAMPLE = {Dimension.LENGTH: 12, Dimension.SPEED: 1, Dimension.SOLIDS_LOADING: 30, Dimension.FLOW: 3}


def _length(value: object, info: ValidationInfo) -> float:
    return site_quantity(value, info, Dimension.LENGTH)


def _flow(value: object, info: ValidationInfo) -> float:
    return _positive(site_quantity(value, info, Dimension.FLOW))


def _limit(value: object, info: ValidationInfo) -> float:
    """A limit in the unit of the quantity that its key names."""
    dimension = DIMENSION_OF_QUANTITY[Quantity[(info.field_name or "").upper()]]
    if dimension is Dimension.RATIO:
        return _positive(share(value, '"25 %" or 0.25'))
    return _positive(site_quantity(value, info, dimension))


def _positive(value: float) -> float:
    if not value > 0.0:
        raise wrong("is not above zero", "write a number above zero, or leave it out")
    return value


def _duration(value: object) -> timedelta:
    return duration(value)


def _slope(value: object) -> float:
    return slope(value)


def _depth_share(value: object) -> float:
    return share(value, '"25 %" or 0.25')


def _reach_share(value: object) -> float:
    return share(value, '"1/3"')


def _unit_symbol(value: str) -> str:
    if value not in UNITS:
        near = near_unit(value)
        remedy = f'write "{near}"' if near else f"use one of {', '.join(UNITS)}"
        raise wrong(f'no unit "{value}" is known', remedy, near=near)
    return value


def _time_zone(value: str) -> str:
    if value not in zone_names():
        near = _near_zone(value)
        remedy = f'write "{near}"' if near else 'write an IANA name such as "America/New_York"'
        raise wrong(f'no time zone "{value}" is known', remedy, near=near)
    return value


@cache
def zone_names() -> frozenset[str]:
    """Every IANA time zone name this machine knows."""
    return frozenset(available_timezones())


#: Abbreviations and plain words people write, and a place of that zone.
ZONE_OF_WORD = {
    "est": "America/New_York",
    "edt": "America/New_York",
    "et": "America/New_York",
    "eastern": "America/New_York",
    "cst": "America/Chicago",
    "cdt": "America/Chicago",
    "ct": "America/Chicago",
    "central": "America/Chicago",
    "mst": "America/Denver",
    "mdt": "America/Denver",
    "mt": "America/Denver",
    "mountain": "America/Denver",
    "pst": "America/Los_Angeles",
    "pdt": "America/Los_Angeles",
    "pt": "America/Los_Angeles",
    "pacific": "America/Los_Angeles",
    "hst": "Pacific/Honolulu",
    "cest": "Europe/Berlin",
    "mez": "Europe/Berlin",
    "mesz": "Europe/Berlin",
    "bst": "Europe/London",
    "central european": "Europe/Berlin",
    "eastern european": "Europe/Helsinki",
    "western european": "Europe/Lisbon",
}


_OFFSET = re.compile(r"(?i)\s*(utc|gmt)\s*[+-]?\s*[0-9]|[+-][0-9]")


def _near_zone(text: str) -> str | None:
    word = re.sub(r"\s+(standard |daylight |summer )?time$", "", " ".join(text.casefold().split()))
    if near := ZONE_OF_WORD.get(word):
        return near
    # Etc/GMT-5 lies five hours east of Greenwich: whoever writes "UTC-5" means the opposite, and has summer time, too.
    names = tuple(sorted(name for name in zone_names() if not name.startswith("Etc/") and not _OFFSET.match(name)))
    if _OFFSET.match(text):
        return None
    spelt = word.replace(" ", "_")
    if ends := [name for name in names if name.casefold().rpartition("/")[2] == spelt]:
        return ends[0]
    return near_word(spelt, names)


#: In SI, from a number in the site's unit or a text with a unit.
Length = Annotated[float, BeforeValidator(_length)]  # [m]
Flow = Annotated[float, BeforeValidator(_flow)]  # [m³/s]
LimitValue = Annotated[float, BeforeValidator(_limit)]  # in SI, of the quantity its key names
Duration = Annotated[timedelta, BeforeValidator(_duration)]
Slope = Annotated[float, BeforeValidator(_slope)]  # fall per length [–]
DepthShare = Annotated[float, BeforeValidator(_depth_share)]  # part of the side water depth [–]
ReachShare = Annotated[float, BeforeValidator(_reach_share)]  # part of the radius or length [–]

Words = Annotated[str, StringConstraints(min_length=1)]
#: Names that end up in links, file names and messages.
Key = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$")]
UnitSymbol = Annotated[str, BeforeValidator(lambda v: _unit_symbol(v.strip()) if isinstance(v, str) else v)]
TimeZone = Annotated[str, BeforeValidator(lambda v: _time_zone(v.strip()) if isinstance(v, str) else v)]
