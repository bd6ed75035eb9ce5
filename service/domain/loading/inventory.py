"""Solids balances: sludge held in the tanks, its detention time, and the sludge returned.

Flows in m³/s, solids in kg/m³, masses in kg, times in h.
"""

from __future__ import annotations

from service.domain.plant.tank import Tank, TankShape
from service.errors import DomainError

_HOUR = 3600.0


def blanket_volume(tank: Tank, height: float) -> float:
    """Volume below a blanket height, the space in a sloping floor included. [m³]

    Parameters
    ----------
    tank : its shape and floor.
    height : blanket above the floor datum, negative inside the floor's cone or wedge. [m]

    Notes
    -----
    A circular floor is taken as a cone to the centre, a rectangular one as a wedge to the far end.

    >>> from service.domain.plant.tank import TankKind
    >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
    ...          side_water_depth=4.0, floor_slope=1 / 12)
    >>> round(blanket_volume(t, 0.0), 2)  # a third of 706.86 m² x 1.25 m
    294.52
    """
    drop = -tank.lowest_height
    power = 3 if tank.shape is TankShape.CIRCULAR else 2
    floor = tank.area * drop / power
    if height >= 0.0:
        return floor + tank.area * height
    if height <= -drop:
        return 0.0
    return floor * float(((height + drop) / drop) ** power)


def blanket_solids(tank: Tank, height: float, blanket_concentration: float, clear_concentration: float = 0.0) -> float:
    """Solids held in a tank: blanket, and clear water where its solids are given.

    Parameters
    ----------
    tank : its shape and floor.
    height : blanket above the floor datum. [m]
    blanket_concentration : mean solids of the blanket. [kg/m³]
    clear_concentration : mean solids of the water above; usually neglected. [kg/m³]

    Returns
    -------
    Mass. [kg]

    >>> from service.domain.plant.tank import TankKind
    >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=18.288,
    ...          side_water_depth=4.0)
    >>> round(blanket_solids(t, 0.9144, 8.0), 2)  # 3 ft in a 60 ft tank at 8000 mg/L
    1921.54
    """
    if blanket_concentration < 0.0 or clear_concentration < 0.0:
        raise DomainError("concentrations must not be negative")
    above = max(tank.side_water_depth - max(height, 0.0), 0.0) * tank.area
    return blanket_volume(tank, height) * blanket_concentration + above * clear_concentration


def sludge_detention(held: float, return_flow: float, return_solids: float) -> float:
    """How long sludge stays in the tank: solids held over solids drawn off.

    Parameters
    ----------
    held : solids in the tank. [kg]
    return_flow : underflow. [m³/s]
    return_solids : its solids. [kg/m³]

    Returns
    -------
    Time; infinite when nothing is drawn. [h]

    Notes
    -----
    Nitrifying plants see gas-lifted sludge when it grows to some hours (common practice, no source).

    >>> sludge_detention(1800.0, 0.05, 10.0)
    1.0
    """
    drawn = return_flow * return_solids * _HOUR
    return held / drawn if drawn > 0.0 else float("inf")


def solids_retention_time(
    basin_volume: float,
    mixed_liquor: float,
    waste_flow: float,
    waste_solids: float,
    effluent_flow: float = 0.0,
    effluent_solids: float = 0.0,
    held_in_tanks: float = 0.0,
) -> float:
    """Mean age of the sludge: solids in the system over solids leaving it.

    Parameters
    ----------
    basin_volume, mixed_liquor : of the aeration basins. [m³], [kg/m³]
    waste_flow, waste_solids : waste sludge. [m³/s], [kg/m³]
    effluent_flow, effluent_solids : what leaves over the weirs. [m³/s], [kg/m³]
    held_in_tanks : solids in the settling tanks; zero leaves them out. [kg]

    Returns
    -------
    Time. [h]

    Notes
    -----
    Four conventions are in use for the tanks' share: column core average, blanket volume times blanket solids, tanks
    taken as full of mixed liquor, or left out. Say which one a number uses.

    References
    ----------
    waterfacts.net, Formulas, MCRT.

    >>> round(solids_retention_time(4000.0, 3.0, 0.004, 8.0) / 24, 2)
    4.34
    """
    leaving = (waste_flow * waste_solids + effluent_flow * effluent_solids) * _HOUR
    if leaving <= 0.0:
        return float("inf")
    return (basin_volume * mixed_liquor + held_in_tanks) / leaving


def return_flow_from_balance(
    flow: float,
    mixed_liquor: float,
    return_solids: float,
    waste_flow: float = 0.0,
    effluent_flow: float = 0.0,
    effluent_solids: float = 0.0,
) -> float:
    """Return flow that keeps the solids of the tank steady: ``(Q·X − Qw·Xr − Qe·Xe) / (Xr − X)``.

    Parameters
    ----------
    flow : inflow of the plant. [m³/s]
    mixed_liquor, return_solids : [kg/m³]
    waste_flow : drawn from the return line. [m³/s]
    effluent_flow, effluent_solids : over the weirs. [m³/s], [kg/m³]

    Returns
    -------
    Return flow. [m³/s]

    Notes
    -----
    The simple form ``R = X/(Xr − X)`` neglects waste and effluent solids.

    >>> q = return_flow_from_balance(18446 / 86400, 3.269837, 6.39398442, 385 / 86400, 18061 / 86400, 0.01249695)
    >>> round(q * 86400)
    18446
    """
    if return_solids <= mixed_liquor:
        raise DomainError(
            f"return sludge of {return_solids} kg/m³ is no thicker than the mixed liquor ({mixed_liquor}): no balance"
        )
    gain = flow * mixed_liquor - waste_flow * return_solids - effluent_flow * effluent_solids
    return gain / (return_solids - mixed_liquor)
