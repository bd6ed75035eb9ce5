"""Head over the weir: how far the water surface stands above the crest."""

from __future__ import annotations

import math

from service.domain.tank import Tank

GRAVITY = 9.80665  #: [m/s²]


def head_over_weir(tank: Tank, flow: float) -> float:
    """Water surface above the weir crest, for a weir of equal V-notches; 0 for a tank whose weir is not described.

    Parameters
    ----------
    flow : over the whole weir. [m³/s]

    Returns
    -------
    Head above the bottom of the notches. [m]

    Notes
    -----
    Q = n · 8/15 · Cd · √(2g) · tan(θ/2) · H^(5/2), the V-notch equation; valid while the nappe is free and the notches
    are not drowned or overtopped.

    References
    ----------
    ISO 1438:2017, Hydrometry: Open channel flow measurement using thin-plate weirs, triangular-notch weirs.

    >>> from service.domain.tank import NotchedWeir, TankKind, TankShape
    >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
    ...          side_water_depth=4.0, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    >>> round(head_over_weir(t, 1.37 * 0.2**2.5), 3)
    0.2
    """
    weir = tank.notched_weir
    if weir is None or flow <= 0.0:
        return 0.0
    slope = math.tan(math.radians(weir.notch_angle) / 2.0)
    per_head = weir.notch_count * (8.0 / 15.0) * weir.discharge_coefficient * math.sqrt(2.0 * GRAVITY) * slope
    return float((flow / per_head) ** 0.4)
