"""Loading rates of a clarifier: overflow, solids, weir and underflow rates, detention, and the split between tanks.

Flows come in as stored, in m³/s; answers come in the units the trade reads, in SI.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from service.errors import DomainError

_HOUR = 3600.0
_DAY = 86_400.0


def surface_overflow_rate(flow: float, area: float) -> float:
    """Upward speed of the clear water: effluent over surface, return sludge left out.

    Parameters
    ----------
    flow : effluent of the tank. [m³/s]
    area : water surface. [m²]

    Returns
    -------
    Overflow rate. [m/h]

    References
    ----------
    Michigan DEQ, Operator Training and Certification Unit, Clarifier Calculations.

    >>> round(surface_overflow_rate(18061 / 86400, 1500.0), 6)
    0.501694
    """
    return _not_negative("flow", flow) * _HOUR / _positive("area", area)


def underflow_rate(return_flow: float, area: float) -> float:
    """Downward speed of the sludge drawn off: underflow over surface.

    Parameters
    ----------
    return_flow : return sludge, and waste where it is drawn from the tank. [m³/s]
    area : water surface. [m²]

    Returns
    -------
    Underflow rate. [m/h]

    >>> round(underflow_rate(18831 / 86400, 1500.0), 6)
    0.523083
    """
    return _not_negative("return flow", return_flow) * _HOUR / _positive("area", area)


def solids_loading_rate(flow: float, return_flow: float, feed_solids: float, area: float) -> float:
    """Solids brought to the tank over its surface: ``(Q + Qr) · X / A``.

    Parameters
    ----------
    flow, return_flow : effluent and return sludge of the tank. [m³/s]
    feed_solids : mixed-liquor solids. [kg/m³]
    area : water surface. [m²]

    Returns
    -------
    Solids loading rate. [kg/(m²·h)]

    References
    ----------
    Metcalf & Eddy (2003). Wastewater Engineering, 4th ed. (seen as cited by an operator page).

    >>> round(solids_loading_rate(18061 / 86400, 18831 / 86400, 3.269837, 1500.0), 5)
    3.35086
    """
    total = _not_negative("flow", flow) + _not_negative("return flow", return_flow)
    return total * _HOUR * _not_negative("feed solids", feed_solids) / _positive("area", area)


def weir_loading(flow: float, weir_length: float) -> float:
    """Effluent per length of weir.

    Parameters
    ----------
    flow : effluent of the tank. [m³/s]
    weir_length : crest length in use, both edges of a trough counted. [m]

    Returns
    -------
    Weir loading. [m³/(m·d)]

    >>> round(weir_loading(0.1, 80.0), 3)
    108.0
    """
    return _not_negative("flow", flow) * _DAY / _positive("weir length", weir_length)


def circular_weir_length(weir_diameter: float) -> float:
    """Crest length of one ring of weir. [m]

    >>> round(circular_weir_length(24.0), 3)
    75.398
    """
    return math.pi * _positive("weir diameter", weir_diameter)


def detention_time(volume: float, flow: float, return_flow: float = 0.0) -> float:
    """Time the water stays: volume over the flow into the tank.

    Parameters
    ----------
    volume : of the tank. [m³]
    flow : effluent of the tank. [m³/s]
    return_flow : return sludge; leave at zero for the nominal design value. [m³/s]

    Returns
    -------
    Detention time. [h]

    Raises
    ------
    DomainError
        when nothing flows.

    >>> round(detention_time(6000.0, 18061 / 86400, 18831 / 86400), 4)
    3.9033
    """
    total = _not_negative("flow", flow) + _not_negative("return flow", return_flow)
    return _positive("volume", volume) / (_positive("flow into the tank", total) * _HOUR)


def flow_split(total: float, areas: Mapping[str, float], shares: Mapping[str, float] | None = None) -> dict[str, float]:
    """Flow to each tank in service.

    Parameters
    ----------
    total : flow to be split. [m³/s]
    areas : water surface of every tank in service. [m²]
    shares : relative share per unit of surface where it is known to be uneven; 1 where not named. [–]

    Returns
    -------
    Flow per tank, summing to *total*. [m³/s]

    Notes
    -----
    A split in proportion to surface is what a splitter box is meant to do (common practice, no source); weirs at uneven
    height or a blocked gate break it, which is why a measured flow per tank is worth more.

    >>> flow_split(0.3, {"a": 400.0, "b": 200.0})
    {'a': 0.2, 'b': 0.1}
    """
    _not_negative("flow", total)
    if not areas:
        raise DomainError("no tank is in service: there is nowhere for the flow to go")
    weights = {
        tank: _positive(f"area of {tank}", area) * _not_negative("share", (shares or {}).get(tank, 1.0))
        for tank, area in areas.items()
    }
    whole = _positive("sum of the shares", sum(weights.values()))
    return {tank: total * weight / whole for tank, weight in weights.items()}


def _positive(name: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise DomainError(f"{name} must be positive, got {value}")
    return value


def _not_negative(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise DomainError(f"{name} must not be negative, got {value}")
    return value
