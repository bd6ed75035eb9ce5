"""Every unit against the exact definitions, worked out here in fractions, and against published tables."""

from __future__ import annotations

from fractions import Fraction

import pytest

from service.domain.plant.units import SHOWN, UNITS, Dimension, convert, from_si, shown_unit, symbols_of, to_si
from service.errors import DomainError

# NIST SP 811 (2008), appendix B and footnotes; all exact: 1 ft = 0.3048 m, 1 in = 1/12 ft, 1 US gal = 231 in³,
# 1 lb (avoirdupois) = 0.453 592 37 kg.
FT = Fraction("0.3048")
INCH = FT / 12
GAL = 231 * INCH**3
LB = Fraction("0.45359237")
MINUTE, HOUR, DAY = Fraction(60), Fraction(3600), Fraction(86400)
LITRE = Fraction(1, 1000)

#: Each unit in the unit its dimension is kept in. A new unit without a line here fails.
EXACT: dict[str, tuple[Dimension, Fraction]] = {
    "m": (Dimension.LENGTH, Fraction(1)),
    "cm": (Dimension.LENGTH, Fraction(1, 100)),
    "mm": (Dimension.LENGTH, Fraction(1, 1000)),
    "ft": (Dimension.LENGTH, FT),
    "in": (Dimension.LENGTH, INCH),
    "m2": (Dimension.AREA, Fraction(1)),
    "ft2": (Dimension.AREA, FT * FT),
    "m3": (Dimension.VOLUME, Fraction(1)),
    "ft3": (Dimension.VOLUME, FT**3),
    "gal": (Dimension.VOLUME, GAL),
    "MG": (Dimension.VOLUME, 10**6 * GAL),
    "L": (Dimension.VOLUME, LITRE),
    "m3/s": (Dimension.FLOW, Fraction(1)),
    "m3/h": (Dimension.FLOW, 1 / HOUR),
    "m3/d": (Dimension.FLOW, 1 / DAY),
    "L/s": (Dimension.FLOW, LITRE),
    "MGD": (Dimension.FLOW, 10**6 * GAL / DAY),
    "gpm": (Dimension.FLOW, GAL / MINUTE),
    "gpd": (Dimension.FLOW, GAL / DAY),
    # Speed of an interface is kept in m/h.
    "m/h": (Dimension.SPEED, Fraction(1)),
    "ft/h": (Dimension.SPEED, FT),
    "in/h": (Dimension.SPEED, INCH),
    # Concentration is kept in kg/m³.
    "kg/m3": (Dimension.CONCENTRATION, Fraction(1)),
    "g/L": (Dimension.CONCENTRATION, Fraction(1, 1000) / LITRE),
    "mg/L": (Dimension.CONCENTRATION, Fraction(1, 10**6) / LITRE),
    "g/m3": (Dimension.CONCENTRATION, Fraction(1, 1000)),
    "%solids": (Dimension.CONCENTRATION, Fraction(10)),
    "kg": (Dimension.MASS, Fraction(1)),
    "lb": (Dimension.MASS, LB),
    "kg/s": (Dimension.MASS_RATE, Fraction(1)),
    "kg/h": (Dimension.MASS_RATE, 1 / HOUR),
    "kg/d": (Dimension.MASS_RATE, 1 / DAY),
    "lb/d": (Dimension.MASS_RATE, LB / DAY),
    # Solids loading is kept in kg/(m²·h).
    "kg/m2.h": (Dimension.SOLIDS_LOADING, Fraction(1)),
    "kg/m2.d": (Dimension.SOLIDS_LOADING, HOUR / DAY),
    "lb/d.ft2": (Dimension.SOLIDS_LOADING, LB / (DAY / HOUR) / FT**2),
    # Overflow rate is kept in m³/(m²·h).
    "m3/m2.h": (Dimension.OVERFLOW_RATE, Fraction(1)),
    "m3/m2.d": (Dimension.OVERFLOW_RATE, HOUR / DAY),
    "gpd/ft2": (Dimension.OVERFLOW_RATE, GAL / (DAY / HOUR) / FT**2),
    # Weir loading is kept in m³/(m·d).
    "m3/m.d": (Dimension.WEIR_LOADING, Fraction(1)),
    "gpd/ft": (Dimension.WEIR_LOADING, GAL / FT),
    "mL/L": (Dimension.SETTLED_VOLUME, Fraction(1)),
    "mL/g": (Dimension.SLUDGE_INDEX, Fraction(1)),
    "NTU": (Dimension.TURBIDITY, Fraction(1)),
    "deg": (Dimension.ANGLE, Fraction(1)),
    "%": (Dimension.RATIO, Fraction(1, 100)),
    "1": (Dimension.RATIO, Fraction(1)),
    # Time is kept in hours.
    "h": (Dimension.TIME, Fraction(1)),
    "min": (Dimension.TIME, MINUTE / HOUR),
    "s": (Dimension.TIME, 1 / HOUR),
    "d": (Dimension.TIME, DAY / HOUR),
    "state": (Dimension.STATUS, Fraction(1)),
    "degC": (Dimension.TEMPERATURE, Fraction(1)),
    "degF": (Dimension.TEMPERATURE, Fraction(5, 9)),
}

