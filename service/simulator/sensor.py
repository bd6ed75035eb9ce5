"""Simulates blanket sensors: from a true height to the reported value, with every fault."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from service.simulator.plant import SimTank, Truth
from service.simulator.weather import recursive, wander

Floats = NDArray[np.float64]


class SampleCause(IntEnum):
    """What really made a sample; the answer key for conditioning."""

    BLANKET = 0
    ARM = 1
    ECHO_LOST = 2
    FLAT = 3
    SURFACE = 4
    FLUFF = 5
    NOISY = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleSpell:
    """A stretch of trouble. Times in [h]; what ``size`` means depends on the trouble."""

    start: float
    hours: float
    size: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class OffsetStep:
    """The offset jumps by ``size`` [m] at ``at`` [h]."""

    at: float
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fouling:
    """Offset growing slowly, then quicker, up to ``size`` [m] after ``hours`` [h]."""

    start: float
    hours: float
    size: float
    power: float = 2.2

    def offset(self, hours: Floats) -> Floats:
        """Offset at those times. [m]"""
        return self.size * np.clip((hours - self.start) / self.hours, 0.0, 1.0) ** self.power


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmStrikes:
    """Echoes from the rotating arm: once a ``period`` [h] the reading jumps up by about ``size`` [m]."""

    period: float
    minutes: float = 1.6
    size: float = 0.6
    missed: float = 0.1  #: share of passes that leave no echo [–]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorWork:
    """A technician at the sensor at ``at`` [h]: calibration, cleaning or replacement, leaving ``residual`` [m]."""

    at: float
    kind: str = "calibration"
    residual: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SimSensor:
    """One blanket sensor and everything wrong with it. Lengths in [m], times in [h]."""

    tag: str
    tank: int = 0
    measures: str = "depth"  #: height, distance or depth, as in the plant's own frame
    zero_height: float = 0.0  #: of its own zero (height) or its face (distance), above the floor datum
    interval: int = 60  #: between samples [s]
    noise: float = 0.02
    noise_memory: float = 2.0  #: [min]
    resolution: float = 0.01
    offset: float = 0.0
    walk: float = 0.012  #: spread of the random walk after one day [m/√d]
    ramp: float = 0.0  #: [m/d]
    span_error: float = 0.0  #: [–], about ``span_pivot``
    span_pivot: float = 0.5
    fouling: Fouling | None = None
    steps: tuple[OffsetStep, ...] = ()
    works: tuple[SensorWork, ...] = ()
    arm: ArmStrikes | None = None
    echo_lost: tuple[TroubleSpell, ...] = ()
    flat: tuple[TroubleSpell, ...] = ()
    surface: tuple[TroubleSpell, ...] = ()  #: locked on to something ``size`` below the water surface
    fluff: tuple[TroubleSpell, ...] = ()  #: locked on to fluff ``size`` above the blanket
    noisy: tuple[TroubleSpell, ...] = ()  #: noise grown ``size`` times
    silent: tuple[TroubleSpell, ...] = ()  #: nothing arrives at all


@dataclass(frozen=True, slots=True)
class WorkDone:
    """Work as recorded: what the offset was before and after. [m]"""

    seconds: int
    tag: str
    kind: str
    as_found: float
    as_left: float


@dataclass(frozen=True, slots=True)
class SensorRecord:
    """What one sensor reported, and the answer key. ``quality``: 0 good, 1 uncertain, 2 bad (value NaN)."""

    spec: SimSensor
    seconds: NDArray[np.int64]
    value: Floats  #: in the sensor's own frame [m]
    quality: NDArray[np.int8]
    label: NDArray[np.int8]  #: a :class:`SampleCause`
    height: Floats = field(repr=False)  #: true blanket height at each sample [m]
    offset: Floats = field(repr=False)  #: true offset, span error left out [m]
    error: Floats = field(repr=False)  #: true systematic error of a blanket echo: offset and span [m]
    works: tuple[WorkDone, ...] = ()
    step_seconds: tuple[int, ...] = ()


def head_over_weir(flow: Floats, tank: SimTank) -> Floats:
    """Water surface above the weir crest for a flow over equal V-notches. [m]

    Parameters
    ----------
    flow : over the whole weir. [m³/h]
    """
    per_notch = flow / 3600.0 / tank.notch_count
    strength = 8.0 / 15.0 * 0.58 * np.sqrt(2.0 * 9.80665) * np.tan(np.radians(tank.notch_angle / 2.0))
    return np.asarray((per_notch / strength) ** 0.4)


def observe(spec: SimSensor, tank: SimTank, truth: Truth, rng: np.random.Generator) -> SensorRecord:
    """What the sensor reports of the true blanket.

    Parameters
    ----------
    spec, tank : the sensor and where it hangs.
    truth : the plant's truth; the sensor looks at row ``spec.tank``.
    """
    every = max(1, spec.interval // 60)
    pick = np.arange(int(rng.integers(0, every)), truth.seconds.size, every)
    seconds = truth.seconds[pick]
    hours = (seconds - truth.seconds[0]) / 3600.0
    height = truth.height[spec.tank, pick]
    offset, works = _offset(spec, hours, seconds, rng)
    error = offset + spec.span_error * (height - spec.span_pivot)
    local = wander(pick.size, 0.01, 8.0 / every, rng)  # the patch under the sensor is not the whole blanket
    keep = float(np.exp(-every / spec.noise_memory)) if spec.noise_memory > 0.0 else 0.0
    noise = recursive(rng.standard_normal(pick.size) * spec.noise * np.sqrt(1.0 - keep**2), keep)
    label = np.full(pick.size, SampleCause.BLANKET, dtype=np.int8)
    for spell in spec.noisy:
        here = _during(hours, spell)
        noise[here] *= spell.size
        label[here] = SampleCause.NOISY
    seen = height + error + local + noise
    head = head_over_weir(truth.effluent[spec.tank, pick], tank)
    for spell in spec.fluff:
        here = _during(hours, spell)
        edge = np.clip(np.minimum(hours[here] - spell.start, spell.start + spell.hours - hours[here]) * 6.0, 0.3, 1.0)
        seen[here] += spell.size * edge
        label[here] = SampleCause.FLUFF
    for spell in spec.surface:
        here = _during(hours, spell)
        seen[here] = tank.side_water_depth + head[here] - spell.size + 2.0 * noise[here]
        label[here] = SampleCause.SURFACE
    if spec.arm is not None:
        _strike(spec.arm, hours, seen, label, tank, rng)
    value = _in_frame(spec, tank, seen, head)
    value = np.round(value / spec.resolution) * spec.resolution if spec.resolution > 0.0 else value
    quality = np.zeros(pick.size, dtype=np.int8)
    for spell in spec.flat:
        held = np.flatnonzero(_during(hours, spell))
        if held.size:
            value[held] = value[max(int(held[0]) - 1, 0)]
            label[held] = SampleCause.FLAT
    for spell in spec.echo_lost:
        here = _during(hours, spell)
        value[here], quality[here], label[here] = np.nan, 2, SampleCause.ECHO_LOST
    there = ~np.logical_or.reduce([_during(hours, spell) for spell in spec.silent] or [np.zeros(pick.size, dtype=bool)])
    return SensorRecord(
        spec=spec, seconds=seconds[there], value=value[there], quality=quality[there], label=label[there],
        height=height[there], offset=offset[there], error=error[there], works=works,
        step_seconds=tuple(int(truth.seconds[0] + step.at * 3600.0) for step in spec.steps),
    )  # fmt: skip


def _offset(
    spec: SimSensor, hours: Floats, seconds: NDArray[np.int64], rng: np.random.Generator
) -> tuple[Floats, tuple[WorkDone, ...]]:
    span = np.diff(hours, prepend=hours[:1]) / 24.0
    own = (
        spec.offset + np.cumsum(rng.standard_normal(hours.size) * spec.walk * np.sqrt(span)) + spec.ramp * hours / 24.0
    )
    for step in spec.steps:
        own[hours >= step.at] += step.size
    dirt = spec.fouling.offset(hours) if spec.fouling is not None else np.zeros(hours.size)
    done: list[WorkDone] = []
    for work in sorted(spec.works, key=lambda w: w.at):
        i = int(np.searchsorted(hours, work.at))
        if i >= hours.size:
            continue
        found = float(own[i] + dirt[i])
        if spec.fouling is not None:  # every kind of work cleans the face; dirt then grows again from nothing
            dirt[i:] = spec.fouling.offset(hours[i:] - work.at + spec.fouling.start)
        if work.kind != "cleaning":
            own[i:] += work.residual - own[i]
        done.append(WorkDone(int(seconds[i]), spec.tag, work.kind, found, float(own[i] + dirt[i])))
    return own + dirt, tuple(done)


def _strike(
    arm: ArmStrikes, hours: Floats, seen: Floats, label: NDArray[np.int8], tank: SimTank, rng: np.random.Generator
) -> None:
    phase = rng.uniform(0.0, arm.period)
    turn = np.floor((hours - phase) / arm.period).astype(np.int64)
    into = (hours - phase) - turn * arm.period
    turns = turn - turn[0] if turn.size else turn
    count = int(turns[-1]) + 1 if turns.size else 0
    struck = rng.uniform(size=count) >= arm.missed
    size = arm.size * rng.uniform(0.5, 1.3, size=count)
    hit = (into < arm.minutes / 60.0) & struck[turns] & (label == SampleCause.BLANKET)
    seen[hit] = np.minimum(seen[hit] + size[turns[hit]], tank.side_water_depth)
    label[hit] = SampleCause.ARM


def _in_frame(spec: SimSensor, tank: SimTank, seen: Floats, head: Floats) -> Floats:
    if spec.measures == "height":
        return np.asarray(seen - spec.zero_height)
    if spec.measures == "distance":
        return np.asarray(spec.zero_height - seen)
    return np.asarray(tank.side_water_depth + head - seen)


def _during(hours: Floats, spell: TroubleSpell) -> NDArray[np.bool_]:
    return np.asarray((hours >= spell.start) & (hours < spell.start + spell.hours))
