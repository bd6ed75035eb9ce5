"""Plants that no model of ours assumes: what judges a belief. Shares no code with ``service.domain`` or ``service.simulator``.

Everything is invented, minute by minute: a blanket with two surfaces (the compact top and, in a dilute front, a dispersed top
above it), storms that reach flows and sister tanks as well, sensors of two kinds with the faults that sensors have, and people who core once a
day, lean to one side, walk to the wrong tank and sleep at night. Heights in [m] above the floor, rates in [m/h].

Rates, durations and how often things happen are judgement from the trade's stories: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

KINDS = ("quiet", "slow faults", "steps", "echoes", "stuck", "units", "fast storms")
FEET = 0.3048


@dataclass
class RoughSensor:
    """One sensor's minutes: what it sent (NaN: nothing), and the truth about it."""

    optical: bool  #: sees a dispersed top always; an ultrasonic one only now and then
    sent: Floats
    noise: float
    sees_top: Flags  #: minutes at which what it sent was the counted top plus its offset
    offset: Floats  #: true offset [m]
    cleaned: list[int] = field(default_factory=list)  #: minutes of cleanings somebody logged


@dataclass(frozen=True)
class HandCore:
    """One core as logged: minute, height of the compact top, height of the dispersed top where it was looked for."""

    minute: int
    height: float
    top: float | None
    person: str
    over_weir: bool
    blunder: bool


@dataclass
class RoughPlant:
    """One tank of which everything is known."""

    kind: str
    seed: int
    depth: float
    danger: float  #: height of the high-high limit [m]
    compact: Floats
    top: Floats  #: what counts for danger
    sensors: list[RoughSensor]
    cores: list[HandCore]
    flow: Floats  #: [m³/s]
    return_flow: Floats  #: [m³/s]
    feed: Floats  #: [kg/m³]
    sister: Floats  #: what a sister tank's sensor sends [m]
    effluent: Floats  #: effluent solids [mg/L]
    fast: Flags  #: minutes in which the blanket goes faster than 0.4 m/h

    @property
    def minutes(self) -> int:
        """How long it is."""
        return self.top.size


def rough_plant(kind: str, seed: int, days: int = 30) -> RoughPlant:
    """One plant; the same kind and seed give the same plant."""
    rng = np.random.default_rng([seed, KINDS.index(kind), 20_261])
    n = days * 1440
    depth = float(rng.uniform(3.5, 4.8))
    hours = np.arange(n) / 60.0
    day = 2.0 * np.pi * (hours - rng.uniform(8, 13)) / 24.0
    flow = 1.0 + rng.uniform(0.15, 0.35) * np.sin(day) + 0.1 * np.sin(2 * day + 1.0) + _wander(rng, n, 30.0, 0.05)
    base = rng.uniform(0.5, 1.1)
    swing = rng.uniform(0.08, 0.25)
    calm = (
        base + swing * np.sin(day - rng.uniform(0.3, 1.2)) + _wander(rng, n, 20.0, 0.10) + _wander(rng, n, 0.6, 0.012)
    )
    sister = calm + rng.uniform(-0.3, 0.6) + _wander(rng, n, 10.0, 0.06)
    danger = depth - rng.uniform(0.8, 1.2)

    storms = _storm_minutes(rng, kind, n)
    rise, rise_sister, front = np.zeros(n), np.zeros(n), np.zeros(n)
    for start in storms:
        _storm(rng, kind, start, flow, rise, rise_sister, front, danger - float(calm[min(start + 90, n - 1)]))
    compact = np.clip(calm + rise, 0.05, depth - 0.02)
    top = np.clip(np.maximum(compact, compact + front), 0.05, depth + 0.03)
    sister_sent = np.clip(sister + rise_sister, 0.05, depth) + rng.normal(0.0, 0.02, n)

    count = 2 if rng.random() < 0.5 else 1
    optical_first = bool(rng.random() < 0.5)
    sensors = [_sensor(rng, optical_first if i == 0 else not optical_first, compact, top, depth) for i in range(count)]
    _faults(rng, kind, sensors, storms, compact, top, depth)
    for sensor in sensors:
        _gaps(rng, sensor)
    rate = np.abs(np.gradient(top, 1 / 60.0))
    effluent = np.exp(np.log(8.0) + _wander(rng, n, 3.0, 0.25)) * np.exp(np.clip((top - depth + 0.6) / 0.17, 0.0, 4.5))
    return RoughPlant(
        kind=kind,
        seed=seed,
        depth=depth,
        danger=danger,
        compact=compact,
        top=top,
        sensors=sensors,
        cores=_cores(rng, n, compact, top, sister, depth),
        flow=np.maximum(0.05, flow) * 0.09,
        return_flow=np.full(n, 0.055) * (1 + _wander(rng, n, 12.0, 0.05)),
        feed=3.0 + _wander(rng, n, 40.0, 0.3),
        sister=sister_sent,
        effluent=effluent,
        fast=rate > 0.4,
    )


