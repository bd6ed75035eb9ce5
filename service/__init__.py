"""Underweir: watches clarifier sludge blankets and calls people before solids reach the weir."""

__version__ = "0.1.0"