#: NIST SP 811 (2008), appendix B.8: t/°C = (t/°F − 32)/1.8. Every other unit begins where SI does.
OFFSETS = {"degF": Fraction(-160, 9)}


def test_every_unit_stands_in_the_table_and_the_table_in_the_code() -> None:
    assert set(UNITS) == set(EXACT)
    assert len({unit.symbol for unit in UNITS.values()}) == len(UNITS)


@pytest.mark.parametrize("symbol", EXACT)
def test_a_factor_off_by_anything_would_put_the_blanket_or_the_load_elsewhere(symbol: str) -> None:
    dimension, exact = EXACT[symbol]
    assert UNITS[symbol].dimension is dimension
    assert UNITS[symbol].symbol == symbol
    assert UNITS[symbol].factor == pytest.approx(float(exact), rel=1e-14)
    offset = OFFSETS.get(symbol, Fraction(0))
    assert to_si(7.0, symbol) == pytest.approx(float(7 * exact + offset), rel=1e-14)
    assert from_si(7.0, symbol) == pytest.approx(float((7 - offset) / exact), rel=1e-14)


@pytest.mark.parametrize(
    ("value", "source", "target", "published"),
    [
        # NIST SP 811 (2008), appendix B.8, to the digits printed there.
        (1.0, "ft3", "m3", "0.02831685"),
        (1.0, "gal", "L", "3.785412"),
        (1.0, "gpd", "m3/s", "4.381264e-08"),
        (1.0, "gpm", "L/s", "0.06309020"),
        # Customary in the trade (from memory): 1 cubic foot holds 7.48 gallons; 694 gpm are a million gallons a day;
        # pounds are million gallons times mg/L times 8.34.
        (1.0, "ft3", "gal", "7.48"),
        (1.0, "MGD", "gpm", "694"),
        (1.0, "MGD", "L/s", "43.81"),
        (1.0, "lb/d.ft2", "kg/m2.d", "4.88"),
        (1.0, "gpd/ft2", "m3/m2.d", "0.04075"),
        (10_000.0, "gpd/ft", "m3/m.d", "124"),
        (1.0, "lb/d", "kg/d", "0.4536"),
        (24.0, "kg/h", "kg/d", "576"),
        # Water boils and freezes; both scales meet at -40 (from memory).
        (212.0, "degF", "degC", "100"),
        (100.0, "degC", "degF", "212"),
        (59.0, "degF", "degC", "15"),
        (0.8, "%solids", "mg/L", "8000"),
    ],
)
def test_conversions_are_those_of_the_printed_tables(value: float, source: str, target: str, published: str) -> None:
    digits = len(published.partition("e")[0].replace(".", "").lstrip("0"))
    assert f"{convert(value, source, target):.{digits}g}" == f"{float(published):.{digits}g}"


def test_a_million_gallons_at_a_milligram_a_litre_weigh_the_trades_pounds() -> None:
    pounds = to_si(1.0, "MGD") * to_si(1.0, "mg/L")
    assert from_si(pounds, "lb/d") == pytest.approx(8.34540445201933, rel=1e-12)  # 8.34 in every handbook


def test_what_measures_something_else_is_not_converted() -> None:
    with pytest.raises(DomainError, match="cannot convert"):
        convert(1.0, "ft", "gal")
    with pytest.raises(DomainError, match="unknown unit"):
        to_si(1.0, "furlong")


#: What people of either country read. [symbol]
READ = {
    Dimension.LENGTH: ("ft", "m"),
    Dimension.AREA: ("ft2", "m2"),
    Dimension.VOLUME: ("MG", "m3"),
    Dimension.FLOW: ("MGD", "m3/h"),
    Dimension.SPEED: ("ft/h", "m/h"),
    Dimension.CONCENTRATION: ("mg/L", "mg/L"),
    Dimension.MASS: ("lb", "kg"),
    Dimension.MASS_RATE: ("lb/d", "kg/d"),
    Dimension.SOLIDS_LOADING: ("lb/d.ft2", "kg/m2.h"),
    Dimension.OVERFLOW_RATE: ("gpd/ft2", "m3/m2.h"),
    Dimension.WEIR_LOADING: ("gpd/ft", "m3/m.d"),
    Dimension.SETTLED_VOLUME: ("mL/L", "mL/L"),
    Dimension.SLUDGE_INDEX: ("mL/g", "mL/g"),
    Dimension.TURBIDITY: ("NTU", "NTU"),
    Dimension.ANGLE: ("deg", "deg"),
    Dimension.RATIO: ("1", "1"),
    Dimension.TIME: ("h", "h"),
    Dimension.STATUS: ("state", "state"),
    Dimension.TEMPERATURE: ("degC", "degC"),
}


def test_every_dimension_is_read_in_the_countrys_own_unit() -> None:
    assert {d: (shown_unit(d, "us"), shown_unit(d, "si")) for d in Dimension} == READ
    assert set(SHOWN) == {"us", "si"}


@pytest.mark.parametrize("dimension", list(Dimension))
def test_what_may_be_typed_for_a_dimension_measures_it(dimension: Dimension) -> None:
    assert set(symbols_of(dimension)) == {symbol for symbol, (of, _) in EXACT.items() if of is dimension}
