"""What one sensor's own signal shows, whatever it sees: its noise, whether it is alive, and a level every few minutes."""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Any, NamedTuple

from service.domain.blanket.level import damped_step

#: Samples are gathered over this, or as many, and their median taken: one stray sample moves nothing. [s]
GATHERED_FOR, GATHERED = 110.0, 24
#: Samples further apart than this say nothing of the sensor's noise [s].
LONGEST_GAP = 1800.0
#: Successive values nearer than this share of the usual difference are the same [–].
SAME = 0.1
#: Chance that a stuck sensor shows the same value again [–].
STUCK_SAME = 0.97
#: Share of equal values believed of a sensor nobody knows, and samples that is worth.
FIRST_SAME, SAME_MEMORY = 0.1, 1500.0
#: Noise of a level beyond the sensor's own: a blanket is uneven, and stays so for a while [m].
UNEVEN_SD = 0.02
#: A level so many deviations squared from where it was in either regime begins anew.
_RESTART = 20.0
#: A sensor that sees now this and now that: chance that it jumps back [–], how long the other level is remembered [s], how well [m].
JUMPS_BACK, OTHER_HOLDS, OTHER_SD = 0.015, 2 * 3600.0, 0.06
#: A level far off waits for the next one to bear it out where levels come as often as this [h].
LONGEST_HOLD = 0.12
#: How long a rate persists [h]; its standard deviation calm and moving [m/h]; how often moving starts, how long it lasts [h].
RATE_MEMORY, CALM_SD, MOVING_SD, MOVES_EVERY, MOVES_FOR = 1.2, 0.07, 0.9, 30.0, 1.0
#: What a sensor may see beside the blanket comes and goes faster [m/h].
ECHO_SD = 1.8


class Shown(NamedTuple):
    """What some minutes of samples showed. [SI, SI², 1/SI, –, –, h]"""

    value: float
    noise_var: float
    coherent: float  #: density of the value going by the values before
    other: float  #: density going by the level seen before it last jumped
    alive: float  #: likelihood of its fluctuation, alive and stuck
    stuck: float
    hours: float