def _wander(rng: np.random.Generator, n: int, memory: float, sd: float) -> Floats:
    """Smooth heavy-tailed wandering: a moving mean of Student noise, twice. ``memory`` in [h]."""
    width = max(3, int(memory * 60))
    raw = rng.standard_t(4, n + 2 * width)
    for _ in range(2):
        total = np.concatenate([[0.0], np.cumsum(raw)])
        raw = (total[width:] - total[:-width]) / width
    raw = raw[:n]
    return np.asarray((raw - raw.mean()) / (raw.std() + 1e-12) * sd)


def _storm_minutes(rng: np.random.Generator, kind: str, n: int) -> list[int]:
    a_month = {"quiet": 1.0, "fast storms": 7.0}.get(kind, 3.0)
    count = (
        int(rng.poisson(a_month * n / 43_200)) if kind == "quiet" else max(2, int(rng.poisson(a_month * n / 43_200)))
    )
    starts: list[int] = []
    for _ in range(200):
        if len(starts) == count:
            break
        at = int(rng.integers(3 * 1440, n - 900))
        if all(abs(at - other) > 1500 for other in starts):
            starts.append(at)
    return sorted(starts)


def _storm(
    rng: np.random.Generator,
    kind: str,
    start: int,
    flow: Floats,
    rise: Floats,
    rise_sister: Floats,
    front: Floats,
    room: float,
) -> None:
    """One storm: flow first, then blanket or dilute front, then back. Most come near the danger height, some pass it."""
    n = flow.size
    fast = kind == "fast storms"
    speed = rng.uniform(0.6, 1.5) if fast else rng.uniform(0.25, 0.9)
    height = room * (rng.uniform(0.75, 1.25) if fast else rng.uniform(0.5, 1.12))
    if kind == "quiet":
        speed, height = rng.uniform(0.15, 0.4), room * rng.uniform(0.3, 0.6)
    up = int(60 * height / speed)
    stay = int(rng.uniform(20, 240))
    down = int(60 * height / rng.uniform(0.35, 2.0))
    shape = np.concatenate(
        [np.linspace(0, height, max(2, up)), np.full(stay, height), np.linspace(height, 0, max(2, down))]
    )
    shape = shape + np.where(shape > 0, 0.05 * height * np.sin(np.arange(shape.size) / rng.uniform(15, 40)), 0.0) * (
        np.minimum(1.0, shape / max(height, 1e-6))
    )
    end = min(n, start + shape.size)
    dilute = rng.random() < (0.3 if kind in ("fast storms", "echoes") else 0.12)
    (front if dilute else rise)[start:end] += shape[: end - start]
    lag = int(rng.uniform(-15, 30))
    share = rng.uniform(0.5, 1.0) if rng.random() < 0.85 else 0.0
    s, e = max(0, start + lag), min(n, start + lag + shape.size)
    rise_sister[s:e] += share * shape[: e - s]
    if rng.random() < 0.85:
        lead = int(rng.uniform(0, 45))
        f, g = max(0, start - lead), min(n, start + up + stay)
        flow[f:g] += rng.uniform(0.5, 1.4) * np.minimum(1.0, np.arange(g - f) / 20.0)


