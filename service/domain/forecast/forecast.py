"""Where the blanket of one tank is heading, learned from its own past.

Three sayings are joined. The balance (solids in, solids out, the basin thinning out) carries the height forward with flows
as they are expected; the rate now observed, as far as the balance does not explain it, fades over an hour or two; and the
tank's own habits (time of day, return to its usual height) correct both. How much each is worth at each horizon, and how
wrong the whole tends to be, is learned online from every past quarter hour whose future has since been seen. A rise such as the tank
has not shown is said to go on as in the last half hour, beside all that.
"""

from __future__ import annotations

import math
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.forecast.inflow import LESSON
from service.domain.forecast.outlook import HORIZONS, Forecast, Line, Pattern
from service.domain.forecast.prediction import Expectation, foreseen
from service.domain.forecast.state import ForecastMemory, Moment
from service.domain.forecast.training import learn_balance, learn_outcome
from service.domain.loading.balance import STEP, Conditions, Response, Streams, carry_forward, natural_rate
from service.domain.plant.tank import Tank, TankKind

Floats = NDArray[np.float64]

#: Flows are smoothed over this. [h]
SMOOTHING = 0.1
#: After a silence this long, what was waiting for its future is forgotten. [h]
LONGEST_GAP = 1.0
#: A straight line is drawn through so much of the past [h], from points no closer than this [s], over at least so many of them.
LINE, LINE_EVERY, LINE_POINTS = 0.5, 55.0, 5
#: A rise is without precedent from so many usual deviations and this on [–, m/h], in either half of the line at least this share of
#: it: a step is no rise. Tuned on invented plants.
RISE_SDS, LEAST_RISE, EITHER_HALF = 3.0, 0.15, 0.6
#: What usual is follows over so many quarter hours.
USUAL_RATE_MEMORY = 7.0 * 96.0
#: The usual height follows over this. [h]
USUAL_HEIGHT_MEMORY = 72.0
#: A flow this far above its usual is a surge; a return flow under these shares of its usual is low, or lost. [–]
SURGE, RETURN_LOW, RETURN_LOST = 1.35, 0.7, 0.25
#: Where sludge is pumped in cycles, what is drawn is smoothed twice over this. [h]
PUMP_CYCLES = 2.5
#: Solids taken for the feed where they are not measured. [kg/m³]
USUAL_FEED = {TankKind.SECONDARY: 3.0, TankKind.PRIMARY: 0.2, TankKind.THICKENER: 8.0}


_H = np.asarray(HORIZONS)
_MIDDLES = np.asarray(STEP * (np.arange(round(HORIZONS[-1] / STEP)) + 0.5), dtype=np.float64)
_AT = np.round(_H / STEP).astype(np.intp) - 1


def observe(tank: Tank, memory: ForecastMemory, estimate: Estimate, conditions: Conditions) -> None:
    """Take in what is believed and measured at one time; learns once a quarter hour has passed.

    Parameters
    ----------
    memory : changed in place.
    estimate : the belief at its time; one that is blind teaches nothing and is passed over, as is one from the past.
    conditions : the other signals at that time.
    """
    seconds = estimate.time.timestamp()
    blind = estimate.trust is Trust.BLIND or not (math.isfinite(estimate.height) and math.isfinite(estimate.sd))
    if blind or (memory.time is not None and seconds < memory.time):
        return
    passed = (seconds - memory.time) / 3600.0 if memory.time is not None else math.inf
    _smooth(memory, conditions, passed)
    if passed > LONGEST_GAP:
        memory.moments.clear()
        memory.recent.clear()
        memory.height, memory.sd, memory.rate = estimate.height, estimate.sd, estimate.rate
    streams = streams_of(tank, memory, memory.under)
    if memory.moments and streams is not None and passed <= LONGEST_GAP:
        memory.total_in += passed * streams.solids_in
        memory.total_out += passed * streams.solids_out
        memory.total_basin += passed * streams.basin_gain
    memory.time, memory.height, memory.sd, memory.rate = seconds, estimate.height, estimate.sd, estimate.rate
    _draw(memory, estimate)
    if memory.usual_height is None:
        memory.usual_height = estimate.height
    elif passed <= LONGEST_GAP:
        memory.usual_height += min(passed / USUAL_HEIGHT_MEMORY, 1.0) * (estimate.height - memory.usual_height)
    if memory.moments and seconds - memory.moments[-1].seconds < STEP * 3600.0 - 1.0:
        return
    _learn(tank, memory, streams, seconds)


