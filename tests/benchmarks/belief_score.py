"""Score beliefs on rough plants whose truth is known, beside quick baselines and the best-informed filter.

    python -m tests.benchmarks.belief_score                           plants for tuning (even seeds), every belief
    python -m tests.benchmarks.belief_score --held-out                the other half: once, at the end
    python -m tests.benchmarks.belief_score --kinds echoes --seeds 2 --beliefs today,median

``limit`` is a filter told the noise, every fault and every offset. Truth is the top that counts for danger, the dispersed
one where there is one.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from multiprocessing import Pool

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from service.alarms.rules import CALLS_AT, CLEARS_AT
from service.domain.blanket.estimate import Estimate, Trust, advance, event_order, initial
from service.domain.blanket.tracker import Tracker
from service.domain.cores.core import Core
from service.domain.forecast.tracker import first_heading, follow, outlook
from service.domain.plant.reading import Reading
from tests.support.rough_events import START, rough_events, stretched
from tests.support.rough_plants import KINDS, RoughPlant, rough_plant
from tests.support.stopping import in_order
from tests.support.told import told

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Days before scoring starts.
SETTLING = 2 * 1440
#: A blanket is near danger within this [m].
NEAR = 1.0
#: Predictive calls: danger within this [h], for three looks of a minute; off beyond 1.5 times it for twenty.
AHEAD = 1.5
#: A fault that lasts this long has an end worth measuring [min].
LONG_FAULT = 20


@dataclass
class Track:
    """What one belief said, a value a minute."""

    mean: Floats
    low: Floats
    high: Floats
    above: Floats  #: probability of being above the danger height
    good: Flags
    until: Floats  #: hours to danger; infinite where none is foreseen
    #: Between these nothing is expected, where the interval has two parts; NaN where it has one.
    gap_low: Floats | None = None
    gap_high: Floats | None = None


@dataclass
class Marks:
    """One plant under one belief."""

    kind: str
    seed: int
    months: float
    rms: float
    rms_near: float
    width: float
    held: float
    held_near: float
    near_minutes: int
    wrong_good: float  #: minutes a month
    good_share: float
    delays: list[float] = field(default_factory=list)  #: [min], infinite where never within two hours
    false_danger: int = 0
    called_off: int = 0
    leads: list[float] = field(default_factory=list)
    false_calls: int = 0
    back: list[float] = field(default_factory=list)  #: minutes until believed after a fault's end


def score(plant: RoughPlant, track: Track) -> Marks:
    """All figures of one plant."""
    at = slice(SETTLING, plant.minutes)
    true, mean = plant.top[at], track.mean[at]
    error = np.where(np.isfinite(mean), mean - true, 1.0)
    inside = (true >= track.low[at]) & (true <= track.high[at])
    if track.gap_low is not None and track.gap_high is not None:
        inside &= ~((true > track.gap_low[at]) & (true < track.gap_high[at]))
    near = np.abs(true - plant.danger) <= NEAR
    months = true.size / 43_200
    wrong = track.good[at] & (np.abs(error) > 0.3)
    marks = Marks(
        kind=plant.kind,
        seed=plant.seed,
        months=months,
        rms=float(np.sqrt(np.mean(error**2))),
        rms_near=float(np.sqrt(np.mean(error[near] ** 2))) if near.any() else math.nan,
        width=float(np.nanmean(track.high[at] - track.low[at])),
        held=float(inside.mean()),
        held_near=float(inside[near].mean()) if near.any() else math.nan,
        near_minutes=int(near.sum()),
        wrong_good=float(wrong.sum()) / months,
        good_share=float(track.good[at].mean()),
    )
    calls = _spans(track.above >= CALLS_AT, track.above <= CLEARS_AT, 2, 10)  # for two minutes, for ten
    crossings = _crossings(plant.top, plant.danger)
    for c in crossings:
        if c < SETTLING:
            continue
        standing = [max(0, a - c) for a, b in calls if b > c and a <= c + 120]
        marks.delays.append(float(min(standing)) if standing else math.inf)
    for a, b in calls:
        if b < SETTLING:
            continue
        span = slice(max(a - 15, 0), b)
        marks.false_danger += not bool((plant.top[span] >= plant.danger - 0.1).any())
        marks.called_off += b < plant.minutes and bool(plant.top[b] >= plant.danger)
    predicted = _spans(track.until <= AHEAD, ~(track.until <= 1.5 * AHEAD), 3, 20)
    for c in crossings:
        if c < SETTLING:
            continue
        standing = [c - a for a, b in predicted if a <= c <= b + 30]
        marks.leads.append(float(max(standing)) if standing else 0.0)
    for a, b in predicted:
        if b >= SETTLING:
            marks.false_calls += not bool((plant.top[a : b + 60] >= plant.danger - 0.1).any())
    for sensor in plant.sensors:
        blind = ~sensor.sees_top & np.isfinite(sensor.sent)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], blind.view(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a >= LONG_FAULT and a > SETTLING and b < plant.minutes - 60 and sensor.sees_top[b : b + 15].all():
                right = np.abs(track.mean[b : b + 240] - plant.top[b : b + 240]) < 0.15
                marks.back.append(float(np.argmax(right)) if right.any() else 240.0)
    return marks


def _spans(on: Flags, off: Flags, on_delay: int, off_delay: int) -> list[tuple[int, int]]:
    spans: list[tuple[int, int]] = []
    began = -1
    high = low = 0
    for i, (up, down) in enumerate(zip(on.tolist(), off.tolist(), strict=True)):
        high, low = (high + 1 if up else 0), (low + 1 if down else 0)
        if began < 0 and high >= on_delay:
            began = i
        elif began >= 0 and low >= off_delay:
            spans.append((began, i))
            began = -1
    if began >= 0:
        spans.append((began, on.size))
    return spans


def _crossings(height: Floats, danger: float) -> list[int]:
    found, above = [], bool(height[0] >= danger)
    for i, value in enumerate(height.tolist()):
        if not above and value >= danger:
            above = True
            found.append(i)
        elif above and value < danger - 0.15:
            above = False
    return found


# --- beliefs ----------------------------------------------------------------------------------------------------------


def _normal(mean: Floats, sd: Floats, danger: float, good: Flags) -> Track:
    sd = np.maximum(np.nan_to_num(sd, nan=5.0, posinf=5.0), 1e-6)
    above = np.nan_to_num(ndtr((mean - danger) / sd))
    return Track(mean, mean - 1.96 * sd, mean + 1.96 * sd, above, good, _line_until(mean, danger))


def _line_until(mean: Floats, danger: float) -> Floats:
    """Straight line through the last half hour: hours until the danger height."""
    n, w = mean.size, 31
    filled = np.nan_to_num(mean)
    padded = np.concatenate([np.full(w - 1, filled[0]), filled])
    x = (np.arange(w) - (w - 1) / 2) / 60.0
    windows = np.lib.stride_tricks.sliding_window_view(padded, w)
    slope = windows @ x / (x @ x)
    now = windows.mean(axis=1) + slope * x[-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        hours = np.where(slope > 0, (danger - now) / slope, np.inf)
    assert hours.size == n
    return np.where(now >= danger, 0.0, hours)


def _median15(plant: RoughPlant) -> Floats:
    sent = plant.sensors[0].sent
    padded = np.concatenate([np.full(14, sent[0]), sent])
    windows = np.lib.stride_tricks.sliding_window_view(padded, 15)
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return np.asarray(np.nanmedian(windows, axis=1))


def _held_last(values: Floats) -> Floats:
    known = np.isfinite(values)
    place = np.maximum.accumulate(np.where(known, np.arange(values.size), 0))
    return np.asarray(values[place])


def median(plant: RoughPlant) -> Track:
    """The raw fifteen-minute median of the first sensor."""
    mean = _held_last(_median15(plant))
    return _normal(mean, np.full(mean.size, 0.1), plant.danger, np.ones(mean.size, dtype=bool))


def median_less_cores(plant: RoughPlant) -> Track:
    """The same, less the median of its differences to the last five cores."""
    mean = _held_last(_median15(plant))
    offset, last = np.zeros(mean.size), []
    for core in plant.cores:
        last.append(float(mean[core.minute]) - core.height)
        offset[core.minute :] = float(np.median(last[-5:]))
    return _normal(mean - offset, np.full(mean.size, 0.1), plant.danger, np.ones(mean.size, dtype=bool))


def persistence(plant: RoughPlant) -> Track:
    """The last core."""
    minutes = [core.minute for core in plant.cores]
    mean = stretched(minutes, [core.height for core in plant.cores], plant.minutes)
    return _normal(mean, np.full(mean.size, 0.3), plant.danger, np.zeros(mean.size, dtype=bool))


def limit(plant: RoughPlant) -> Track:
    """A Kalman filter told the noise, the faults, the offsets, and when the blanket goes fast."""
    n = plant.minutes
    mean, sd = np.empty(n), np.empty(n)
    h, r, p, c, q = float(plant.top[0]), 0.0, 1.0, 0.0, 0.1
    sensors = [
        (s.sent - s.offset, np.where(s.sees_top, s.noise**2 + 0.03**2, np.inf)) for s in plant.sensors
    ]  # unevenness lasts half an hour: a minute of it counts little
    cores = {core.minute: core.height if core.top is None else core.top for core in plant.cores if not core.blunder}
    dt = 1 / 60.0
    for i in range(n):
        rate_var = (0.9 if plant.fast[i] else 0.06) ** 2
        fade = math.exp(-dt / 1.0)
        p, c, q = p + dt * (2 * c + dt * q), fade * (c + dt * q), fade * fade * q + (1 - fade * fade) * rate_var
        h, r = h + dt * r, fade * r
        seen = [(float(v[i]), float(w[i])) for v, w in sensors if w[i] < np.inf]
        if i in cores and abs(cores[i] - plant.top[i]) < 0.3:
            seen.append((cores[i], 0.08**2))
        for value, noise in seen:
            s = p + noise
            nu, k0, k1 = value - h, p / s, c / s
            h, r = h + k0 * nu, r + k1 * nu
            p, c, q = p * (1 - k0), c * (1 - k0), q - k1 * c
        mean[i], sd[i] = h, math.sqrt(p)
    return _normal(mean, sd, plant.danger, np.ones(n, dtype=bool))


def today(plant: RoughPlant) -> Track:
    """What the service believes today, and the time to danger it forecasts."""
    given = rough_events(plant)
    setup, tags = given.setup, {signal.tag for signal in given.sisters}
    events = [event for event in given.events if getattr(event, "tag", "") not in tags]
    state, heading = initial(setup), first_heading(setup)
    n = plant.minutes
    mean, low, high, above, until = (np.full(n, value) for value in (np.nan, np.nan, np.nan, 0.0, np.inf))
    good = np.zeros(n, dtype=bool)
    last: Estimate | None = None
    at, soon = 0, math.inf
    for minute in range(n):
        now = START + timedelta(minutes=minute, seconds=30)
        begin = at
        while at < len(events) and event_order(events[at])[0] <= now:
            at += 1
        made = advance(setup, state, events[begin:at])
        state = made.state
        follow(setup, heading, [event for event in events[begin:at] if isinstance(event, Reading)], made.estimates)
        last = made.estimates[-1] if made.estimates else last
        if last is None:
            continue
        mean[minute], good[minute] = last.height, last.trust is Trust.GOOD
        (low[minute], high[minute]), above[minute] = last.interval, last.above(plant.danger)
        if minute % 2 == 0 and (ahead := outlook(setup, heading, now)) is not None:
            soon = ahead.time_to(plant.danger).cautious
        until[minute] = soon
    return Track(mean, low, high, above, good, until)


def stories(plant: RoughPlant) -> Track:
    """Rival stories, weighed by everything."""
    given = rough_events(plant)
    setup = given.setup
    tracker = Tracker(setup.tank, setup.blankets, setup.others, given.sisters)
    n = plant.minutes
    mean, low, high, above = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    gap_low, gap_high, good = np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, dtype=bool)
    events, at = given.events, 0
    for minute in range(n):
        until = START + timedelta(minutes=minute, seconds=30)
        while at < len(events) and event_order(events[at])[0] <= until:
            event = events[at]
            at += 1
            if isinstance(event, Reading):
                tracker.reading(event)
            elif isinstance(event, Core):
                tracker.core(event)
            else:
                tracker.calibration(event)
        said = told(tracker, until.timestamp())
        height = said.height
        mean[minute], above[minute], good[minute] = height.mean, height.above(plant.danger), said.good
        if minute % 3 == 0:
            parts = height.intervals()
        low[minute], high[minute] = parts[0][0], parts[-1][1]
        if len(parts) > 1:
            gap_low[minute], gap_high[minute] = max(
                ((a[1], b[0]) for a, b in itertools.pairwise(parts)), key=lambda gap: gap[1] - gap[0]
            )
    return Track(mean, low, high, above, good, _line_until(mean, plant.danger), gap_low, gap_high)


BELIEFS: dict[str, Callable[[RoughPlant], Track]] = {
    "limit": limit,
    "median": median,
    "median less cores": median_less_cores,
    "persistence": persistence,
    "today": today,
    "stories": stories,
}


# --- the table --------------------------------------------------------------------------------------------------------


def run(job: tuple[str, int, str, int]) -> tuple[str, Marks]:
    """One plant under one belief."""
    kind, seed, name, days = job
    plant = rough_plant(kind, seed, days)
    return name, score(plant, BELIEFS[name](plant))


def summary(marks: list[Marks]) -> dict[str, float]:
    """Figures over plants: means of plants for errors, all minutes for shares, all crossings for delays."""
    months = sum(m.months for m in marks)
    near = sum(m.near_minutes for m in marks)
    delays = [d for m in marks for d in m.delays]
    leads = [lead for m in marks for lead in m.leads]
    back = [b for m in marks for b in m.back]
    return {
        "plants": len(marks),
        "rms": float(np.mean([m.rms for m in marks])),
        "rms worst": float(np.max([m.rms for m in marks])),
        "held": float(np.mean([m.held for m in marks])),
        "held worst": float(np.min([m.held for m in marks])),
        "held near": sum(m.held_near * m.near_minutes for m in marks if m.near_minutes) / near if near else math.nan,
        "width": float(np.mean([m.width for m in marks])),
        "good": float(np.mean([m.good_share for m in marks])),
        "wrong good": sum(m.wrong_good * m.months for m in marks) / months,
        "crossings": len(delays),
        "delay": float(np.median(delays)) if delays else math.nan,
        "delay worst": float(np.max(delays)) if delays else math.nan,
        "late": float(sum(d > 10 for d in delays)),
        "false danger": sum(m.false_danger for m in marks) / months,
        "called off": float(sum(m.called_off for m in marks)),
        "lead": float(np.median(leads)) if leads else math.nan,
        "false calls": sum(m.false_calls for m in marks) / months,
        "back": float(np.median(back)) if back else math.nan,
        "back 90": float(np.quantile(back, 0.9)) if back else math.nan,
    }


def table(results: dict[str, dict[str, list[Marks]]]) -> str:
    """One line a kind and belief."""
    head = (
        "| kind | belief | rms | worst | holds | worst | near danger | width | good | wrong+good min/month | delay med/worst (late) "
        "| false danger | off | lead | false calls | back med/90 % |"
    )
    lines = [head, "|" + "---|" * 16]
    for kind, by_belief in results.items():
        for name, marks in by_belief.items():
            s = summary(marks)
            lines.append(
                f"| {kind} | {name} | {s['rms']:.3f} | {s['rms worst']:.3f} | {100 * s['held']:.1f} | {100 * s['held worst']:.1f} "
                f"| {100 * s['held near']:.1f} | {s['width']:.2f} | {100 * s['good']:.0f} | {s['wrong good']:.0f} "
                f"| {s['delay']:.0f}/{s['delay worst']:.0f} ({s['late']:.0f} of {s['crossings']:.0f}) "
                f"| {s['false danger']:.2f} | {s['called off']:.0f} | {s['lead']:.0f} | {s['false calls']:.2f} "
                f"| {s['back']:.0f}/{s['back 90']:.0f} |"
            )
    return "\n".join(lines)


def main() -> None:
    """Score and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--beliefs", default=",".join(BELIEFS))
    parser.add_argument("--seeds", type=int, default=4, help="plants of each kind")
    parser.add_argument(
        "--first", type=int, default=0, help="leave out so many of each kind: those that were looked at"
    )
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--held-out", action="store_true", help="odd seeds, never looked at in choosing")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--plants", action="store_true", help="a line a plant, too")
    given = parser.parse_args()
    seeds = [2 * i + given.held_out for i in range(given.first, given.first + given.seeds)]
    kinds, names = given.kinds.split(","), given.beliefs.split(",")
    jobs = [(kind, seed, name, given.days) for kind in kinds for seed in seeds for name in names]
    results: dict[str, dict[str, list[Marks]]] = {kind: {name: [] for name in names} for kind in kinds}
    with Pool(given.processes) as pool:
        for name, marks in pool.imap(run, jobs):
            results[marks.kind][name].append(marks)
            if given.plants:
                print(json.dumps({"belief": name} | vars(marks)))
    if len(kinds) > 1:
        results["all"] = {name: [m for kind in kinds for m in results[kind][name]] for name in names}
    print(table(results))


if __name__ == "__main__":
    in_order(main)
