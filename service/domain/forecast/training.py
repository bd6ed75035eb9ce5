"""What a past quarter hour teaches once its future has been seen: how the tank answers, and what each saying was worth."""

from __future__ import annotations

import numpy as np

from service.domain.forecast.inflow import LESSON
from service.domain.forecast.outlook import HORIZONS
from service.domain.forecast.prediction import foreseen
from service.domain.forecast.state import ForecastMemory, Moment
from service.domain.loading.balance import STEP, Streams

_H = np.asarray(HORIZONS)


def learn_outcome(memory: ForecastMemory, seconds: float) -> None:
    """Compare what was expected of this moment, at each horizon, with this moment."""
    past = [memory.moment_at(seconds - 3600.0 * horizon) for horizon in HORIZONS]
    which = np.array([i for i, then in enumerate(past) if then is not None], dtype=np.intp)
    if which.size == 0:
        return
    known = [then for then in past if then is not None]
    features = np.stack([then.expected.features()[i] for i, then in zip(which, known, strict=True)])
    change = memory.height - np.array([then.height for then in known])
    size = foreseen(features)
    # Quarter-hourly lessons about the next hours overlap: each is worth its share of an independent one.
    error, unsure = memory.errors.typical(size, which), np.array([then.sd for then in known])
    belief = memory.sd**2 + unsure**2
    noise = (error**2 + belief) * np.maximum(_H[which] / STEP, 1.0)
    residual = memory.corrections.learn(features, change, noise, which)
    inside = np.abs(residual) < 1.6449 * memory.errors.stretch[which] * np.sqrt(error**2 + unsure**2)
    memory.errors.calibrate(inside, which)
    memory.errors.learn(size, np.maximum(np.abs(residual) - 0.5 * np.sqrt(belief), 0.0), which)


def learn_balance(memory: ForecastMemory, hour_ago: Moment | None, earlier: Moment | None, streams: Streams) -> None:
    """What the last hours say about how the tank answers."""
    if hour_ago is not None and hour_ago.flow is not None:
        came, went = memory.total_in - hour_ago.total_in, memory.total_out - hour_ago.total_out
        noise = 4.0 * (memory.sd**2 + hour_ago.sd**2 + 0.03**2)
        memory.rise.learn(np.array([came, -went]), memory.height - hour_ago.height, noise)
    if earlier is None:
        return
    # Solids probes are coarse: their lessons take longer stretches.
    overlap = LESSON / STEP
    if earlier.feed is not None and memory.feed is not None:
        gained = memory.total_basin - earlier.total_basin
        memory.dilution.learn(np.array([gained]), memory.feed - earlier.feed, overlap * 0.12**2)
    if earlier.drawn is not None and memory.drawn is not None and streams.under > 0.02:
        stored = memory.total_in - earlier.total_in - memory.total_out + earlier.total_out
        memory.thickening.learn(np.array([stored]), memory.drawn - earlier.drawn, overlap * 0.4**2)
