"""What is expected of the coming hours at one moment, as the correction that weighs it sees it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.forecast.outlook import HORIZONS, Pattern

Floats = NDArray[np.float64]

#: Change carried by the balance; rate it does not explain; distance from the usual height; time of day, twice; always
#: there; change carried by the balance while the return is low or lost.
FEATURES = 7
#: How long an unexplained rate persists. [h]
RATE_MEMORY = 1.5

_H = np.asarray(HORIZONS)
_REACH = -RATE_MEMORY * np.expm1(-_H / RATE_MEMORY)
_SHIFT = _H / HORIZONS[-1]


@dataclass(frozen=True, slots=True)
class Expectation:
    """From one moment on: what the balance foresees, and what else is known to matter."""

    seconds: float  #: when, since 1970 [s]
    carried: tuple[float, ...]  #: change the balance foresees, a horizon each [m]
    unexplained: float  #: observed rate less the balance's [m/h]
    away: float  #: height less its usual [m]
    pattern: Pattern

    @property
    def weighed(self) -> int:
        """Which coefficient weighs the balance: without return, sludge packs below while it rises above: another."""
        return 6 if self.pattern in (Pattern.RETURN_LOST, Pattern.RETURN_LOW) else 0

    def features(self) -> Floats:
        """A row a horizon."""
        turn = 2.0 * math.pi * self.seconds / 86_400.0
        rows = np.zeros((_H.size, FEATURES))
        rows[:, self.weighed] = self.carried
        rows[:, 1] = self.unexplained * _REACH
        rows[:, 2:6] = _SHIFT[:, None] * np.array([self.away, math.sin(turn), math.cos(turn), 1.0])
        return rows


def foreseen(features: Floats) -> Floats:
    """How large a change the balance foresees, whichever coefficient weighs it. [m]"""
    return np.asarray(np.abs(features[:, 0]) + np.abs(features[:, 6]))
