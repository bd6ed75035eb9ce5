"""Tests whether work on a sensor helped: sound hand cores before it against those after it.

The claim is the change of the mean error, with Welch's interval, because the two sides scatter differently; with fewer than
three cores on a side nothing is claimed at all.

References
----------
Welch, B. L. (1947). The generalization of "Student's" problem when several different population variances are involved.
Biometrika 34(1/2), 28-35. doi:10.1093/biomet/34.1-2.28
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

import numpy as np

from service.domain.sensors.drift_history import CALLED, PairInHindsight

#: Cores looked at on either side of the work.
WINDOW = timedelta(days=30)
MOST_CORES = 12
#: Sound cores needed on each side before anything is claimed.
LEAST_CORES = 3


class WorkOutcome(StrEnum):
    """What the cores say of the work."""

    BETTER = "the error is smaller than before"
    WORSE = "the error is larger than before"
    NOT_CLEAR = "no clear difference yet"
    TOO_FEW = "too few hand cores to say"


@dataclass(frozen=True, slots=True)
class Side:
    """The sound cores on one side of the work, oldest first; mean error and its 95 % interval in [m], None where unknown."""

    points: tuple[PairInHindsight, ...]
    mean: float | None
    interval: tuple[float, float] | None

    @property
    def missing(self) -> int:
        """Cores that are still needed before anything is claimed."""
        return max(0, LEAST_CORES - len(self.points))


@dataclass(frozen=True, slots=True)
class WorkProof:
    """Before beside after. ``change`` is after minus before, with its 95 % interval, where enough cores stand on both sides. [m]"""

    before: Side
    after: Side
    change: float | None
    change_interval: tuple[float, float] | None
    outcome: WorkOutcome


def work_proof(points: Sequence[PairInHindsight], at: datetime, other_works: Sequence[datetime] = ()) -> WorkProof:
    """What the cores say of work done at a time.

    Parameters
    ----------
    points : of the sensor, in order of time; cores called wrong are left out.
    other_works : when other work was done on the sensor: cores beyond it say nothing of this work.
    """
    earliest = max([at - WINDOW, *(other for other in other_works if other < at)])
    latest = min([at + WINDOW, *(other for other in other_works if other > at)])
    sound = [point for point in points if point.wrong < CALLED]
    before = _side([p for p in sound if earliest < p.pair.time <= at][-MOST_CORES:])
    after = _side([p for p in sound if at < p.pair.time <= latest][:MOST_CORES])
    if before.missing or after.missing or before.mean is None or after.mean is None:
        return WorkProof(before, after, None, None, WorkOutcome.TOO_FEW)
    change, half = after.mean - before.mean, _welch(_errors(before.points), _errors(after.points))
    better = abs(after.mean) < abs(before.mean)
    outcome = WorkOutcome.NOT_CLEAR if abs(change) <= half else WorkOutcome.BETTER if better else WorkOutcome.WORSE
    return WorkProof(before, after, change, (change - half, change + half), outcome)


def _side(points: Sequence[PairInHindsight]) -> Side:
    errors = _errors(points)
    n = len(errors)
    if n == 0:
        return Side((), None, None)
    mean = float(np.mean(errors))
    if n < LEAST_CORES:
        return Side(tuple(points), mean, None)
    from scipy import stats

    half = float(stats.t.ppf(0.975, n - 1)) * float(np.std(errors, ddof=1)) / math.sqrt(n)
    return Side(tuple(points), mean, (mean - half, mean + half))


def _welch(a: Sequence[float], b: Sequence[float]) -> float:
    """Half the 95 % interval of the difference of two means."""
    of_a, of_b = float(np.var(a, ddof=1)) / len(a), float(np.var(b, ddof=1)) / len(b)
    total = of_a + of_b
    if total == 0.0:
        return 0.0
    freedom = total**2 / (of_a**2 / (len(a) - 1) + of_b**2 / (len(b) - 1))
    from scipy import stats

    return float(stats.t.ppf(0.975, freedom)) * math.sqrt(total)


def _errors(points: Sequence[PairInHindsight]) -> list[float]:
    return [point.pair.difference for point in points]
