"""Words the day's figures and values for pages, commands and reports."""

from __future__ import annotations

from service.domain.laboratory.check import spelled
from service.domain.laboratory.day import DayFigure
from service.domain.plant.display import format_quantity, to_three_figures
from service.domain.plant.units import Dimension, UnitSystem, from_si


def figure_words(figure: DayFigure, units: UnitSystem) -> str:
    """A figure's value as the site reads it; a solids age in days, a waste flow in gallons or cubic metres a day."""
    if figure.value is None:
        return "not known"
    if figure.dimension is Dimension.TIME:
        return f"{figure.value / 24.0:.1f} d"
    if figure.key == "density_index":
        return f"{figure.value / 10.0:.2f} g/100 mL"
    if figure.dimension is Dimension.FLOW and figure.key.startswith("waste"):
        unit = "gpd" if units == "us" else "m3/d"
        return f"{to_three_figures(from_si(figure.value, unit))} {unit}"
    return format_quantity(figure.value, figure.dimension, units)


def typed_words(value: float, unit: str) -> str:
    """A number as typed, with its unit as people read it.

    >>> typed_words(59.0, "degF"), typed_words(0.8, "%solids")
    ('59 °F', '0.8 % solids')
    """
    return f"{value:g} {spelled(unit)}"
