"""Simulates the inflow: daily pattern, noise and storms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Storm:
    """One wet-weather event: flow rises, holds, and recedes. Times in [h] from the start of the scenario."""

    start: float
    peak: float  #: flow added at the top, as a multiple of the mean flow [–]
    rise: float = 1.5
    hold: float = 2.0
    recession: float = 4.0  #: time constant of the falling limb

    def added(self, hours: Floats) -> Floats:
        """Flow added at those times, as a multiple of the mean flow. [–]"""
        since = hours - self.start
        rising = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / self.rise, 0.0, 1.0))
        falling = np.exp(-np.maximum(since - self.rise - self.hold, 0.0) / self.recession)
        return self.peak * rising * falling


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Dry-weather pattern and the storms on top of it."""

    mean_flow: float  #: [m³/h]
    morning_peak: float = 10.5  #: local hour of the larger daily peak
    daily: float = 0.28  #: amplitude of the daily swing [–]
    half_daily: float = 0.10  #: amplitude of the second peak [–]
    flutter: float = 0.03  #: standard deviation of slow random variation [–]
    storms: tuple[Storm, ...] = ()
    #: A measured or published inflow to use instead of the pattern: hours from the start, and multiples of the mean flow.
    given: tuple[tuple[float, ...], tuple[float, ...]] | None = None

    def inflow(self, hours: Floats, first_local_hour: float, rng: np.random.Generator) -> Floats:
        """Plant inflow minute by minute.

        Parameters
        ----------
        hours : time since the start of the scenario, one minute apart; negative during the run-up. [h]
        first_local_hour : hour of the local day at time zero. [h]

        Returns
        -------
        Inflow. [m³/h]
        """
        if self.given is not None:
            return self.mean_flow * np.maximum(np.interp(hours, *self.given), 0.02)
        turn = 2.0 * np.pi * (hours + first_local_hour - self.morning_peak) / 24.0
        pattern = 1.0 + self.daily * np.cos(turn) + self.half_daily * np.cos(2.0 * turn - 1.2)
        pattern *= 1.0 + wander(hours.size, self.flutter, 90.0, rng)
        for storm in self.storms:
            pattern += storm.added(hours)
        return self.mean_flow * np.maximum(pattern, 0.05)


def wander(steps: int, sd: float, memory: float, rng: np.random.Generator) -> Floats:
    """A stationary first-order autoregressive series.

    Parameters
    ----------
    steps : length of the series.
    sd : its standard deviation.
    memory : steps after which correlation has fallen to 1/e.
    """
    if steps == 0 or sd == 0.0:
        return np.zeros(steps)
    keep = float(np.exp(-1.0 / memory))
    shocks = rng.standard_normal(steps) * sd * np.sqrt(1.0 - keep**2)
    shocks[0] = rng.standard_normal() * sd
    return recursive(shocks, keep)


def recursive(shocks: Floats, keep: float) -> Floats:
    """``y[i] = keep · y[i-1] + shocks[i]``, worked in blocks so that long series stay quick and exact enough."""
    if keep <= 0.0:
        return shocks.copy()
    out = np.empty_like(shocks)
    # Powers within a block must not underflow: keep**block stays above 1e-8.
    block = max(1, min(512, int(-18.0 / np.log(keep)) if keep < 1.0 else 512))
    powers = keep ** np.arange(1, block + 1)
    last = 0.0
    for begin in range(0, shocks.size, block):
        part = shocks[begin : begin + block]
        scale = powers[: part.size]
        out[begin : begin + part.size] = scale * (last + np.cumsum(part / scale))
        last = float(out[begin + part.size - 1])
    return out
