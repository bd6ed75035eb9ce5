"""Where the blanket of one tank is heading, learned from its own past.

Three sayings are joined. The balance (solids in, solids out, the basin thinning out) carries the height forward with flows
as they are expected; the rate now observed, as far as the balance does not explain it, fades over an hour or two; and the
tank's own habits (time of day, return to its usual height) correct both. How much each is worth at each horizon, and how
wrong the whole tends to be, is learned online from every past quarter hour whose future has since been seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.domain.balance import STEP, Conditions, Response, Streams, carry_forward, natural_rate
from service.domain.estimate import Estimate
from service.domain.forecast_memory import ForecastMemory, Moment
from service.domain.inflow import LESSON
from service.domain.outlook import HORIZONS, Forecast, Pattern
from service.domain.tank import Tank

Floats = NDArray[np.float64]

#: How long an unexplained rate persists. [h]
RATE_MEMORY = 1.5
#: Flows are smoothed over this. [h]
SMOOTHING = 0.1
#: After a silence this long, what was waiting for its future is forgotten. [h]
LONGEST_GAP = 1.0
#: The usual height follows over this. [h]
USUAL_HEIGHT_MEMORY = 72.0
#: A flow this far above its usual is a surge; a return flow under these shares of its usual is low, or lost. [–]
SURGE, RETURN_LOW, RETURN_LOST = 1.35, 0.7, 0.25
#: Solids taken where none are measured. [kg/m³]
USUAL_FEED, USUAL_DRAWN = 3.0, 7.0


_H = np.asarray(HORIZONS)
_MIDDLES = np.asarray(STEP * (np.arange(round(HORIZONS[-1] / STEP)) + 0.5), dtype=np.float64)
_AT = np.round(_H / STEP).astype(np.intp) - 1
_REACH = -RATE_MEMORY * np.expm1(-_H / RATE_MEMORY)
_SHIFT = _H / HORIZONS[-1]


@dataclass(frozen=True, slots=True)
class _Now:
    """Everything a forecast from this moment rests on."""

    streams: Streams | None
    pattern: Pattern
    features: Floats  #: a row a horizon


def observe(tank: Tank, memory: ForecastMemory, estimate: Estimate, conditions: Conditions) -> None:
    """Take in what is believed and measured at one time; learns once a quarter hour has passed.

    Parameters
    ----------
    memory : changed in place.
    estimate : the belief at its time; times must not run backwards.
    conditions : the other signals at that time.
    """
    seconds = estimate.time.timestamp()
    passed = (seconds - memory.time) / 3600.0 if memory.time is not None else math.inf
    _smooth(memory, conditions, passed)
    if passed > LONGEST_GAP:
        memory.moments.clear()
        memory.height, memory.sd, memory.rate = estimate.height, estimate.sd, estimate.rate
    streams = streams_of(tank, memory)
    if memory.moments and streams is not None and passed <= LONGEST_GAP:
        memory.total_in += passed * streams.solids_in
        memory.total_out += passed * streams.solids_out
        memory.total_basin += passed * streams.basin_gain
    memory.time, memory.height, memory.sd, memory.rate = seconds, estimate.height, estimate.sd, estimate.rate
    if memory.usual_height is None:
        memory.usual_height = estimate.height
    elif passed <= LONGEST_GAP:
        memory.usual_height += min(passed / USUAL_HEIGHT_MEMORY, 1.0) * (estimate.height - memory.usual_height)
    if memory.moments and seconds - memory.moments[-1].seconds < STEP * 3600.0 - 1.0:
        return
    _learn(tank, memory, streams, seconds)


def forecast(tank: Tank, memory: ForecastMemory, now: datetime) -> Forecast | None:
    """The outlook from what was last observed; None before anything was.

    Parameters
    ----------
    now : when it is made; what was observed last counts as of then.
    """
    if memory.time is None:
        return None
    here = _now(tank, memory, memory.time)
    change = memory.corrections.predict(here.features)
    means = np.clip(memory.height + change, tank.lowest_height, tank.side_water_depth)
    error = memory.errors.typical(np.abs(here.features[:, 0]))
    spreads = np.sqrt(error**2 + memory.sd**2 + np.maximum(memory.corrections.uncertainty(here.features), 0.0))
    return Forecast(
        tank=tank.key,
        made_at=now,
        height=memory.height,
        sd=memory.sd,
        mean=tuple(means.tolist()),
        spread=tuple(spreads.tolist()),
        pattern=here.pattern,
        ceiling=tank.side_water_depth,
    )


def pattern_now(memory: ForecastMemory) -> Pattern:
    """What the flows say is going on: compared with their own usual day."""
    if memory.flow is None or memory.time is None:
        return Pattern.NOT_KNOWN
    usual_return = memory.return_habit.usual(memory.time)
    if memory.under is not None and usual_return and memory.return_habit.quarters > 24.0:
        if memory.under < RETURN_LOST * usual_return:
            return Pattern.RETURN_LOST
        if memory.under < RETURN_LOW * usual_return:
            return Pattern.RETURN_LOW
    usual = memory.flow_habit.usual(memory.time)
    if usual and memory.flow_habit.quarters > 24.0 and memory.flow > SURGE * usual:
        return Pattern.FLOW_SURGE
    return Pattern.NOTHING_UNUSUAL


def _smooth(memory: ForecastMemory, conditions: Conditions, passed: float) -> None:
    follow = 1.0 - math.exp(-passed / SMOOTHING) if math.isfinite(passed) else 1.0

    def blend(old: float | None, new: float | None) -> float | None:
        return new if old is None or new is None else old + follow * (new - old)

    memory.flow = blend(memory.flow, conditions.flow)
    memory.under = blend(memory.under, conditions.return_flow)
    memory.feed = blend(memory.feed, conditions.feed_solids) if conditions.feed_solids is not None else memory.feed
    if conditions.return_solids is not None:
        memory.drawn = blend(memory.drawn, conditions.return_solids)
    memory.plant_flow = blend(memory.plant_flow, conditions.plant_flow)
    memory.plant_under = blend(memory.plant_under, conditions.plant_return)


def streams_of(tank: Tank, memory: ForecastMemory) -> Streams | None:
    """The tank's streams per square metre; None without a flow."""
    if memory.flow is None:
        return None
    per_area = 3600.0 / tank.area
    under = memory.under if memory.under is not None else 0.0
    over, under = memory.flow * per_area, under * per_area
    basin_over, basin_under = over, under
    if memory.plant_flow is not None and memory.plant_under is not None and memory.usual_share > 0.0:
        basin_over = memory.plant_flow * per_area * memory.usual_share
        basin_under = memory.plant_under * per_area * memory.usual_share
    return Streams(
        over=over,
        under=under,
        feed=memory.feed if memory.feed is not None else USUAL_FEED,
        drawn=memory.drawn if memory.drawn is not None else USUAL_DRAWN,
        basin_over=basin_over,
        basin_under=basin_under,
    )


