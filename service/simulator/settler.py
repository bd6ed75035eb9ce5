"""Layered settlers that make the true blanket: many tanks stepped side by side, explicit in time.

Each tank is a column of equal layers over an equivalent flat floor. Solids fall by hindered settling (a double
exponential curve), ride down with the underflow below the feed and up with the effluent above it, and lean on each
other above a gel concentration. Gravity fluxes between layers are Godunov's: what the upper layer can send, or what the
lower one can take, whichever is less. Inside: hours, metres, kg/m³.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.errors import DomainError

Floats = NDArray[np.float64]

LAYERS = 32
SUBSTEPS_PER_MINUTE = 2
#: Solids below this are clear water, above this they are blanket; between, a layer counts in part. [kg/m³]
_CLEAR, _BLANKET = 1.2, 4.2
#: Solids above this carry part of their own weight on what lies below. [kg/m³]
_GEL = 5.0
#: Strength of that support. [m²/h]
_SUPPORT = 0.22
#: Rounding off of the curve at low solids, where flocs settle one by one. [m³/kg]
_DISCRETE = 9.0


@dataclass(frozen=True, slots=True)
class Columns:
    """Geometry of the tanks stepped side by side; one entry a tank."""

    area: Floats  #: [m²]
    side_water_depth: Floats  #: [m]
    cone_depth: Floats  #: floor drop from the wall to the lowest point [m]
    feed_height: Floats  #: above the floor datum [m]

    @property
    def equivalent_floor(self) -> Floats:
        """How far the flat floor of equal volume lies below the floor datum. [m]"""
        return self.cone_depth / 3.0

    @property
    def layer(self) -> Floats:
        """Thickness of one layer. [m]"""
        return (self.side_water_depth + self.equivalent_floor) / LAYERS

    def feed_shares(self) -> Floats:
        """Share of the feed each layer receives: spread over about half a metre. [–]"""
        centres = (np.arange(LAYERS) + 0.5) * self.layer[:, None] - self.equivalent_floor[:, None]
        weight = np.exp(-0.5 * ((centres - self.feed_height[:, None]) / 0.25) ** 2)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))


def settling_curve(settleability: Floats) -> tuple[Floats, Floats]:
    """Initial settling speed [m/h] and hindrance [m³/kg] of a sludge with that index. [mL/g]

    Shape after Härtel and Pöpel (1992), coefficients from memory and slightly changed: the estimators elsewhere use
    another correlation on purpose, because a real sludge follows none exactly.
    """
    speed = 16.0 * np.exp(-0.0113 * settleability) + 4.0
    hindrance = 1.02 - 0.96 * np.exp(-0.0058 * settleability)
    return speed, hindrance


class Settlers:
    """Solids in a row of tanks, advanced in small steps."""

    def __init__(self, columns: Columns, start_solids: float = 0.01) -> None:
        if not (columns.area.shape == columns.side_water_depth.shape == columns.cone_depth.shape):
            raise DomainError("geometry arrays of the simulated tanks differ in length")
        self.columns = columns
        self.solids: Floats = np.full((columns.area.size, LAYERS), start_solids)
        self._shares = columns.feed_shares()
        self._above_feed = np.cumsum(self._shares, axis=1)[:, :-1]  # share of feed that entered at or below the face
        self._layer = columns.layer[:, None]

    @property
    def underflow_solids(self) -> Floats:
        """What the return pumps draw. [kg/m³]"""
        return self.solids[:, 0]

    @property
    def effluent_solids(self) -> Floats:
        """What leaves over the weir. [kg/m³]"""
        return self.solids[:, -1]

    def step(
        self, hours: float, effluent: Floats, underflow: Floats, feed_solids: Floats, speed: Floats, hindrance: Floats
    ) -> None:
        """Advance every tank by one explicit step.

        Parameters
        ----------
        hours : length of the step; must keep the Courant number below one. [h]
        effluent, underflow : flow over the weir and out of the floor, per tank. [m³/h]
        feed_solids : solids in the feed. [kg/m³]
        speed, hindrance : settling curve of the sludge, per tank. [m/h], [m³/kg]
        """
        x = self.solids
        area = self.columns.area[:, None]
        peak_at = 1.0 / hindrance[:, None]
        falling = x * speed[:, None] * np.exp(-hindrance[:, None] * x) * (1.0 - np.exp(-_DISCRETE * x))
        peak = peak_at * speed[:, None] * np.exp(-1.0)
        heavy = x > peak_at
        send = np.where(heavy, peak, falling)
        take = np.where(heavy, falling, peak)
        gravity = np.minimum(send[:, 1:], take[:, :-1])
        leaning = np.maximum(x - _GEL, 0.0)
        support = _SUPPORT * (leaning[:, :-1] - leaning[:, 1:]) / self._layer
        # Water through a face: down by the underflow less what already entered below, up where the feed lies below.
        total = (effluent + underflow)[:, None]
        upward = (self._above_feed * total - underflow[:, None]) / area
        carried = np.where(upward > 0.0, upward * x[:, :-1], upward * x[:, 1:])
        net_up = carried + support - gravity
        change = self._shares * total * feed_solids[:, None] / area
        change[:, 1:] += net_up
        change[:, :-1] -= net_up
        change[:, 0] -= underflow / self.columns.area * x[:, 0]
        change[:, -1] -= effluent / self.columns.area * x[:, -1]
        self.solids = np.maximum(x + hours / self._layer * change, 0.0)

    def blanket_height(self) -> Floats:
        """Blanket height above the floor datum, negative while the blanket stays inside the floor's cone. [m]"""
        part = np.clip((self.solids - _CLEAR) / (_BLANKET - _CLEAR), 0.0, 1.0)
        flat = part.sum(axis=1) * self.columns.layer
        depth = np.maximum(self.columns.cone_depth, 1e-9)
        inside = depth * (np.cbrt(np.minimum(3.0 * flat / depth, 1.0)) - 1.0)
        return np.asarray(np.where(flat > self.columns.equivalent_floor, flat - self.columns.equivalent_floor, inside))

    def held(self) -> Floats:
        """Solids held in each tank. [kg]"""
        return np.asarray(self.solids.sum(axis=1) * self.columns.layer * self.columns.area)
