"""The level one sensor sees, followed sample by sample: a local level whose rate dies away.

The rate is an Ornstein–Uhlenbeck process: it persists for an hour or two, as a blanket's does, and is forgotten after.

References
----------
Singer, R. A. (1970). Estimating optimal tracking filter performance for manned maneuvering targets. IEEE Transactions on
Aerospace and Electronic Systems AES-6(4), 473–483. doi:10.1109/TAES.1970.310128 (the same process, one derivative higher).
Gardner, E. S., McKenzie, E. (1985). Forecasting trends in time series. Management Science 31(10), 1237–1246.
doi:10.1287/mnsc.31.10.1237 (the damped trend).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

#: How long a rate of rise persists [h].
RATE_MEMORY = 1.5
#: How fast a blanket may rise and fall in general: standard deviation of its rate [m/h].
RATE_SD = 0.35
#: Samples the running noise estimate looks back on.
NOISE_SAMPLES = 200
#: How much more noise successive samples share than their differences show: instruments average over some minutes, so
#: their noise is not fresh with every sample. 8 is (1+ρ)/(1−ρ)² for a correlation ρ of 0.56. Common practice, no source [–].
SHARED_NOISE = 8.0
#: Noise assumed before samples tell; and never believed to be less than a centimetre display's rounding [m].
FIRST_NOISE_SD, LEAST_NOISE_SD = 0.03, 0.005


@dataclass(frozen=True, slots=True)
class LevelStep:
    """Transition of (level, rate) over a time and the variances it adds, for a unit rate variance."""

    fade: float
    reach: float
    q00: float
    q01: float
    q11: float


def damped_step(hours: float, memory: float = RATE_MEMORY) -> LevelStep:
    """Exact discretisation of level' = rate, rate an Ornstein–Uhlenbeck process of unit variance.

    Parameters
    ----------
    hours : time passed. [h]
    memory : time constant of the rate. [h]

    Returns
    -------
    ``fade`` of the rate [–], ``reach`` of the rate into the level [h], and the added (co)variances [h², h, –].

    >>> s = damped_step(1e-3)
    >>> round(s.reach, 6), round(s.fade, 4)
    (0.001, 0.9993)
    """
    x = hours / memory
    e = math.exp(-x)
    # For short steps the closed form of q00 cancels to nothing; its series is exact to double precision there.
    q00 = memory * memory * ((2 * x**3 / 3 - x**4 / 2 + 7 * x**5 / 30) if x < 1e-2 else (2 * x - 3 + 4 * e - e * e))
    return LevelStep(e, -memory * math.expm1(-x), q00, memory * math.expm1(-x) ** 2, -math.expm1(-2 * x))


@dataclass(slots=True)
class LevelTracker:
    """Level [m] and rate [m/h] one sensor sees, in the tank's frame before drift correction, with their variances."""

    time: float = 0.0  #: seconds since 1970
    level: float = 0.0
    rate: float = 0.0
    p00: float = 0.0
    p01: float = 0.0
    p11: float = RATE_SD**2
    noise_var: float = FIRST_NOISE_SD**2
    last_value: float = 0.0
    last_value_time: float = 0.0
    samples: int = 0

    def restart(self, time: float, value: float, variance: float | None = None) -> None:
        """Begin anew at *value*; what was learned of the noise stays."""
        self.time, self.level, self.rate = time, value, 0.0
        self.p00 = 4.0 * self.noise_var if variance is None else variance
        self.p01, self.p11 = 0.0, RATE_SD**2
        self.last_value, self.last_value_time = value, time
        self.samples = 1

    def ahead(self, time: float, rate_var: float = RATE_SD**2) -> tuple[float, float, float, float, float]:
        """Level, rate and their (co)variances at a later time: (level, rate, p00, p01, p11)."""
        seconds = time - self.time
        if seconds <= 0.0:
            return self.level, self.rate, self.p00, self.p01, self.p11
        s = _step(seconds)
        d, e = s.reach, s.fade
        p01, p11 = self.p01, self.p11
        return (
            self.level + d * self.rate,
            e * self.rate,
            self.p00 + d * (2.0 * p01 + d * p11) + s.q00 * rate_var,
            e * (p01 + d * p11) + s.q01 * rate_var,
            e * e * p11 + s.q11 * rate_var,
        )

    def take(self, time: float, value: float, ahead: tuple[float, float, float, float, float]) -> None:
        """Update with a sample; *ahead* is what :meth:`ahead` foretold for its time."""
        level, rate, p00, p01, p11 = ahead
        s = p00 + SHARED_NOISE * self.noise_var
        k0, k1 = p00 / s, p01 / s
        nu = value - level
        self.time = time
        self.level = level + k0 * nu
        self.rate = rate + k1 * nu
        self.p00 = (1.0 - k0) * p00
        self.p01 = (1.0 - k0) * p01
        self.p11 = p11 - k1 * p01
        self.learn_noise(time, value)
        self.samples += 1

    def learn_noise(self, time: float, value: float) -> None:
        """Half the mean square of successive differences (von Neumann 1941), running, each held to three deviations."""
        gap = time - self.last_value_time
        if 0.0 < gap <= 1800.0:
            square = (value - self.last_value - self.rate * gap / 3600.0) ** 2
            most = 18.0 * self.noise_var
            # A quick start (weight 1/n) while few samples are there, then a fixed memory.
            n = self.samples if self.samples < NOISE_SAMPLES else NOISE_SAMPLES
            noise = self.noise_var + (0.5 * (square if square < most else most) - self.noise_var) / (n + 20)
            least = LEAST_NOISE_SD * LEAST_NOISE_SD
            self.noise_var = noise if noise > least else least
        self.last_value, self.last_value_time = value, time


@lru_cache(maxsize=4096)
def _step(seconds: float) -> LevelStep:
    """Remembered :func:`damped_step`: most gaps in a plant's data are the same."""
    return damped_step(seconds / 3600.0)
