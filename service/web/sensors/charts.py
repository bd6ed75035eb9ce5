"""Charts of one sensor against the hand cores: pairs, offset over time, CUSUM and EWMA, in the site's units."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.cores.core import Calibration
from service.domain.sensors.advice import TOLERANCE
from service.domain.sensors.drift_history import CALLED, PairInHindsight
from service.domain.sensors.review import CUSUM_LIMIT, SensorReview
from service.web.base.formatters import Words
from service.web.charts.plot import Plot, PlotFrame, days, numbers, round_steps

#: Marks drawn at most: beyond that every second, third, … sound core is drawn; wrong ones always.
MOST_MARKS = 300
#: Points of a control chart drawn at most: the newest.
MOST_CHARTED = 120


@dataclass(frozen=True, slots=True)
class Band:
    """What is believed of the offset at a time: mean and standard deviation. [m]"""

    at: datetime
    mean: float
    sd: float


def sampled(points: Sequence[PairInHindsight]) -> list[PairInHindsight]:
    """So many points that each can still be seen; those called wrong all stay."""
    every = -(-len(points) // MOST_MARKS)
    return [point for n, point in enumerate(points) if every < 2 or n % every == 0 or point.wrong > CALLED]


def pair_plot(review: SensorReview, say: Words) -> Plot | None:
    """Sensor against core, with Deming's line and the limits of agreement; None where there is no core."""
    points = review.history.points
    if not points:
        return None
    shown = sampled(points)
    heights = [say.in_unit(p.pair.core_height) for p in shown] + [say.in_unit(p.pair.sensor) for p in shown]
    low, high = _room(heights, 0.05)
    frame = PlotFrame(low, high, low, high)
    frame.straight("same", 1.0, 0.0)
    if review.agreement is not None:
        for limit in (review.agreement.lower, review.agreement.upper):
            frame.straight("limits", 1.0, say.in_unit(limit))
    if review.deming is not None:
        frame.straight("fit", review.deming.slope, say.in_unit(review.deming.intercept))
    since = {id(point) for point in review.charted}
    for point in shown:
        shape = "wrong" if point.wrong > CALLED else "now" if id(point) in since else "past"
        frame.mark(shape, say.in_unit(point.pair.core_height), say.in_unit(point.pair.sensor))
    steps = round_steps(low, high)
    return frame.drawn(
        _pair_words(review, say),
        f"hand core: blanket above the floor ({say.length_unit})",
        f"sensor ({say.length_unit})",
        numbers(steps),
        steps,
    )


def _pair_words(review: SensorReview, say: Words) -> str:
    words = f"Sensor against hand core, {len(review.history.points)} cores."
    if review.agreement is not None:
        found = review.agreement
        words += (
            f" Since the last work the sensor reads {say.length(found.bias, signed=True)} from the core on average; most"
            f" differences lie between {say.length(found.lower, signed=True)} and {say.length(found.upper, signed=True)}."
        )
    if review.deming is not None:
        words += f" Deming line: slope {review.deming.slope:.2f}."
    return words


def offset_plot(
    review: SensorReview,
    works: Sequence[Calibration],
    say: Words,
    start: datetime,
    tolerance: float = TOLERANCE,
) -> Plot | None:
    """How far the sensor was off over time, with the 95 % band, every pair, and the work done; None without a core."""
    points = [point for point in review.history.points if point.pair.time >= start]
    if not points:
        return None
    stretches = _stretches(points, works, _now(review, say.now))
    sound = [p.pair.difference for p in points if p.wrong <= CALLED]
    edges = [b.mean + side * min(1.96 * b.sd, 0.6) for part in stretches for b in part for side in (-1, 1)]
    low, high = _room([say.in_unit(v) for v in (*sound, *edges, 1.5 * tolerance, -1.5 * tolerance)], 0.05)
    first = min(points[0].pair.time, say.now - timedelta(days=1))
    frame = PlotFrame(first.timestamp(), say.now.timestamp(), low, high)
    frame.level("zero", 0.0)
    for side in (-tolerance, tolerance):
        frame.level("limits", say.in_unit(side))
    for part in stretches:
        frame.area(
            "band",
            [(b.at.timestamp(), say.in_unit(b.mean - 1.96 * b.sd), say.in_unit(b.mean + 1.96 * b.sd)) for b in part],
        )
        frame.line("fit", [(b.at.timestamp(), say.in_unit(b.mean)) for b in part])
    for work in works:
        frame.moment("work", work.at.timestamp(), work.kind.value)
    for point in sampled(points):
        shape = "wrong" if point.wrong > CALLED else "now"
        frame.mark(shape, point.pair.time.timestamp(), say.in_unit(point.pair.difference))
    for step in review.history.steps:
        if step.before >= start:
            frame.mark("step", step.before.timestamp(), low)
    low_now, high_now = review.advice.offset_interval
    return frame.drawn(
        f"Offset of the sensor over time. Now {say.length(review.advice.offset, signed=True)}, 95 % between"
        f" {say.length(low_now, signed=True)} and {say.length(high_now, signed=True)}; {len(points)} cores in this stretch,"
        f" {sum(p.wrong > CALLED for p in points)} of them judged wrong.",
        "",
        f"sensor minus truth ({say.length_unit})",
        days(first, say.now, say.zone),
        round_steps(low, high),
    )


def _now(review: SensorReview, now: datetime) -> Band:
    low, high = review.advice.offset_interval
    return Band(now, review.advice.offset, (high - low) / 2.0 / 1.96)


