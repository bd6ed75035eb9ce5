"""Sludge indices from the settling test, and the return flow they call for.

Settled volumes in mL/L, solids in kg/m³ (which is g/L), indices in mL/g.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from service.errors import DomainError


def sludge_volume_index(settled_volume: float, solids: float) -> float:
    """Volume one gram of sludge fills after 30 minutes.

    Parameters
    ----------
    settled_volume : after 30 minutes. [mL/L]
    solids : of the mixed liquor. [kg/m³]

    Returns
    -------
    Sludge volume index. [mL/g]

    Notes
    -----
    Below about 100 an old, dense sludge; 100 to 200 ordinary; above 250 bulking. Settled volumes above about 250 mL/L
    in an unstirred cylinder understate speed and overstate the index: dilute (see :func:`diluted_index`).

    References
    ----------
    Standard Methods 2710 D. Bands as in a worked-example page of Spellman's handbook.

    >>> round(sludge_volume_index(365.0, 2.365), 4)
    154.334
    """
    return _volume(settled_volume) / _solids(solids)


def diluted_index(settled_volume: float, dilution: float, solids: float) -> float:
    """Index from a sample diluted with clear effluent (DSVI). [mL/g]

    Parameters
    ----------
    settled_volume : of the diluted sample, at best 150 to 250. [mL/L]
    dilution : final over original volume, 1 when undiluted. [–]
    solids : of the undiluted mixed liquor. [kg/m³]

    Notes
    -----
    Dilute until the settled volume is at most 250 mL/L; some texts say 200 (from memory).

    >>> diluted_index(200.0, 2.0, 3.2)
    125.0
    """
    if dilution < 1.0:
        raise DomainError(f"dilution is final over original volume and cannot be below 1, got {dilution}")
    return _volume(settled_volume) * dilution / _solids(solids)


def stirred_index_at(solids: Sequence[float], indices: Sequence[float], at: float = 3.5) -> float:
    """Stirred index at a standard concentration (SSVI 3.5), straight between tests. [mL/g]

    Parameters
    ----------
    solids : concentration of each stirred test, rising. [kg/m³]
    indices : stirred index of each test. [mL/g]
    at : standard concentration. [kg/m³]

    Raises
    ------
    DomainError
        when the tests do not straddle the standard concentration.

    >>> stirred_index_at([2.5, 4.5], [70.0, 90.0])
    80.0
    """
    if len(solids) != len(indices) or len(solids) < 2 or any(np.diff(solids) <= 0.0):
        raise DomainError("stirred tests need at least two rising concentrations and one index each")
    if not solids[0] <= at <= solids[-1]:
        raise DomainError(f"the tests span {solids[0]} to {solids[-1]} kg/m³ and do not straddle {at}")
    return float(np.interp(at, solids, indices))


def sludge_density_index(svi: float) -> float:
    """Sludge density index, 100 / SVI. [g/(100 mL)]

    >>> sludge_density_index(125.0)
    0.8
    """
    if svi <= 0.0:
        raise DomainError(f"sludge volume index must be positive, got {svi}")
    return 100.0 / svi


def settled_solids(svi: float) -> float:
    """Concentration the sludge reaches in the cylinder, 1000 / SVI. [kg/m³]

    Parameters
    ----------
    svi : sludge volume index. [mL/g]

    >>> settled_solids(100.0)
    10.0
    """
    if svi <= 0.0:
        raise DomainError(f"sludge volume index must be positive, got {svi}")
    return 1000.0 / svi


def return_ratio_from_settled_volume(settled_volume: float) -> float:
    """Return flow over inflow that the settling test asks for: ``SV / (1000 − SV)``.

    Parameters
    ----------
    settled_volume : after 30 minutes. [mL/L]

    Returns
    -------
    Return ratio Qr/Q. [–]

    Notes
    -----
    A starting point, not a set-point: assumes the tank thickens as the cylinder does. The revised advice of 1978 (A. W.
    West, Updated Summary) is that it over-controls for very fast and very slow sludges.

    >>> round(return_ratio_from_settled_volume(250.0), 4)
    0.3333
    """
    volume = _volume(settled_volume)
    if volume >= 1000.0:
        raise DomainError("nothing settled: the test gives no return ratio")
    return volume / (1000.0 - volume)


def return_flow_from_settled_volume_60(flow: float, return_flow: float, settled_volume: float) -> float:
    """Return flow asked for by the 60-minute settling test: ``(Q + Qr) · SV60``.

    Parameters
    ----------
    flow, return_flow : inflow and present return flow. [m³/s]
    settled_volume : after 60 minutes. [mL/L]

    Returns
    -------
    Return flow. [m³/s]

    References
    ----------
    Kerri, K. D. et al. (2007). Field-study training manual (seen in a secondary source).

    >>> return_flow_from_settled_volume_60(0.20, 0.10, 200.0)
    0.06
    """
    return round((flow + return_flow) * _volume(settled_volume) / 1000.0, 12)


def _volume(value: float) -> float:
    if not 0.0 < value <= 1000.0:
        raise DomainError(f"a settled volume of {value} mL/L is impossible; expected above 0 and at most 1000")
    return value


def _solids(value: float) -> float:
    if not value > 0.0:
        raise DomainError(f"solids must be positive, got {value} kg/m³")
    return value