def response_of(memory: ForecastMemory) -> Response:
    """The tank's answer to its streams as learned so far, kept within what a tank can do."""
    return Response(
        rise_in=float(np.clip(memory.rise.mean[0], 0.05, 0.6)),
        fall_out=float(np.clip(memory.rise.mean[1], 0.05, 0.6)),
        dilution=float(np.clip(memory.dilution.mean[0], 0.0, 1.0)),
        thickening=float(np.clip(memory.thickening.mean[0], 0.0, 0.4)),
    )


def _now(tank: Tank, memory: ForecastMemory, seconds: float) -> _Now:
    streams = streams_of(tank, memory)
    steps = round(HORIZONS[-1] / STEP)
    if streams is None or memory.flow is None:
        path = [memory.height] * steps
        unexplained = memory.rate
    else:
        flows = memory.flow_habit.ahead(seconds, memory.flow, memory.flow_trend, _MIDDLES)
        ratios = (flows / max(memory.flow, 1e-9)).tolist()
        response = response_of(memory)
        path = carry_forward(
            memory.height, streams, ratios, response, tank.kind, tank.lowest_height, tank.side_water_depth
        )
        unexplained = memory.rate - natural_rate(streams, response)
    turn = 2.0 * math.pi * seconds / 86_400.0
    away = memory.height - (memory.usual_height if memory.usual_height is not None else memory.height)
    features = np.empty((_H.size, 6))
    features[:, 0] = np.asarray(path)[_AT] - memory.height
    features[:, 1] = unexplained * _REACH
    features[:, 2:] = _SHIFT[:, None] * np.array([away, math.sin(turn), math.cos(turn), 1.0])
    return _Now(streams, pattern_now(memory), features)


def _learn(tank: Tank, memory: ForecastMemory, streams: Streams | None, seconds: float) -> None:
    """Once a quarter hour: compare what was expected of now with now, then remember this moment."""
    hour_ago, earlier = memory.moment_at(seconds - 3600.0), memory.moment_at(seconds - 3600.0 * LESSON)
    if streams is not None:
        _learn_balance(memory, hour_ago, earlier, streams)
    if memory.flow is not None:
        memory.flow_habit.learn(seconds, memory.flow, None if earlier is None else earlier.flow)
        before = memory.moment_at(seconds - 1800.0)
        if before is not None and before.flow is not None:
            memory.flow_trend = (memory.flow - before.flow) / 0.5
    if memory.under is not None:
        memory.return_habit.learn(seconds, memory.under, None)
    if memory.plant_flow is not None and memory.flow is not None and memory.plant_flow > 0.0:
        share = min(memory.flow / memory.plant_flow, 1.0)
        follow = 0.02 if memory.usual_share > 0.0 else 1.0
        memory.usual_share += follow * (share - memory.usual_share)
    _learn_outcome(memory, seconds)
    here = _now(tank, memory, seconds)
    memory.remember(
        Moment(
            seconds=seconds,
            height=memory.height,
            sd=memory.sd,
            flow=memory.flow,
            feed=memory.feed,
            drawn=memory.drawn,
            total_in=memory.total_in,
            total_out=memory.total_out,
            total_basin=memory.total_basin,
            features=here.features,
        )
    )


def _learn_outcome(memory: ForecastMemory, seconds: float) -> None:
    """Compare what was expected of this moment, at each horizon, with this moment."""
    past = [memory.moment_at(seconds - 3600.0 * horizon) for horizon in HORIZONS]
    which = np.array([i for i, then in enumerate(past) if then is not None], dtype=np.intp)
    if which.size == 0:
        return
    known = [then for then in past if then is not None]
    features = np.stack([then.features[i] for i, then in zip(which, known, strict=True)])
    change = memory.height - np.array([then.height for then in known])
    belief = memory.sd**2 + np.array([then.sd for then in known]) ** 2
    foreseen = np.abs(features[:, 0])
    # Quarter-hourly lessons about the next hours overlap: each is worth its share of an independent one.
    noise = (memory.errors.typical(foreseen, which) ** 2 + belief) * np.maximum(_H[which] / STEP, 1.0)
    residual = memory.corrections.learn(features, change, noise, which)
    memory.errors.learn(foreseen, np.maximum(np.abs(residual) - 0.5 * np.sqrt(belief), 0.0), which)


def _learn_balance(memory: ForecastMemory, hour_ago: Moment | None, earlier: Moment | None, streams: Streams) -> None:
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