def forecast(tank: Tank, memory: ForecastMemory, now: datetime) -> Forecast | None:
    """The outlook from what was last observed; None before anything was, or when that is too long ago.

    Parameters
    ----------
    now : when it is made; what was observed last counts as of then.
    """
    if memory.time is None or now.timestamp() - memory.time > 3600.0 * LONGEST_GAP:
        return None
    here = expect(tank, memory, memory.time)
    features = here.features()
    change = memory.corrections.predict(features)
    means = np.clip(memory.height + change, tank.lowest_height, tank.side_water_depth)
    error = memory.errors.typical(foreseen(features))
    unsure = memory.sd**2 + np.maximum(memory.corrections.uncertainty(features), 0.0)
    spreads = memory.errors.stretch * np.sqrt(error**2 + unsure)
    return Forecast(
        tank=tank.key,
        made_at=now,
        height=memory.height,
        sd=memory.sd,
        mean=tuple(means.tolist()),
        spread=tuple(spreads.tolist()),
        pattern=here.pattern,
        ceiling=tank.side_water_depth,
        line=unprecedented(memory),
    )


def unprecedented(memory: ForecastMemory) -> Line | None:
    """The straight line through the last half hour, where the tank rises as it does not usually; else None.

    No habit and no learned error speaks of such a rise: that it goes on is the only safe saying.
    """
    line = _line(memory.recent)
    if line is None or line.rate <= RISE_SDS * math.sqrt(memory.usual_rate_var) + LEAST_RISE:
        return None
    middle = len(memory.recent) // 2
    halves = (_line(memory.recent[: middle + 1]), _line(memory.recent[middle:]))
    return None if any(half is None or half.rate < EITHER_HALF * line.rate for half in halves) else line


def _draw(memory: ForecastMemory, estimate: Estimate) -> None:
    """Keep the last half hour. What reads high and is not confirmed may be no rise at all: the line begins anew after it."""
    seconds = estimate.time.timestamp()
    if estimate.reason is EstimateReason.READS_HIGH_UNCONFIRMED:
        memory.recent.clear()
    elif not memory.recent or seconds - memory.recent[-1][0] >= LINE_EVERY:
        memory.recent.append([seconds, estimate.height])
        while seconds - memory.recent[0][0] > 3600.0 * LINE + 5.0:
            del memory.recent[0]


def _line(points: list[list[float]]) -> Line | None:
    """The least-squares line through some minutes; None where they are too few to tell."""
    if len(points) < (LINE_POINTS + 1) // 2 or points[-1][0] - points[0][0] < 0.3 * 3600.0 * LINE:
        return None
    hours = [(seconds - points[-1][0]) / 3600.0 for seconds, _ in points]
    middle, mean = sum(hours) / len(hours), sum(height for _, height in points) / len(points)
    square = sum((hour - middle) ** 2 for hour in hours)
    rate = sum((hour - middle) * (height - mean) for hour, (_, height) in zip(hours, points, strict=True)) / square
    return Line(mean - rate * middle, rate)


def pattern_now(tank: Tank, memory: ForecastMemory) -> Pattern:
    """What the flows say is going on: compared with their own usual day."""
    if memory.flow is None or memory.time is None:
        return Pattern.NOT_KNOWN
    usual_return, drawing = memory.return_habit.usual(memory.time), drawing_of(tank, memory)
    if drawing is not None and usual_return and memory.return_habit.quarters > 24.0:
        if drawing < RETURN_LOST * usual_return:
            return Pattern.RETURN_LOST
        if drawing < RETURN_LOW * usual_return:
            return Pattern.RETURN_LOW
    usual = memory.flow_habit.usual(memory.time)
    if usual and memory.flow_habit.quarters > 24.0 and memory.flow > SURGE * usual:
        return Pattern.FLOW_SURGE
    return Pattern.NOTHING_UNUSUAL


def drawing_of(tank: Tank, memory: ForecastMemory) -> float | None:
    """What is drawn from the floor: now, or over its cycles where sludge is pumped in cycles. [m³/s]"""
    return memory.under if tank.kind is TankKind.SECONDARY else memory.under_mean


def _smooth(memory: ForecastMemory, conditions: Conditions, passed: float) -> None:
    follow = 1.0 - math.exp(-passed / SMOOTHING) if math.isfinite(passed) else 1.0

    def blend(old: float | None, new: float | None) -> float | None:
        return new if old is None or new is None else old + follow * (new - old)

    memory.flow = blend(memory.flow, conditions.flow)
    memory.under = blend(memory.under, conditions.return_flow)
    _smooth_pumping(memory, conditions.return_flow, passed)
    memory.feed = blend(memory.feed, conditions.feed_solids) if conditions.feed_solids is not None else memory.feed
    if conditions.return_solids is not None:
        memory.drawn = blend(memory.drawn, conditions.return_solids)
    memory.plant_flow = blend(memory.plant_flow, conditions.plant_flow)
    memory.plant_under = blend(memory.plant_under, conditions.plant_return)


