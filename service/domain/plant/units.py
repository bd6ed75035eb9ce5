"""Units: everything inside is SI; this is the only place that converts.

Factors are exact, from the definitions in NIST SP 811 (2008) appendix B: 1 ft = 0.3048 m, 1 in = 0.0254 m,
1 US gal = 231 in³, 1 lb = 0.453 592 37 kg.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from service.errors import DomainError

UnitSystem = Literal["us", "si"]


class Dimension(StrEnum):
    """What a unit measures. The unit in parentheses is the one kept."""

    LENGTH = "length"  # m
    AREA = "area"  # m²
    VOLUME = "volume"  # m³
    FLOW = "flow"  # m³/s
    SPEED = "speed"  # m/h: an interface's speed, the only one people read in hours
    CONCENTRATION = "concentration"  # kg/m³ (= g/L)
    MASS = "mass"  # kg
    MASS_RATE = "mass rate"  # kg/s
    SOLIDS_LOADING = "solids loading"  # kg/(m²·h)
    OVERFLOW_RATE = "overflow rate"  # m/h
    WEIR_LOADING = "weir loading"  # m³/(m·d)
    SETTLED_VOLUME = "settled volume"  # mL/L
    SLUDGE_INDEX = "sludge index"  # mL/g
    TURBIDITY = "turbidity"  # NTU
    ANGLE = "angle"  # degree
    RATIO = "ratio"  # –
    TIME = "time"  # h
    STATUS = "status"  # –
    TEMPERATURE = "temperature"  # °C


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit people type: ``SI value = value × factor + offset``."""

    symbol: str
    dimension: Dimension
    factor: float
    offset: float = 0.0  #: zero but for temperatures


_FT = 0.3048
_IN = 0.0254
_GAL_M3 = 0.003785411784  # 231 in³, exact
_LB = 0.45359237
_DAY = 86_400.0

_UNITS: tuple[Unit, ...] = (
    Unit("m", Dimension.LENGTH, 1.0),
    Unit("cm", Dimension.LENGTH, 0.01),
    Unit("mm", Dimension.LENGTH, 0.001),
    Unit("ft", Dimension.LENGTH, _FT),
    Unit("in", Dimension.LENGTH, _IN),
    Unit("m2", Dimension.AREA, 1.0),
    Unit("ft2", Dimension.AREA, _FT**2),
    Unit("m3", Dimension.VOLUME, 1.0),
    Unit("ft3", Dimension.VOLUME, _FT**3),
    Unit("gal", Dimension.VOLUME, _GAL_M3),
    Unit("MG", Dimension.VOLUME, 1e6 * _GAL_M3),
    Unit("L", Dimension.VOLUME, 0.001),
    Unit("m3/s", Dimension.FLOW, 1.0),
    Unit("m3/h", Dimension.FLOW, 1 / 3600.0),
    Unit("m3/d", Dimension.FLOW, 1 / _DAY),
    Unit("L/s", Dimension.FLOW, 0.001),
    Unit("MGD", Dimension.FLOW, 1e6 * _GAL_M3 / _DAY),
    Unit("gpm", Dimension.FLOW, _GAL_M3 / 60.0),
    Unit("gpd", Dimension.FLOW, _GAL_M3 / _DAY),
    Unit("m/h", Dimension.SPEED, 1.0),
    Unit("ft/h", Dimension.SPEED, _FT),
    Unit("in/h", Dimension.SPEED, _IN),
    Unit("kg/m3", Dimension.CONCENTRATION, 1.0),
    Unit("g/L", Dimension.CONCENTRATION, 1.0),
    Unit("mg/L", Dimension.CONCENTRATION, 0.001),
    Unit("g/m3", Dimension.CONCENTRATION, 0.001),
    # By weight, of a sludge as heavy as water: 1 % is 10 g in 1 kg (common practice, no source).
    Unit("%solids", Dimension.CONCENTRATION, 10.0),
    Unit("kg", Dimension.MASS, 1.0),
    Unit("lb", Dimension.MASS, _LB),
    Unit("kg/s", Dimension.MASS_RATE, 1.0),
    Unit("kg/d", Dimension.MASS_RATE, 1 / _DAY),
    Unit("kg/h", Dimension.MASS_RATE, 1 / 3600.0),
    Unit("lb/d", Dimension.MASS_RATE, _LB / _DAY),
    Unit("kg/m2.h", Dimension.SOLIDS_LOADING, 1.0),
    Unit("kg/m2.d", Dimension.SOLIDS_LOADING, 1 / 24.0),
    Unit("lb/d.ft2", Dimension.SOLIDS_LOADING, _LB / (24.0 * _FT**2)),
    Unit("m3/m2.h", Dimension.OVERFLOW_RATE, 1.0),
    Unit("m3/m2.d", Dimension.OVERFLOW_RATE, 1 / 24.0),
    Unit("gpd/ft2", Dimension.OVERFLOW_RATE, _GAL_M3 / (24.0 * _FT**2)),
    Unit("m3/m.d", Dimension.WEIR_LOADING, 1.0),
    Unit("gpd/ft", Dimension.WEIR_LOADING, _GAL_M3 / _FT),
    Unit("mL/L", Dimension.SETTLED_VOLUME, 1.0),
    Unit("mL/g", Dimension.SLUDGE_INDEX, 1.0),
    Unit("NTU", Dimension.TURBIDITY, 1.0),
    Unit("deg", Dimension.ANGLE, 1.0),
    Unit("%", Dimension.RATIO, 0.01),
    Unit("1", Dimension.RATIO, 1.0),
    Unit("h", Dimension.TIME, 1.0),
    Unit("min", Dimension.TIME, 1 / 60.0),
    Unit("s", Dimension.TIME, 1 / 3600.0),
    Unit("d", Dimension.TIME, 24.0),
    Unit("state", Dimension.STATUS, 1.0),
    Unit("degC", Dimension.TEMPERATURE, 1.0),
    Unit("degF", Dimension.TEMPERATURE, 5 / 9, -160 / 9),
)
UNITS: dict[str, Unit] = {unit.symbol: unit for unit in _UNITS}

