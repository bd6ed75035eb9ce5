"""Control charts of sensor minus core: the tabular CUSUM and the EWMA.

References
----------
NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2.3 and 6.3.2.4, https://www.itl.nist.gov/div898/handbook/
Page, E. S. (1954). Continuous inspection schemes. Biometrika 41(1/2), 100–115. doi:10.1093/biomet/41.1-2.100
Roberts, S. W. (1959). Control chart tests based on geometric moving averages. Technometrics 1(3), 239–250.
doi:10.1080/00401706.1959.10489860
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.errors import DomainError


@dataclass(frozen=True, slots=True)
class Cusum:
    """Upper and lower sums, in the data's unit, and the positions (from 0) at which either is beyond the limit."""

    upper: tuple[float, ...]
    lower: tuple[float, ...]
    signals: tuple[int, ...]

    @property
    def change_point(self) -> int | None:
        """Position after which the shift that first signalled began: where its sum last stood at zero."""
        if not self.signals:
            return None
        at = self.signals[0]
        side = self.upper if self.upper[at] >= self.lower[at] else self.lower
        while at > 0 and side[at - 1] > 0.0:
            at -= 1
        return at


def cusum(values: Sequence[float], target: float, slack: float, limit: float) -> Cusum:
    """Tabular CUSUM.

    Parameters
    ----------
    values : in order of time. [unit of the data]
    target : the level that is in control. [same]
    slack : k, customarily half the shift worth finding. [same]
    limit : h; a sum above it signals. [same]

    >>> cusum([0.0, 2.0, 2.0], target=0.0, slack=0.5, limit=2.5).upper
    (0.0, 1.5, 3.0)
    """
    if slack < 0.0 or limit <= 0.0:
        raise DomainError(f"a CUSUM needs slack ≥ 0 and limit > 0, got {slack} and {limit}")
    upper, lower, signals = [], [], []
    high = low = 0.0
    for i, value in enumerate(values):
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        upper.append(high)
        lower.append(low)
        if high > limit or low > limit:
            signals.append(i)
    return Cusum(tuple(upper), tuple(lower), tuple(signals))


@dataclass(frozen=True, slots=True)
class Ewma:
    """The moving average, its lower and upper limits, and the positions (from 0) outside them."""

    values: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[int, ...]


def ewma(
    values: Sequence[float], target: float, sd: float, weight: float = 0.3, width: float = 3.0, *, steady: bool = False
) -> Ewma:
    """Exponentially weighted moving average chart.

    Parameters
    ----------
    values : in order of time. [unit of the data]
    target : the level that is in control, and the average's start. [same]
    sd : standard deviation of one value in control. [same]
    weight : λ of the newest value. [–]
    width : limits in standard deviations of the average. [–]
    steady : limits as they are after many values, instead of narrower at the start.

    >>> ewma([52.0, 47.0], target=50.0, sd=2.0539).values
    (50.6, 49.52)
    """
    if not 0.0 < weight <= 1.0 or sd <= 0.0:
        raise DomainError(f"an EWMA needs 0 < weight ≤ 1 and sd > 0, got {weight} and {sd}")
    level = target
    out, lower, upper, signals = [], [], [], []
    for i, value in enumerate(values):
        level = weight * value + (1.0 - weight) * level
        started = 1.0 if steady else 1.0 - (1.0 - weight) ** (2 * (i + 1))
        half = width * sd * math.sqrt(weight / (2.0 - weight) * started)
        out.append(level)
        lower.append(target - half)
        upper.append(target + half)
        if abs(level - target) > half:
            signals.append(i)
    return Ewma(tuple(out), tuple(lower), tuple(upper), tuple(signals))
