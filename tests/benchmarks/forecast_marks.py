"""Marks for forecasts: continuous ranked probability score, interval coverage, and alarms against true crossings.

The score of a normal forecast is the closed form of Gneiting, T. and Raftery, A. E. (2007), Strictly proper scoring rules,
prediction, and estimation, Journal of the American Statistical Association 102, 359-378.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from service.domain.forecast.outlook import HORIZONS
from service.simulator.plant import RIPPLE
from tests.benchmarks.forecast_run import EVERY, TankRun

Floats = NDArray[np.float64]

#: Nothing is scored while the estimator and the forecaster know next to nothing. [s]
SETTLING = 3 * 86_400
#: A blanket that has crossed must fall this far back before the next crossing counts. [m]
REARM = 0.15
#: An alarm counts as right if its crossing comes while it stands or this long after it went. [s]
GRACE = 3600
#: A rise that took less than this from half a metre below could not be foreseen for an hour. [s]
QUICK = 3600
#: The alarm comes after two forecasts in a row within its limit, and goes after eight beyond 1.3 times it.
_ON, _OFF, _CLEAR = 2, 8, 1.3


def crps(mean: Floats, sd: Floats | float, true: Floats) -> Floats:
    """Continuous ranked probability score of normal forecasts. [m]"""
    z = (true - mean) / sd
    return np.asarray(sd * (z * (2.0 * norm.cdf(z) - 1.0) + 2.0 * norm.pdf(z) - 1.0 / np.sqrt(np.pi)))


@dataclass(frozen=True, slots=True)
class HorizonMarks:
    """Mean scores of one tank at one horizon, and the share of truths inside the 90 % interval."""

    ours: float
    persistence: float
    line: float
    limit: float
    coverage: float


def horizon_marks(run: TankRun, hours: float) -> HorizonMarks:
    """Score one tank at one horizon.

    Both baselines are given the best constant spread there is for this very tank, which nobody could have known.
    """
    lead = round(hours * 3600 / EVERY)
    rows = np.flatnonzero(run.seconds[: run.seconds.size - lead] >= run.seconds[0] + SETTLING)
    true = run.truth[rows + lead]
    column = HORIZONS.index(hours)
    mean, spread = run.mean[rows, column], run.spread[rows, column]
    line = run.line_now[rows] + run.line[rows] * hours

    def baseline(guess: Floats) -> float:
        error = np.abs(true - guess)
        return min(float(crps(guess, factor * float(error.mean()), true).mean()) for factor in (0.6, 0.8, 1.0, 1.25))

    return HorizonMarks(
        ours=float(crps(mean, spread, true).mean()),
        persistence=baseline(run.height[rows]),
        line=baseline(line),
        limit=float(crps(run.calm[rows + lead], RIPPLE, true).mean()),
        coverage=float((np.abs(true - mean) < 1.6449 * spread).mean()),
    )


@dataclass(frozen=True, slots=True)
class AlarmMarks:
    """How one alarm did on one tank. Leads in [min]."""

    leads: list[float]  #: one a crossing that the physics let be foreseen; zero where it was missed
    quick_leads: list[float]  #: one a crossing that came too quickly for an hour's warning
    missed: int
    false: int
    months: float


def alarm_marks(run: TankRun, share: float, until: Floats, limit: float) -> AlarmMarks:
    """Score an alarm on the time to danger.

    Parameters
    ----------
    share : danger height as a share of the side water depth.
    until : hours to danger, as each forecast said.
    limit : the alarm's, in [h].
    """
    danger = share * run.depth
    spans = _spans(run.seconds, until, limit)
    first = int(run.seconds[0]) + SETTLING
    crossings = [i for i in _crossings(run.truth, danger) if run.seconds[i] > first]
    spans = [span for span in spans if span[1] > first]
    leads: list[float] = []
    quick: list[float] = []
    missed = 0
    for i in crossings:
        at = int(run.seconds[i])
        standing = [begin for begin, end in spans if begin <= at <= end + GRACE]
        missed += not standing
        low = np.flatnonzero(run.truth[:i] < danger - 0.5)
        since = at - int(run.seconds[low[-1]]) if low.size else 10 * QUICK
        (quick if since < QUICK else leads).append((at - max(standing)) / 60.0 if standing else 0.0)
    false = 0
    for begin, end in spans:
        during = (run.seconds >= begin) & (run.seconds <= end + GRACE)
        false += not (run.truth[during] >= danger).any()
    return AlarmMarks(leads, quick, missed, false, float(run.seconds[-1] - first) / 86_400.0 / 30.0)


def line_until(run: TankRun, share: float) -> Floats:
    """Hours to danger by the straight line through the last half hour. [h]"""
    room = share * run.depth - run.line_now
    with np.errstate(divide="ignore", invalid="ignore"):
        hours = np.where(run.line > 0.0, room / run.line, np.inf)
    return np.where(room <= 0.0, 0.0, hours)


def _crossings(height: Floats, danger: float) -> list[int]:
    found, above = [], False
    for i, value in enumerate(height.tolist()):
        if not above and value >= danger:
            above = True
            found.append(i)
        elif above and value < danger - REARM:
            above = False
    return found


def _spans(seconds: NDArray[np.int64], until: Floats, limit: float) -> list[tuple[int, int]]:
    """When the alarm stood."""
    spans: list[tuple[int, int]] = []
    began: int | None = None
    within = beyond = 0
    for second, hours in zip(seconds.tolist(), until.tolist(), strict=True):
        within = within + 1 if hours <= limit else 0
        beyond = beyond + 1 if hours > _CLEAR * limit else 0
        if began is None and within >= _ON:
            began = second
        elif began is not None and beyond >= _OFF:
            spans.append((began, second))
            began = None
    if began is not None:
        spans.append((began, int(seconds[-1])))
    return spans
