"""A layered one-dimensional settler with Godunov's fluxes, stepped explicitly; reproduces the IWA benchmark's settler."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.loading.settling import DoubleExponential
from service.errors import DomainError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LayeredSettler:
    """A column of equal layers, counted from the floor, fed into one of them.

    Notes
    -----
    The flux between two layers is the lesser of the two gravity fluxes; above the feed it is the upper layer's own flux
    as long as the lower layer holds less than *threshold* (Takács, Patry and Nolasco, 1991). One-dimensional: no
    currents, no scraper, no floor slope; without compression it understates how slowly a deep blanket thickens.

    References
    ----------
    Alex, J. et al. (2008). Benchmark Simulation Model no. 1 (BSM1). IWA Task Group on Benchmarking.
    """

    area: float  #: [m²]
    depth: float  #: [m]
    layers: int
    feed_layer: int  #: counted from the floor, beginning with 0
    sludge: DoubleExponential
    threshold: float = 3.0  #: [kg/m³]

    def __post_init__(self) -> None:
        if not (self.area > 0.0 and self.depth > 0.0):
            raise DomainError("area and depth of a settler must be positive")
        if not 0 < self.feed_layer < self.layers - 1:
            raise DomainError(f"feed layer {self.feed_layer} must lie inside {self.layers} layers")

    @property
    def layer(self) -> float:
        """Thickness of a layer. [m]"""
        return self.depth / self.layers

    def change(self, solids: Floats, effluent: float, underflow: float, feed: float) -> Floats:
        """Rate of change of each layer's solids. [kg/(m³·h)]

        Parameters
        ----------
        solids : by layer from the floor up. [kg/m³]
        effluent, underflow : flows over the weir and out of the floor. [m³/s]
        feed : solids of the feed. [kg/m³]
        """
        up, down = effluent * 3600.0 / self.area, underflow * 3600.0 / self.area
        gravity = solids * self.sludge.speed(solids, feed)
        falling = np.minimum(gravity[1:], gravity[:-1])
        # Face j lies under layer j+1; faces at or above the feed layer let a dilute lower layer take everything.
        above = np.arange(solids.size - 1) >= self.feed_layer
        falling = np.where(above & (solids[:-1] <= self.threshold), gravity[1:], falling)
        net_down = falling + np.where(above, -up * solids[:-1], down * solids[1:])
        total = np.zeros_like(solids)
        total[:-1] += net_down
        total[1:] -= net_down
        total[0] -= down * solids[0]
        total[-1] -= up * solids[-1]
        total[self.feed_layer] += (up + down) * feed
        return total / self.layer

    def advance(self, solids: Floats, effluent: float, underflow: float, feed: float, hours: float) -> Floats:
        """Solids after some time under steady flows and feed. [kg/m³]

        Parameters
        ----------
        hours : how long. [h]

        Notes
        -----
        Explicit Euler in steps that keep the Courant number at or below one half, so solids stay positive.
        """
        fastest = self.sludge.v_max + (effluent + underflow) * 3600.0 / self.area
        steps = max(1, int(np.ceil(hours * fastest / (0.5 * self.layer))))
        now = np.asarray(solids, dtype=np.float64).copy()
        for _ in range(steps):
            now = now + hours / steps * self.change(now, effluent, underflow, feed)
        return now

    def held(self, solids: Floats) -> float:
        """Solids in the tank. [kg]"""
        return float(solids.sum()) * self.layer * self.area

    def blanket_height(self, solids: Floats, blanket: float = 3.0) -> float:
        """Height at which solids fall below *blanket*, straight between layer centres. [m]

        Parameters
        ----------
        blanket : concentration taken as the top of the blanket. [kg/m³]

        Notes
        -----
        The benchmark's own "sludge height" uses another rule and gives 0.4472 m where this gives 0.4248 m.
        """
        thick = np.flatnonzero(solids >= blanket)
        if thick.size == 0:
            return 0.0
        top = int(thick[-1])
        if top == solids.size - 1:
            return self.depth
        share = (solids[top] - blanket) / (solids[top] - solids[top + 1])
        return float((top + 0.5 + share) * self.layer)
