"""The history of one sensor's drift in hindsight: core verdicts, fitted noise, smoothed path.

The bank of filters runs over the pairs once more and judges each core with the next one's hindsight. What is left is one
linear model per stretch between works; its noise is fitted, its smoother draws the path.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.conditioning import REAL_JUMP_CHANCE
from service.domain.blanket.drift import Drift, DriftBank
from service.domain.blanket.drift_priors import Priors
from service.domain.blanket.pairing import Pair
from service.domain.blanket.work_effect import after_work
from service.domain.cores.core import Calibration
from service.domain.sensors.drift_fit import Fit, PairStretch, fit_drift
from service.domain.sensors.kalman import kalman_filter, smooth

#: Chance from which a core is called wrong, or a step is said to have happened.
CALLED = 0.5


@dataclass(frozen=True, slots=True)
class PairInHindsight:
    """One pair in hindsight. Offsets about the span's pivot, in [m]; chances in [–]."""

    pair: Pair
    wrong: float  #: chance that the core was wrong
    stepped: float  #: chance that the sensor stepped since the core before
    now: float  #: offset as known at the time, this core included
    now_sd: float
    then: float  #: offset as known today
    then_sd: float
    error: float  #: sensor minus truth at the height of then, as known today: offset and span together
    surprise: float  #: innovation in standard deviations; NaN for a core called wrong


@dataclass(frozen=True, slots=True)
class StepFound:
    """A step of the offset between two cores. [m]"""

    after: datetime
    before: datetime
    size: float
    sd: float
    chance: float


@dataclass(frozen=True, slots=True)
class DriftHistory:
    """All of it. ``drift`` is the bank's word at ``told_at``, the same the online estimate uses."""

    points: tuple[PairInHindsight, ...]
    fit: Fit
    steps: tuple[StepFound, ...]
    drift: Drift
    learned: dict[str, float]
    sound_cores: float  #: since the last work, counted by their chance
    told_at: datetime | None
    last_work: datetime | None
    span_chance: float  #: that the sensor has a span error at all
    trend_chance: float  #: that the offset follows a trend


def drift_history(
    pairs: Sequence[Pair], works: Sequence[Calibration], depth: float, pivot: float, priors: Priors | None = None
) -> DriftHistory:
    """Look back over a sensor's pairs.

    Parameters
    ----------
    pairs, works : of one sensor, in order of time.
    depth : side water depth of its tank. [m]
    pivot : height about which the span error turns. [m]
    """
    told = priors or Priors()
    bank = DriftBank(depth, told)
    n = len(pairs)
    wrong, stepped, online = np.zeros(n), np.zeros(n), np.zeros((n, 2))
    waiting = list(works)
    starts: list[tuple[int, float, float, float, float, float]] = [
        (0, math.nan, 0.0, told.offset_sd**2, 0.0, told.span_sd**2)
    ]
    last: float | None = None
    for i, pair in enumerate(pairs):
        while waiting and waiting[0].at <= pair.time:
            starts.append((i, *_restart(bank, waiting.pop(0), told)))
        time = pair.time.timestamp()
        since = (time - last) / 86_400.0 if last is not None else 1.0
        bank.move(time)
        if pair.jump:
            # What the sensor's own signal showed, as the online estimate took it.
            bank.shift((1.0 - REAL_JUMP_CHANCE) * pair.jump, REAL_JUMP_CHANCE * (1.0 - REAL_JUMP_CHANCE) * pair.jump**2)
        verdict = bank.learn(time, pair.difference, pair.height - pivot, pair.extra_var, since)
        if i > starts[-1][0]:
            wrong[i - 1], stepped[i - 1] = verdict.hindsight[1], verdict.hindsight[2]
        wrong[i], stepped[i] = verdict.wrong, verdict.stepped
        mean, var = bank.now().at(0.0, 0.0)
        online[i] = mean, math.sqrt(var)
        last = time
    for work in waiting:
        _restart(bank, work, told)
    jumps = np.array([pair.jump for pair in pairs])
    jump_var = np.maximum(((stepped > CALLED) & (wrong <= CALLED)) * told.step_sd**2, jumps**2)
    stretches = _stretches(pairs, pivot, wrong > CALLED, jump_var, starts)
    fit = fit_drift(stretches, told)
    points: list[PairInHindsight] = []
    steps: list[StepFound] = []
    for stretch in stretches:
        model = stretch.model(fit, told)
        filtered = kalman_filter(model, stretch.measured)
        past = smooth(model, filtered)
        for k in range(stretch.days.size):
            i = len(points)
            mean, sd = float(past.mean[k, 0]), math.sqrt(max(float(past.cov[k, 0, 0]), 0.0))
            if k and stretch.jump_var[k - 1]:
                size = mean - points[-1].then
                # A jump the sensor itself showed counts as a step once the cores went with it.
                chance = max(float(stepped[i]), 0.95 if jumps[i] and 0.5 <= size / jumps[i] <= 1.5 else 0.0)
                if chance > CALLED:
                    between = math.hypot(sd, points[-1].then_sd)
                    steps.append(StepFound(pairs[i - 1].time, pairs[i].time, size, between, chance))
            surprise = float(filtered.innovation[k] / math.sqrt(filtered.innovation_var[k]))
            error = mean + float(past.mean[k, 2] * stretch.above[k])
            points.append(
                PairInHindsight(
                    pairs[i], float(wrong[i]), float(stepped[i]), float(online[i, 0]), float(online[i, 1]), mean, sd, error, surprise
                )
            )  # fmt: skip
    learned = bank.learned()
    told_at = max([*(p.time for p in pairs), *(w.at for w in works)], default=None)
    return DriftHistory(
        tuple(points), fit, tuple(steps), bank.now(), learned, bank.cores, told_at,
        works[-1].at if works else None, learned["span"], learned["trend"],
    )  # fmt: skip


def _restart(bank: DriftBank, work: Calibration, priors: Priors) -> tuple[float, float, float, float, float]:
    """Let the bank take the work; what is believed right after: when, offset, its variance, span, its variance."""
    at = work.at.timestamp()
    left = after_work(work, bank.now(), (at - bank.time) / 86_400.0 if bank.cores else 0.0, priors)
    bank.restart(at, left.offset, left.offset_var, left.span, left.span_var)
    drift = bank.now()
    span, span_var = (drift.span, max(drift.cov[5], 1e-6)) if left.span is None else (left.span, left.span_var)
    return at, left.offset, left.offset_var, span, span_var


def _stretches(
    pairs: Sequence[Pair],
    pivot: float,
    wrong: NDArray[np.bool_],
    jump_var: NDArray[np.float64],
    starts: Sequence[tuple[int, float, float, float, float, float]],
) -> list[PairStretch]:
    made = []
    ends = [start[0] for start in starts[1:]] + [len(pairs)]
    for (begin, at, offset, offset_var, span, span_var), end in zip(starts, ends, strict=True):
        if end == begin:
            continue
        part = pairs[begin:end]
        times = np.array([pair.time.timestamp() for pair in part])
        measured = np.array([pair.difference for pair in part])
        measured[wrong[begin:end]] = np.nan
        made.append(
            PairStretch(
                days=np.append(np.diff(times), 0.0) / 86_400.0,
                measured=measured,
                above=np.array([pair.height - pivot for pair in part]),
                extra_var=np.array([pair.extra_var for pair in part]),
                jump_var=np.append(jump_var[begin + 1 : end], 0.0),
                first_days=0.0 if math.isnan(at) else (float(times[0]) - at) / 86_400.0,
                offset=offset,
                offset_var=offset_var,
                span=span,
                span_var=span_var,
            )
        )
    return made