@dataclass(slots=True)
class Trace:
    """Memory of one sensor's signal. Times in seconds since 1970, values in the tank's frame."""

    last: float = math.nan
    time: float = math.nan
    diff_var: float = 0.02**2
    same: float = FIRST_SAME
    samples: int = 0
    gathered: list[float] = field(default_factory=list)
    begun: float = math.nan
    log_alive: float = 0.0
    log_stuck: float = 0.0
    #: The level going by itself, calm and moving: chance, level, rate and their (co)variances.
    regimes: list[list[float]] = field(default_factory=list)
    once: float = math.nan  #: a level far off that was seen once
    left: float = 0.0  #: the level before the last jump, and when it was left
    left_time: float = -math.inf
    shown: float = math.nan  #: time of the last level

    def take(self, time: float, value: float, stuck: float, uniform: float) -> Shown | None:
        """Take a sample; gives back what it and those before show, every few minutes.

        Parameters
        ----------
        stuck : chance that the sensor is stuck, or in another unit: what it shows then says nothing of its noise. [–]
        uniform : density of a value anywhere. [1/m]
        """
        gap = time - self.time
        if 0.0 < gap <= LONGEST_GAP:
            self._fluctuation(abs(value - self.last), stuck)
        if self.gathered and not time - self.begun <= 600.0:
            self.gathered.clear()
            self.log_alive = self.log_stuck = 0.0
        self.last, self.time = value, time
        if not self.gathered:
            self.begun = time
        self.gathered.append(value)
        if time - self.begun < GATHERED_FOR and len(self.gathered) < GATHERED and not gap > GATHERED_FOR:
            return None
        return self._show(time, uniform)

    def _fluctuation(self, step: float, stuck: float) -> None:
        usual = math.sqrt(self.diff_var)
        equal = step <= SAME * usual
        self.log_alive += math.log(self.same if equal else 1.0 - self.same)
        self.log_stuck += math.log(STUCK_SAME if equal else 1.0 - STUCK_SAME)
        self.samples += 1
        # What a stuck sensor, or one in another unit, shows is no measure of its noise; but one wrongly called stuck must get out.
        learn = max((1.0 - stuck) ** 2, 0.3 if 0.0 < step < usual else 0.0)
        n = min(self.samples + 20, SAME_MEMORY)
        self.same += learn * ((1.0 if equal else 0.0) - self.same) / n
        self.same = min(max(self.same, 0.01), 0.9)
        n = min(self.samples + 10, 300)
        self.diff_var += learn * (min(step * step, 9.0 * self.diff_var) - self.diff_var) / n
        if self.diff_var < 1e-6:
            self.diff_var = 1e-6

    def _show(self, time: float, uniform: float) -> Shown | None:
        count = len(self.gathered)
        value = median(self.gathered)
        noise = 1.57 * 0.5 * self.diff_var / count + UNEVEN_SD**2
        hours = (time - self.shown) / 3600.0 if self.shown == self.shown else 0.05
        density = self._density(value, noise, uniform, min(hours, 240.0), time)
        self.shown = time
        if density is None:
            self.gathered.clear()
            return None
        coherent, other = density
        most = max(self.log_alive, self.log_stuck)
        shown = Shown(
            value,
            noise,
            coherent,
            other,
            math.exp(self.log_alive - most),
            math.exp(max(self.log_stuck - most, -60.0)),
            hours,
        )
        self.gathered.clear()
        self.log_alive = self.log_stuck = 0.0
        return shown

    def _density(
        self, value: float, noise: float, uniform: float, hours: float, time: float
    ) -> tuple[float, float] | None:
        """Density of a value for a sensor that goes by itself, on this level or back on the one before; it is taken. [1/m]

        None for a level far off that was seen once: the next one tells whether it was a stray one.
        """
        if not self.regimes:
            self.regimes = _fresh(value, noise)
            return uniform, 0.0
        on, far = self._go_on(value, noise, hours)
        other = _near(value, self.left, noise) if time - self.left_time <= OTHER_HOLDS else 0.0
        if not far:
            self.once = math.nan
        elif hours <= LONGEST_HOLD and not (value - self.once) ** 2 <= _RESTART * (2.0 * noise + OTHER_SD**2):
            self.once = value
            return None
        else:
            self.left, self.left_time = max(self.regimes)[1], time
            self.regimes, self.once = _fresh(value, noise), math.nan
        return (1.0 - JUMPS_BACK) * on + JUMPS_BACK * other, other

    def _go_on(self, value: float, noise: float, hours: float) -> tuple[float, bool]:
        """Carry the level on by itself and take a value; gives back its density, and whether it lies far off. Two regimes, mixed as in the bank. [1/m]"""
        start, stop = -math.expm1(-hours / MOVES_EVERY), -math.expm1(-hours / MOVES_FOR)
        if start + stop > 0.99:
            start, stop = 0.99 * start / (start + stop), 0.99 * stop / (start + stop)
        (m0, l0, r0, a0, b0, c0), (m1, l1, r1, a1, b1, c1) = self.regimes
        to_calm, to_moving = stop * m1, start * m0
        new0, new1 = m0 - to_moving + to_calm, m1 - to_calm + to_moving
        u, v = to_calm / new0, to_moving / new1
        dl, dr = l0 - l1, r0 - r1
        uu, vv = u * (1.0 - u), v * (1.0 - v)
        mixed = (
            (new0, l0 - u * dl, r0 - u * dr, a0 + u * (a1 - a0) + uu * dl * dl, b0 + u * (b1 - b0) + uu * dl * dr,
             c0 + u * (c1 - c0) + uu * dr * dr, CALM_SD**2),
            (new1, l1 + v * dl, r1 + v * dr, a1 + v * (a0 - a1) + vv * dl * dl, b1 + v * (b0 - b1) + vv * dl * dr,
             c1 + v * (c0 - c1) + vv * dr * dr, ECHO_SD**2),
        )  # fmt: skip
        step = damped_step(hours, RATE_MEMORY)
        d, e = step.reach, step.fade
        made: list[list[float]] = []
        kept: list[list[float]] = []
        density = 0.0
        far = True
        for m, level, rate, p00, p01, p11, q in mixed:
            level += d * rate
            p00, p01, p11 = (
                p00 + d * (2.0 * p01 + d * p11) + step.q00 * q,
                e * (p01 + d * p11) + step.q01 * q,
                e * e * p11 + step.q11 * q,
            )
            s = p00 + noise
            nu = value - level
            fits = m * math.exp(-0.5 * nu * nu / s) / math.sqrt(6.283185307179586 * s)
            density += fits
            far = far and nu * nu > _RESTART * s
            k0, k1 = p00 / s, p01 / s
            made.append([fits, level + k0 * nu, e * rate + k1 * nu, p00 - k0 * p00, p01 - k0 * p01, p11 - k1 * p01])
            kept.append([m, level, e * rate, p00, p01, p11])
        for one in made:
            one[0] = min(max(one[0] / max(density, 1e-200), 1e-6), 1.0)
        self.regimes = kept if far else made
        return density, far

    def to_json(self) -> dict[str, Any]:
        """JSON values; not-a-number as None."""
        return {k: None if v != v or v == -math.inf else v for k, v in dataclasses.asdict(self).items()}


def trace_from_json(stored: Mapping[str, Any]) -> Trace:
    """A trace from :meth:`Trace.to_json`."""
    unset = {"left_time": -math.inf}
    values: dict[str, Any] = {
        key: unset.get(key, math.nan) if value is None else copy.deepcopy(value) for key, value in stored.items()
    }
    return Trace(**values)


def _near(value: float, level: float, noise: float) -> float:
    s = 2.0 * noise + OTHER_SD**2
    return math.exp(-0.5 * (value - level) ** 2 / s) / math.sqrt(6.283185307179586 * s)


def _fresh(value: float, noise: float) -> list[list[float]]:
    return [[0.9, value, 0.0, noise, 0.0, CALM_SD**2], [0.1, value, 0.0, noise, 0.0, ECHO_SD**2]]
