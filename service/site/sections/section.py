"""The base of all sections, without unknown keys and frozen, and the types of their fields, in SI."""

from __future__ import annotations

import re
from datetime import timedelta
from functools import cache
from typing import Annotated, cast
from zoneinfo import available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints, ValidationInfo

from service.domain.loading.limits import DIMENSION_OF_QUANTITY, Quantity
from service.domain.plant.units import UNITS, Dimension, UnitSystem, shown_unit
from service.site.sections.quantity import closest_unit, closest_word, duration, quantity, share, slope, wrong


class Section(BaseModel):
    """A table of the site file."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


def units_of(info: ValidationInfo) -> UnitSystem:
    """The site's unit system, which the reader passes as context."""
    return cast(UnitSystem, (info.context or {}).get("units", "si"))


def site_quantity(value: object, info: ValidationInfo, dimension: Dimension) -> float:
    """A number in the site's unit for a dimension, or a text with a unit. [SI]"""
    symbol = shown_unit(dimension, units_of(info))
    return quantity(
        value, dimension, symbol, f'{_EXAMPLE.get(dimension, 1)} or "{_EXAMPLE.get(dimension, 1)} {symbol}"'
    )


_EXAMPLE = {Dimension.LENGTH: 12, Dimension.SPEED: 1, Dimension.SOLIDS_LOADING: 30, Dimension.FLOW: 3}


def in_site_unit(dimension: Dimension, *, positive: bool = False) -> BeforeValidator:
    """A validator for numbers in the site's unit, or texts with a unit. [SI]"""

    def validate(value: object, info: ValidationInfo) -> float:
        number = site_quantity(value, info, dimension)
        return _positive(number) if positive else number

    return BeforeValidator(validate)


def _limit(value: object, info: ValidationInfo) -> float:
    """A limit on the quantity named by its key."""
    dimension = DIMENSION_OF_QUANTITY[Quantity[(info.field_name or "").upper()]]
    if dimension is Dimension.RATIO:
        return _positive(share(value, '"25 %" or 0.25'))
    return _positive(site_quantity(value, info, dimension))


def _positive(value: float) -> float:
    if not value > 0.0:
        raise wrong("is not above zero", "write a number above zero, or leave it out")
    return value


def _unit_symbol(value: str) -> str:
    if value not in UNITS:
        near = closest_unit(value)
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
    """The IANA time zone names of this machine."""
    return frozenset(available_timezones())


#: Abbreviations and words for time zones.
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
    # Etc/GMT-5 is five hours east of Greenwich: whoever writes "UTC-5" means the opposite, and has summer time, too.
    names = tuple(sorted(name for name in zone_names() if not name.startswith("Etc/") and not _OFFSET.match(name)))
    if _OFFSET.match(text):
        return None
    spelt = word.replace(" ", "_")
    if ends := [name for name in names if name.casefold().rpartition("/")[2] == spelt]:
        return ends[0]
    return closest_word(spelt, names)


#: In SI, from a number in the site's unit or a text with a unit.
Length = Annotated[float, in_site_unit(Dimension.LENGTH)]  # [m]
Volume = Annotated[float, in_site_unit(Dimension.VOLUME, positive=True)]  # [m³]
Flow = Annotated[float, in_site_unit(Dimension.FLOW, positive=True)]  # [m³/s]
LimitValue = Annotated[float, BeforeValidator(_limit)]  # in SI, of the quantity its key names
Duration = Annotated[timedelta, BeforeValidator(lambda v: duration(v))]
Slope = Annotated[float, BeforeValidator(slope)]  # fall per length [–]
DepthShare = Annotated[float, BeforeValidator(lambda v: share(v, '"25 %" or 0.25'))]  # part of the side water depth [–]
ReachShare = Annotated[float, BeforeValidator(lambda v: share(v, '"1/3"'))]  # part of the radius or length [–]

Words = Annotated[str, StringConstraints(min_length=1)]
#: Names that are used in links, file names and messages.
Key = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[A-Za-z0-9][A-Za-z0-9_.\-]*$")]
UnitSymbol = Annotated[str, BeforeValidator(lambda v: _unit_symbol(v.strip()) if isinstance(v, str) else v)]
TimeZone = Annotated[str, BeforeValidator(lambda v: _time_zone(v.strip()) if isinstance(v, str) else v)]


class SourceSection(Section):
    """A ``[[connector]]`` of any kind."""

    key: Key = Field(examples=['"scada-export"'])
    kind: str = Field(examples=['"csv"'])

    @property
    def carries_signals(self) -> bool:
        """Whether it delivers readings; a folder of hand cores does not."""
        return True

    def address_problem(self, address: str) -> tuple[str, str] | None:
        """The problem with a signal's address on this source, and the remedy; None if it is valid."""
        return None
