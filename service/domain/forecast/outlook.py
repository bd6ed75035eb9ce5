"""What a forecast is: blanket height over the coming hours as a distribution, and when it would reach a limit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from statistics import NormalDist
from typing import NamedTuple

import numpy as np

#: How far ahead is looked, and where along the way. [h]
HORIZONS: tuple[float, ...] = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0)
LOOK_AHEAD = HORIZONS[-1]

_NORMAL = NormalDist()


class Pattern(StrEnum):
    """What the flows say is going on."""

    NOTHING_UNUSUAL = "nothing unusual"
    FLOW_SURGE = "flow surge"
    RETURN_LOST = "return flow lost"
    RETURN_LOW = "return flow low"
    NOT_KNOWN = "flows not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeToDanger:
    """Time until the blanket reaches a height, in [h]; infinite where it does not within the look-ahead.

    ``early`` and ``late`` bound the middle 80 %: one in ten that it comes before ``early``. ``cautious`` is one in five:
    what an alarm should watch, since a call too early costs a walk and one too late the effluent.
    """

    likely: float
    early: float
    late: float
    cautious: float

    @property
    def within_reach(self) -> bool:
        """Whether it is more likely than not to come within the look-ahead."""
        return math.isfinite(self.likely)


class Line(NamedTuple):
    """A straight line: where it stands now [m], and its rise [m/h]."""

    height: float
    rate: float

    def hours_to(self, height: float) -> float:
        """When it reaches a height; infinite where it does not within the look-ahead."""
        hours = max((height - self.height) / self.rate, 0.0) if self.rate > 0.0 else math.inf
        return hours if hours <= LOOK_AHEAD else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Blanket height of a tank at :data:`HORIZONS` after ``made_at``: mean and standard deviation in [m]."""

    tank: str
    made_at: datetime
    height: float  #: believed now [m]
    sd: float  #: of the belief now [m]
    mean: tuple[float, ...]
    spread: tuple[float, ...]
    pattern: Pattern
    ceiling: float  #: height of the weir crest, which no blanket passes [m]
    #: It goes on as in the last half hour: said beside the rest only while it rises as this tank does not usually.
    line: Line | None = None

    def at(self, hours: float) -> tuple[float, float]:
        """Mean and standard deviation that far ahead, straight between horizons. [m]"""
        times = (0.0, *HORIZONS)
        return (
            float(np.interp(hours, times, (self.height, *self.mean))),
            float(np.interp(hours, times, (self.sd, *self.spread))),
        )

    def quantile(self, hours: float, share: float) -> float:
        """Height that the blanket stays under with that probability, that far ahead. [m]"""
        mean, sd = self.at(hours)
        return min(mean + sd * _NORMAL.inv_cdf(share), self.ceiling)

    def time_to(self, height: float) -> TimeToDanger:
        """When the blanket would reach a height.

        Parameters
        ----------
        height : above the floor datum, such as the side water depth less the high-high clearance. [m]

        Notes
        -----
        In a rise without precedent it is never later than the straight line, but for the late end.
        """
        line = math.inf if self.line is None else self.line.hours_to(height)
        return TimeToDanger(
            likely=min(self._crossing(height, 0.5), line),
            early=min(self._crossing(height, 0.9), line),
            late=self._crossing(height, 0.1),
            cautious=min(self._crossing(height, 0.8), line),
        )

    def _crossing(self, height: float, share: float) -> float:
        """First time the quantile path of that share reaches the height."""
        deviation = _NORMAL.inv_cdf(share)
        times = (0.0, *HORIZONS)
        path = [
            mean + deviation * sd for mean, sd in zip((self.height, *self.mean), (self.sd, *self.spread), strict=True)
        ]
        if path[0] >= height:
            return 0.0
        for i in range(1, len(path)):
            if path[i] >= height:
                step = (height - path[i - 1]) / (path[i] - path[i - 1])
                return times[i - 1] + step * (times[i] - times[i - 1])
        return math.inf