def _sensor(rng: np.random.Generator, optical: bool, compact: Floats, top: Floats, depth: float) -> RoughSensor:
    n = top.size
    noise = float(rng.uniform(0.006, 0.03))
    sees_top = np.ones(n, dtype=bool)
    if not optical:
        # Each front anew: does the echo come from it?
        apart = top > compact + 0.05
        edges = np.flatnonzero(np.diff(np.concatenate([[0], apart.view(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if rng.random() < 0.5:
                sees_top[a:b] = False
    seen = np.where(sees_top, top, compact)
    offset = np.full(n, rng.normal(0.0, 0.12)) + _wander(rng, n, 200.0, 0.02)
    uneven = _wander(rng, n, 0.4, rng.uniform(0.004, 0.015))
    sent = seen + offset + uneven + rng.normal(0.0, noise, n)
    if rng.random() < 0.6:
        _arm_strikes(rng, sent, sees_top, depth)
    stray = rng.random(n) < rng.uniform(0.0005, 0.004)
    sent[stray] = rng.uniform(0.0, depth, int(stray.sum()))
    sees_top &= ~stray
    step = float(rng.choice([0.001, 0.001, 0.005, 0.01]))
    return RoughSensor(optical, np.round(sent / step) * step, noise, sees_top, offset)


def _arm_strikes(rng: np.random.Generator, sent: Floats, sees_top: Flags, depth: float) -> None:
    """The arm comes round at a period that wanders, and is hit only now and then, for one to seven minutes."""
    period, at = rng.uniform(22, 55), rng.uniform(0, 50)
    hit = rng.uniform(0.3, 0.9)
    while at < sent.size - 10:
        if rng.random() < hit:
            a, b = int(at), int(at + 1 + rng.exponential(1.2))
            b = min(b, a + 7)
            sent[a:b] = rng.uniform(0.3, depth - 0.1) + rng.normal(0, 0.08, b - a)
            sees_top[a:b] = False
        period = float(np.clip(period + rng.normal(0, 0.4), 20, 60))
        at += period


def _faults(
    rng: np.random.Generator,
    kind: str,
    sensors: list[RoughSensor],
    storms: list[int],
    compact: Floats,
    top: Floats,
    depth: float,
) -> None:
    n = top.size
    hit = sensors if rng.random() < 0.4 else [sensors[0]]
    for sensor in hit:
        if kind == "slow faults":
            _fouling(rng, sensor, n)
            if rng.random() < 0.5:
                _shift(sensor, int(rng.integers(1440 * 4, n)), float(rng.choice([-1, 1]) * rng.uniform(0.1, 0.25)))
        elif kind == "steps":
            times = [max(1440, start - 120) for start in storms[:2]]
            times += [int(rng.integers(1440 * 3, n - 1440)) for _ in range(2)]
            for at in times:
                _shift(sensor, at, float(rng.choice([-1, 1]) * rng.uniform(0.3, 2.2)), floor=True)
        elif kind == "echoes":
            for _ in range(int(n / 43_200 * np.exp(rng.uniform(np.log(8), np.log(80))))):
                _clump(rng, sensor, top, depth)
        elif kind == "stuck":
            for _ in range(int(rng.integers(2, 4))):
                a = int(rng.integers(1440 * 2, n - 1440))
                b = min(n, a + int(rng.uniform(0.3, 3.0) * 1440))
                jitter = 0.0 if rng.random() < 0.6 else 0.0004
                sensor.sent[a:b] = sensor.sent[a] + rng.normal(0.0, 1.0, b - a) * jitter
                sensor.sees_top[a:b] = False
        elif kind == "units":
            for _ in range(int(rng.integers(2, 4))):
                a = int(rng.integers(1440 * 2, n - 1440))
                b = min(n, a + int(rng.uniform(0.3, 1.5) * 1440))
                factor = float(rng.choice([1 / FEET, 1 / FEET, FEET, 100.0, 1 / 0.0254]))
                sensor.sent[a:b] *= factor
                sensor.sees_top[a:b] = False


def _fouling(rng: np.random.Generator, sensor: RoughSensor, n: int) -> None:
    at = int(rng.integers(1440, 6 * 1440))
    while at < n - 1440:
        lasts = int(rng.uniform(1.0, 6.0) * 1440)
        pace = float(rng.choice([-1, 1], p=[0.3, 0.7])) * float(np.exp(rng.uniform(np.log(0.1), np.log(0.9))))
        end = min(n, at + lasts, at + int(1440 * 1.2 / abs(pace)))
        ramp = pace * np.arange(end - at) / 1440.0
        sensor.offset[at:end] += ramp
        sensor.sent[at:end] += ramp
        if rng.random() < 0.7:
            sensor.cleaned.append(end)  # cleaned: back to where it was
        else:
            keep = float(ramp[-1]) * 0.7  # cleaned by nobody's word, and not all of it
            sensor.offset[end:] += keep
            sensor.sent[end:] += keep
        at = end + int(rng.uniform(2.0, 9.0) * 1440)


def _shift(sensor: RoughSensor, at: int, by: float, *, floor: bool = False) -> None:
    if floor and float(np.median(sensor.sent[max(0, at - 60) : at])) + by < 0.0:
        by = -by
    sensor.offset[at:] += by
    sensor.sent[at:] += by


def _clump(rng: np.random.Generator, sensor: RoughSensor, top: Floats, depth: float) -> None:
    """Fluff or scum hangs under the sensor for one to four hours; now and then it is seen through."""
    n = top.size
    a = int(rng.integers(1440, n - 300))
    length = min(n - a, int(rng.uniform(60, 240)))
    above = float(rng.uniform(0.5, 1.6))
    thick = float(rng.choice([1.0, rng.uniform(0.6, 1.0)]))
    comes = int(rng.choice([1, rng.uniform(3, 20)]))  # at once, or settling down under the sensor
    state, held = True, 0
    for i in range(a, a + length):
        if held == 0:
            state = bool(rng.random() < thick)
            held = 1 + int(rng.exponential(8.0 if state else 2.5))
        held -= 1
        if state:
            lifted = above * min(1.0, (i - a + 1) / comes)
            sensor.sent[i] = min(top[i] + sensor.offset[i] + lifted + rng.normal(0, 0.05), depth + sensor.offset[i])
            sensor.sees_top[i] = False


def _gaps(rng: np.random.Generator, sensor: RoughSensor) -> None:
    for _ in range(int(rng.poisson(4))):
        a = int(rng.integers(0, sensor.sent.size))
        sensor.sent[a : a + int(np.exp(rng.uniform(np.log(3), np.log(300))))] = np.nan
    sensor.sees_top &= np.isfinite(sensor.sent)


def _cores(
    rng: np.random.Generator, n: int, compact: Floats, top: Floats, sister: Floats, depth: float
) -> list[HandCore]:
    bias = dict(zip(("first", "second", "third"), rng.normal(0.0, 0.05, 3).tolist(), strict=True))
    noise = float(rng.uniform(0.03, 0.08))
    a_day = 3 if rng.random() < 0.3 else 1
    looks = float(rng.choice([0.6, 1.0]))
    cores = []
    for d in range(n // 1440):
        for k in range(a_day):
            minute = d * 1440 + int((7.5, 12.0, 19.0)[k] * 60 + rng.normal(0, 40))
            if not 0 <= minute < n or rng.random() < 0.07:
                continue
            person = str(rng.choice(list(bias)))
            error = bias[person] + float(rng.normal(0, noise))
            low = float(compact[minute]) + error
            high = float(top[minute]) + error
            odd = rng.random()
            blunder = False
            if odd < 0.02:
                low, blunder = float(sister[minute]) + error, True
            elif odd < 0.026:
                low, blunder = low / FEET, True
            elif odd < 0.032:
                low, blunder = float(rng.uniform(0.1, depth)), True
            apart = float(top[minute] - compact[minute]) > 0.3
            seen_top = high if apart and not blunder and rng.random() < looks else None
            over = bool(top[minute] > depth - 0.1)
            cores.append(HandCore(minute, max(0.0, min(low, 3.3 * depth)), seen_top, person, over, blunder))
    return cores
