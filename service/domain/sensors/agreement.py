"""Agreement of two methods of measurement: limits of agreement, and straight lines with error in both.

References
----------
Bland, J. M., Altman, D. G. (1986). Statistical methods for assessing agreement between two methods of clinical
measurement. Lancet 327(8476), 307–310. doi:10.1016/S0140-6736(86)90837-8
Deming, W. E. (1943). Statistical Adjustment of Data, Wiley.
Linnet, K. (1993). Evaluation of regression procedures for methods comparison studies. Clinical Chemistry 39(3), 424–432
(the jackknife).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.errors import DomainError


@dataclass(frozen=True, slots=True)
class LimitsOfAgreement:
    """Bias of one method against the other, and the limits between which most differences lie, each with an interval."""

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


def limits_of_agreement(
    differences: Sequence[float], *, width: float = 1.96, confidence: float = 0.95
) -> LimitsOfAgreement:
    """Bland and Altman's limits of agreement.

    Parameters
    ----------
    differences : one method minus the other, pair by pair. [unit of the data]
    width : limits in standard deviations of the differences; the paper of 1986 uses 2. [–]
    confidence : of the intervals. [–]

    Notes
    -----
    Interval of a limit from its standard error √(3·sd²/n) and Student's t with n-1 degrees of freedom. Holds for
    differences that are roughly normal and do not change with the magnitude measured.

    >>> limits_of_agreement([1.0, 2.0, 3.0]).bias
    2.0
    """
    n = len(differences)
    if n < 3:
        raise DomainError(f"limits of agreement need at least 3 pairs, got {n}")
    bias = float(np.mean(differences))
    sd = float(np.std(differences, ddof=1))
    from scipy import stats

    t = float(stats.t.ppf(0.5 + confidence / 2.0, n - 1))
    of_bias, of_limit = t * sd / math.sqrt(n), t * sd * math.sqrt(3.0 / n)
    lower, upper = bias - width * sd, bias + width * sd
    return LimitsOfAgreement(
        n, bias, sd, lower, upper,
        (bias - of_bias, bias + of_bias), (lower - of_limit, lower + of_limit), (upper - of_limit, upper + of_limit),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class FittedLine:
    """y = intercept + slope·x, with standard errors where they are known."""

    slope: float
    intercept: float
    slope_se: float = math.nan
    intercept_se: float = math.nan


def proportional(x: Sequence[float], y: Sequence[float]) -> FittedLine:
    """Least squares through the origin: one is so many times the other.

    >>> proportional([1.0, 2.0], [3.0, 6.0]).slope
    3.0
    """
    if len(x) != len(y) or len(x) < 2 or not any(x):
        raise DomainError("a line through the origin needs at least 2 pairs with x other than zero")
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    square = float(a @ a)
    slope = float(a @ b) / square
    rest = b - slope * a
    return FittedLine(slope, 0.0, math.sqrt(float(rest @ rest) / (a.size - 1) / square), 0.0)


def deming(x: Sequence[float], y: Sequence[float], ratio: float = 1.0) -> FittedLine:
    """Deming regression: error in both, with standard errors by the jackknife (for four pairs or more).

    Parameters
    ----------
    x, y : the pairs. [unit of the data]
    ratio : variance of the error in y over that in x. [–]

    >>> line = deming([0.0, 1.0, 2.0], [1.0, 3.0, 5.0])
    >>> round(line.slope, 12), round(line.intercept, 12)
    (2.0, 1.0)
    """
    _two_apart(x, y)
    if ratio <= 0.0:
        raise DomainError(f"the ratio of error variances must be positive, got {ratio}")
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    slope, intercept = _deming(a, b, ratio)
    n = a.size
    if n < 4:
        return FittedLine(slope, intercept)
    # Each pair left out in turn: the sums without it follow from those of all, so that the cost is linear in the pairs.
    da, db, part = a - np.mean(a), b - np.mean(b), n / (n - 1)
    without = [(float(np.sum(u * v)) - part * u * v) / (n - 2) for u, v in ((da, da), (db, db), (da, db))]
    slopes = np.array([_slope(sxx, syy, sxy, ratio) for sxx, syy, sxy in np.stack(without, axis=1).tolist()])
    intercepts = (n * np.mean(b) - b - slopes * (n * np.mean(a) - a)) / (n - 1)
    pseudo = n * np.array([slope, intercept]) - (n - 1) * np.stack([slopes, intercepts], axis=1)
    se = np.std(pseudo, axis=0, ddof=1) / math.sqrt(n)
    return FittedLine(slope, intercept, float(se[0]), float(se[1]))


def _deming(x: np.ndarray, y: np.ndarray, ratio: float) -> tuple[float, float]:
    sums = float(np.var(x, ddof=1)), float(np.var(y, ddof=1)), float(np.cov(x, y, ddof=1)[0, 1])
    slope = _slope(*sums, ratio)
    if sums[2] == 0.0:
        return slope, float(np.mean(y))
    return slope, float(np.mean(y)) - slope * float(np.mean(x))


def _slope(sxx: float, syy: float, sxy: float, ratio: float) -> float:
    if sxy == 0.0:
        return 0.0 if syy <= ratio * sxx else math.inf
    turn = syy - ratio * sxx
    return (turn + math.sqrt(turn * turn + 4.0 * ratio * sxy * sxy)) / (2.0 * sxy)


def _two_apart(x: Sequence[float], y: Sequence[float]) -> None:
    if len(x) != len(y):
        raise DomainError(f"{len(x)} values of x for {len(y)} of y")
    if len(x) < 3 or min(x) == max(x):
        raise DomainError("a line needs at least 3 pairs that differ in x")