def _smooth_pumping(memory: ForecastMemory, drawing: float | None, passed: float) -> None:
    if drawing is None or memory.under_once is None or memory.under_mean is None or passed > LONGEST_GAP:
        memory.under_once = memory.under_mean = drawing
        memory.drawing_hours = 0.0
        return
    memory.drawing_hours += passed
    # At first a plain mean of what was seen: the first moment may lie in a pause or in a pumping.
    share = max(-math.expm1(-passed / PUMP_CYCLES), min(passed / memory.drawing_hours, 1.0))
    memory.under_once += share * (drawing - memory.under_once)
    memory.under_mean += share * (memory.under_once - memory.under_mean)


def streams_of(tank: Tank, memory: ForecastMemory, drawing: float | None) -> Streams | None:
    """The tank's streams per square metre; None without a flow.

    Parameters
    ----------
    drawing : taken from the floor: at this moment, or over the cycles of a pump. [m³/s]
    """
    if memory.flow is None:
        return None
    per_area = 3600.0 / tank.area
    usual_over = memory.flow_habit.mean or memory.flow
    usual_under = memory.return_habit.mean or (0.5 * usual_over if tank.kind is TankKind.SECONDARY else 0.0)
    if drawing is None and tank.kind is TankKind.SECONDARY:
        drawing = usual_under  # some return there is; what it draws follows below
    feed, drawn = memory.feed, memory.drawn
    if feed is None:
        feed = USUAL_FEED[tank.kind]
    if drawn is None or memory.under is None:
        # In the long run a tank passes on what it gets: so much must be drawn.
        drawn = feed * (usual_over + usual_under) / usual_under if usual_under > 0.0 else 2.0 * feed
    over, under = memory.flow * per_area, (drawing or 0.0) * per_area
    basin_over, basin_under = over, under
    if memory.plant_flow is not None and memory.plant_under is not None and memory.usual_share > 0.0:
        basin_over = memory.plant_flow * per_area * memory.usual_share
        basin_under = memory.plant_under * per_area * memory.usual_share
    return Streams(
        over=over,
        under=under,
        feed=feed,
        drawn=drawn,
        basin_over=basin_over,
        basin_under=basin_under,
    )


def response_of(memory: ForecastMemory) -> Response:
    """The tank's answer to its streams as learned so far, kept within what a tank can do."""
    return Response(
        rise_in=min(max(float(memory.rise.mean[0]), 0.01), 0.6),
        fall_out=min(max(float(memory.rise.mean[1]), 0.01), 0.6),
        dilution=min(max(float(memory.dilution.mean[0]), 0.0), 1.0),
        thickening=min(max(float(memory.thickening.mean[0]), 0.0), 0.4),
    )


def expect(tank: Tank, memory: ForecastMemory, seconds: float) -> Expectation:
    """What the balance, the rate and the habits say of the coming hours."""
    streams = streams_of(tank, memory, drawing_of(tank, memory))
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
    carried = np.asarray(path)[_AT] - memory.height
    away = memory.height - (memory.usual_height if memory.usual_height is not None else memory.height)
    return Expectation(seconds, tuple(carried.tolist()), unexplained, away, pattern_now(tank, memory))


def _learn(tank: Tank, memory: ForecastMemory, streams: Streams | None, seconds: float) -> None:
    """Once a quarter hour: compare what was expected of now with now, then remember this moment."""
    hour_ago, earlier = memory.moment_at(seconds - 3600.0), memory.moment_at(seconds - 3600.0 * LESSON)
    if streams is not None:
        learn_balance(memory, hour_ago, earlier, streams)
    if memory.flow is not None:
        memory.flow_habit.learn(seconds, memory.flow, None if earlier is None else earlier.flow)
        before = memory.moment_at(seconds - 1800.0)
        if before is not None and before.flow is not None:
            memory.flow_trend = (memory.flow - before.flow) / 0.5
    drawing = drawing_of(tank, memory)
    if drawing is not None and (tank.kind is TankKind.SECONDARY or memory.drawing_hours > 4.0 * PUMP_CYCLES):
        memory.return_habit.learn(seconds, drawing, None)
    if memory.plant_flow is not None and memory.flow is not None and memory.plant_flow > 0.0:
        share = min(memory.flow / memory.plant_flow, 1.0)
        follow = 0.02 if memory.usual_share > 0.0 else 1.0
        memory.usual_share += follow * (share - memory.usual_share)
    learn_outcome(memory, seconds)
    line = _line(memory.recent)
    if line is not None:
        # One storm is not what is usual.
        square = min(line.rate * line.rate, 9.0 * memory.usual_rate_var)
        memory.usual_rate_var += (square - memory.usual_rate_var) / USUAL_RATE_MEMORY
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
            expected=expect(tank, memory, seconds),
        )
    )