def _stretches(points: Sequence[PairInHindsight], works: Sequence[Calibration], now: Band) -> list[list[Band]]:
    """The path between works, the last part going on to now."""
    bands = [Band(p.pair.time, p.then, p.then_sd) for p in points]
    bands.append(now)
    parts: list[list[Band]] = [[bands[0]]]
    for before, after in itertools.pairwise(bands):
        if any(before.at <= work.at <= after.at for work in works):
            parts.append([])
        parts[-1].append(after)
    return parts


def cusum_plot(review: SensorReview, say: Words) -> Plot | None:
    """Tabular CUSUM of the differences: upwards the upper sum, downwards the lower one; None without a core."""
    found = review.cusum
    if found is None:
        return None
    upper, lower = found.upper[-MOST_CHARTED:], found.lower[-MOST_CHARTED:]
    first = len(found.upper) - len(upper) + 1
    limit = _cusum_limit(review)
    low, high = _room([say.in_unit(v) for v in (*upper, *(-v for v in lower), 1.15 * limit, -1.15 * limit)], 0.0)
    frame = PlotFrame(first - 0.5, first + len(upper) - 0.5, low, high)
    frame.level("zero", 0.0)
    frame.level("limits", say.in_unit(limit))
    frame.level("limits", say.in_unit(-limit))
    frame.line("fit", [(first + n, say.in_unit(v)) for n, v in enumerate(upper)])
    frame.line("second", [(first + n, say.in_unit(-v)) for n, v in enumerate(lower)])
    for n, (up, down) in enumerate(zip(upper, lower, strict=True)):
        for value in (up, -down):
            if value:
                beyond = abs(value) > limit
                frame.mark("signal" if beyond else "now", first + n, say.in_unit(value))
    words = f"CUSUM of sensor minus core over {len(found.upper)} cores since the last work: "
    if found.signals and found.change_point is not None:
        since = review.charted[found.change_point].pair.time
        words += f"beyond its limit at {len(found.signals)} of them; the shift began about {say.time(since)}."
    else:
        words += "within its limits."
    return frame.drawn(
        words, "core, counted from the last work", f"sum ({say.length_unit})", _counts(frame), round_steps(low, high)
    )


def _cusum_limit(review: SensorReview) -> float:
    """Limit h of the CUSUM. [m]"""
    return CUSUM_LIMIT * review.spread


def ewma_plot(review: SensorReview, say: Words) -> Plot | None:
    """EWMA of the differences with its limits; None without a core."""
    found = review.ewma
    if found is None:
        return None
    values = found.values[-MOST_CHARTED:]
    first = len(found.values) - len(values) + 1
    lower, upper = found.lower[-MOST_CHARTED:], found.upper[-MOST_CHARTED:]
    low, high = _room([say.in_unit(v) for v in (*values, *lower, *upper)], 0.08)
    frame = PlotFrame(first - 0.5, first + len(values) - 0.5, low, high)
    frame.level("zero", 0.0)
    for limit in (lower, upper):
        frame.line("limits", [(first + n, say.in_unit(v)) for n, v in enumerate(limit)])
    frame.line("fit", [(first + n, say.in_unit(v)) for n, v in enumerate(values)])
    beyond = {n - first + 1 for n in found.signals}
    for n, value in enumerate(values):
        frame.mark("signal" if n in beyond else "now", first + n, say.in_unit(value))
    state = f"outside its limits at {len(found.signals)} of them" if found.signals else "within its limits"
    return frame.drawn(
        f"EWMA of sensor minus core over {len(found.values)} cores since the last work: {state};"
        f" it stands at {say.length(found.values[-1], signed=True)}.",
        "core, counted from the last work",
        f"moving average ({say.length_unit})",
        _counts(frame),
        round_steps(low, high),
    )


def _counts(frame: PlotFrame) -> list[tuple[float, str]]:
    steps = [step for step in round_steps(frame.x_low, frame.x_high) if step == int(step) and step >= 1]
    return [(step, f"{step:.0f}") for step in steps]


def proof_plot(
    before: Sequence[PairInHindsight],
    after: Sequence[PairInHindsight],
    at: datetime,
    say: Words,
    tolerance: float = TOLERANCE,
) -> Plot | None:
    """The cores on both sides of work on a sensor; None where there is none."""
    points = [*before, *after]
    if not points:
        return None
    low, high = _room(
        [say.in_unit(v) for v in (*(p.pair.difference for p in points), 1.5 * tolerance, -1.5 * tolerance)], 0.08
    )
    first = min(points[0].pair.time, at - timedelta(days=1))
    last = max(points[-1].pair.time, at + timedelta(days=1))
    frame = PlotFrame(first.timestamp(), last.timestamp(), low, high)
    frame.level("zero", 0.0)
    frame.level("limits", say.in_unit(tolerance))
    frame.level("limits", say.in_unit(-tolerance))
    frame.moment("work", at.timestamp(), "work")
    for side, shape in ((before, "past"), (after, "now")):
        for point in side:
            frame.mark(shape, point.pair.time.timestamp(), say.in_unit(point.pair.difference))
    return frame.drawn(
        f"Sensor minus hand core: {len(before)} cores before the work and {len(after)} after it.",
        "",
        f"sensor minus core ({say.length_unit})",
        days(first, last, say.zone),
        round_steps(low, high),
    )


def _room(values: Sequence[float], share: float) -> tuple[float, float]:
    """The values' range with some room around it."""
    low, high = min(values), max(values)
    extra = share * (high - low)
    return low - extra, high + extra
