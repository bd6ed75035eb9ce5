"""One story of the bank: which sensors follow the blanket, and where it and each sensor's offset are."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Modes = NDArray[np.int64]

# What a sensor is seen doing in a story.
FOLLOWS, FOULING, AWAY, STUCK = 0, 1, 2, 3
#: From here on: follows, but in another unit; index into UNITS.
UNIT = 4
#: What a value is multiplied with to be right again: sent in feet, in metres taken for feet, in centimetres, in inches.
UNITS = (0.3048, 1.0 / 0.3048, 0.01, 0.0254)


class Story(NamedTuple):
    """A story; arrays run over the two regimes, calm and moving, then the state."""

    weight: float  #: in proportion to its chance
    x: Array  #: height [m], its rate [m/h], and for each sensor its offset [m] and the offset's drift [m/d]
    cov: Array
    mu: Array  #: chances of the regimes
    modes: Modes  #: what each sensor does

    def taken(self, row: Array, value: float, var: float) -> Story:
        """After a measurement of ``row · state``, each regime by Kalman's update, the regimes by Bayes'; it weighs the same."""
        x, cov, mu = self.x, self.cov, self.mu
        new_x, new_cov, new_mu = np.empty_like(x), np.empty_like(cov), np.empty_like(mu)
        for g in (0, 1):
            cross = cov[g] @ row
            s = float(row @ cross) + var
            v = value - float(row @ x[g])
            new_x[g] = x[g] + cross * (v / s)
            new_cov[g] = cov[g] - cross[:, None] * cross[None, :] / s
            new_mu[g] = float(mu[g]) * max(math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s), 1e-12)
        return Story(self.weight, new_x, new_cov, new_mu / new_mu.sum(), self.modes)

    def density(self, row: Array, value: float, var: float) -> float:
        """Density of a measurement of ``row · state``, over the two regimes. [1/m]"""
        out = 0.0
        for g in (0, 1):
            s = float(row @ self.cov[g] @ row) + var
            v = value - float(row @ self.x[g])
            out += float(self.mu[g]) * math.exp(-0.5 * v * v / s) / math.sqrt(6.283185307179586 * s)
        return out

    def is_close_to(self, other: Story) -> bool:
        """Whether a reader would call them one: the same modes, means apart by no more than they are sure of."""
        if self.modes.tolist() != other.modes.tolist():
            return False
        mine, theirs = self.mu @ self.x, other.mu @ other.x
        for row in (0, *range(2, mine.size)):
            gap = float(mine[row] - theirs[row])
            v = float(self.cov[0, row, row] + other.cov[0, row, row])
            if gap * gap > 0.7 * v + 1e-4:
                return False
        return True

    def joined(self, other: Story) -> Story:
        """Both as one, by matching moments, regime by regime."""
        x, cov, mu = np.empty_like(self.x), np.empty_like(self.cov), np.empty_like(self.mu)
        total = self.weight + other.weight
        for g in (0, 1):
            a, c = self.weight * float(self.mu[g]), other.weight * float(other.mu[g])
            share = c / (a + c) if a + c > 0.0 else 0.5
            diff = other.x[g] - self.x[g]
            x[g] = self.x[g] + share * diff
            cov[g] = (
                (1.0 - share) * self.cov[g]
                + share * other.cov[g]
                + share * (1.0 - share) * diff[:, None] * diff[None, :]
            )
            mu[g] = (a + c) / total
        return Story(total, x, cov, mu, self.modes)


class SensorLevel(NamedTuple):
    """What a sensor showed over some minutes."""

    heights: Sequence[float]  #: its level as a height, taken in its own unit and in each of :data:`UNITS` [m]
    noise_var: float  #: of that level [m²]
    coherent: float  #: density of that level going by where the sensor itself was before, whatever it sees [1/m]
    other: float  #: density of it going by the level the sensor last jumped away from [1/m]
    alive: float  #: likelihood of how it fluctuated, for a live sensor [–]
    stuck: float  #: the same for a stuck one [–]
    hours: float  #: since it last showed something [h]


def row_of(d: int, *ones: int) -> Array:
    """The row of a measurement: the sum of some places of a state of that size."""
    row = np.zeros(d)
    row[list(ones)] = 1.0
    return row