#: What each unit system shows for a dimension.
SHOWN: dict[UnitSystem, dict[Dimension, str]] = {
    "us": {
        Dimension.LENGTH: "ft",
        Dimension.AREA: "ft2",
        Dimension.VOLUME: "MG",
        Dimension.FLOW: "MGD",
        Dimension.SPEED: "ft/h",
        Dimension.CONCENTRATION: "mg/L",
        Dimension.MASS: "lb",
        Dimension.MASS_RATE: "lb/d",
        Dimension.SOLIDS_LOADING: "lb/d.ft2",
        Dimension.OVERFLOW_RATE: "gpd/ft2",
        Dimension.WEIR_LOADING: "gpd/ft",
    },
    "si": {
        Dimension.LENGTH: "m",
        Dimension.AREA: "m2",
        Dimension.VOLUME: "m3",
        Dimension.FLOW: "m3/h",
        Dimension.SPEED: "m/h",
        Dimension.CONCENTRATION: "mg/L",
        Dimension.MASS: "kg",
        Dimension.MASS_RATE: "kg/d",
        Dimension.SOLIDS_LOADING: "kg/m2.h",
        Dimension.OVERFLOW_RATE: "m3/m2.h",
        Dimension.WEIR_LOADING: "m3/m.d",
    },
}


def unit(symbol: str) -> Unit:
    """The unit of that symbol.

    Raises
    ------
    DomainError
        when no such unit is known.

    >>> unit("ft").factor
    0.3048
    """
    try:
        return UNITS[symbol]
    except KeyError:
        raise DomainError(f"unknown unit {symbol!r}; known: {', '.join(UNITS)}") from None


def to_si(value: float, symbol: str) -> float:
    """*value* in unit *symbol*, as the SI value kept.

    >>> round(to_si(1.0, "MGD") * 86_400, 6)
    3785.411784
    """
    known = unit(symbol)
    return value * known.factor + known.offset


def from_si(value: float, symbol: str) -> float:
    """The SI value *value*, in unit *symbol*.

    >>> from_si(0.3048, "ft")
    1.0
    """
    known = unit(symbol)
    return (value - known.offset) / known.factor


def convert(value: float, source: str, target: str) -> float:
    """*value* from one unit to another of the same dimension.

    Raises
    ------
    DomainError
        when the two units measure different things.
    """
    a, b = unit(source), unit(target)
    if a.dimension is not b.dimension:
        raise DomainError(f"cannot convert {a.dimension} ({source}) to {b.dimension} ({target})")
    return (value * a.factor + a.offset - b.offset) / b.factor


def shown_unit(dimension: Dimension, system: UnitSystem) -> str:
    """The unit symbol a site with that unit system reads for a dimension."""
    symbol = SHOWN[system].get(dimension)
    if symbol is None:
        symbol = next(u.symbol for u in _UNITS if u.dimension is dimension and u.factor == 1.0)
    return symbol


def symbols_of(dimension: Dimension) -> tuple[str, ...]:
    """Every unit symbol that measures *dimension*."""
    return tuple(u.symbol for u in _UNITS if u.dimension is dimension)
