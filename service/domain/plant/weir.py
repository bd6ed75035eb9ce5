"""Head over V-notches for a discharge."""

from __future__ import annotations

import math

from service.domain.plant.tank import NotchedWeir, Tank
from service.errors import DomainError

#: Standard acceleration of gravity (CGPM 1901). [m/s²]
GRAVITY = 9.80665


def notch_head(flow: float, angle: float, coefficient: float = 0.58) -> float:
    """Head over one V-notch for a flow, from ``flow = 8/15 · Cd · √(2g) · tan(θ/2) · head^5/2``.

    Parameters
    ----------
    flow : over the notch. [m³/s]
    angle : of the notch. [degree]
    coefficient : of discharge, Cd. [–]

    Returns
    -------
    Water surface above the bottom of the notch. [m]

    Notes
    -----
    Thin plate, free fall, head above about 0.05 m; Cd runs from 0.58 to 0.60 for 90° (from memory: ISO 1438).

    References
    ----------
    ISO 1438, Hydrometry: open channel flow measurement using thin-plate weirs.

    >>> round(notch_head(0.004482, 90.0, 0.6), 4)
    0.1
    """
    if flow < 0.0:
        raise DomainError(f"flow over a weir must not be negative, got {flow}")
    return float((flow / _strength(angle, coefficient)) ** 0.4)


def head_over_weir(flow: float, weir: NotchedWeir) -> float:
    """Water surface above the bottom of the notches for the flow of a whole tank. [m]

    Parameters
    ----------
    flow : effluent of the tank. [m³/s]
    weir : its notches.

    >>> round(head_over_weir(0.1, NotchedWeir(notch_angle=90.0, notch_count=250)), 4)
    0.0386
    """
    if weir.notch_count < 1:
        raise DomainError("a notched weir needs at least one notch")
    return notch_head(flow / weir.notch_count, weir.notch_angle, weir.discharge_coefficient)


#: A water level further than this above the weir crest is no water level [m].
MOST_OVER_WEIR = 1.0


def is_water_level(value: float, tank: Tank) -> bool:
    """Whether a measured height of the water surface above the floor datum can be one. [m]"""
    return tank.lowest_height <= value <= tank.side_water_depth + MOST_OVER_WEIR


def water_surface(flow: float | None, tank: Tank) -> float:
    """Water surface above the weir crest, zero where flow or notches are not known. [m]"""
    if flow is None or tank.notched_weir is None or not flow > 0.0:
        return 0.0
    return head_over_weir(flow, tank.notched_weir)


def _strength(angle: float, coefficient: float) -> float:
    if not 0.0 < angle < 180.0 or coefficient <= 0.0:
        raise DomainError(f"a V-notch of {angle} degrees with coefficient {coefficient} is impossible")
    return 8.0 / 15.0 * coefficient * math.sqrt(2.0 * GRAVITY) * math.tan(math.radians(angle) / 2.0)
