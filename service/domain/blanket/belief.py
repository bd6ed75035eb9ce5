"""The tank's believed blanket: averaged over the sensors that speak, coasting when none does, moved by a lone core."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from service.domain.blanket.level import RATE_MEMORY, damped_step

#: Correlation assumed between the errors of two sensors corrected by the same cores [–].
SHARED_CORRELATION = 0.5
#: Core noise assumed where a core speaks alone [m].
CORE_SD = 0.1
#: Least variance of the rate of rise a tank is believed to have [m²/h²].
LEAST_USUAL_RATE_VAR = 0.05**2
DAY = 86_400.0


class Voice(NamedTuple):
    """What sensors say at a time: height [m] and its variance [m²], rate [m/h] and its variance [m²/h²].

    ``spread`` is what disagreement between sensors adds to the variance. [m²]
    """

    height: float
    var: float
    rate: float
    rate_var: float
    spread: float


def averaged(voices: Sequence[Voice]) -> Voice:
    """Several sensors' voices as one, by inverse variance; their disagreement is kept in the spread.

    >>> round(averaged([Voice(1.0, 0.01, 0.0, 0.1, 0.0), Voice(1.2, 0.01, 0.0, 0.1, 0.0)]).height, 9)
    1.1
    """
    weights = [1.0 / voice.var for voice in voices]
    total = sum(weights)
    shares = [(weight / total, voice) for weight, voice in zip(weights, voices, strict=True)]
    height = sum(w * voice.height for w, voice in shares)
    together = sum(w * math.sqrt(voice.var) for w, voice in shares) ** 2
    alone = sum(w * w * voice.var for w, voice in shares)
    return Voice(
        height,
        (1.0 - SHARED_CORRELATION) * alone + SHARED_CORRELATION * together,
        sum(w * voice.rate for w, voice in shares),
        min(voice.rate_var for voice in voices),
        sum(w * (voice.height - height) ** 2 for w, voice in shares),
    )


@dataclass(slots=True)
class Belief:
    """The tank's believed blanket when last known. Height [m], rate [m/h], variances [m², m²/h²]; times in s since 1970."""

    time: float = math.nan
    height: float = 0.0
    rate: float = 0.0
    var: float = 0.0
    rate_var: float = 0.0
    #: Variance of the rate of rise learned in this tank [m²/h²].
    usual_rate_var: float = 0.04
    #: Last time a usable sample or a core spoke.
    last_word: float = math.nan
    last_core: float = math.nan

    def take(self, time: float, voice: Voice) -> None:
        """The sensors' word replaces what was believed; the tank's usual rates are learned on the way."""
        height, var, rate, rate_var, spread = voice
        gap = time - self.time
        if gap > 0.0:
            usual = self.usual_rate_var + gap / (gap + DAY) * (rate * rate - self.usual_rate_var)
            self.usual_rate_var = usual if usual > LEAST_USUAL_RATE_VAR else LEAST_USUAL_RATE_VAR
        self.time, self.height, self.var, self.rate, self.rate_var = time, height, var + spread, rate, rate_var

    def coasted(self, time: float, depth: float) -> tuple[float, float, float, float]:
        """Height, variance, rate and its variance at a later time nothing was heard at.

        Parameters
        ----------
        depth : side water depth; the deviation never grows beyond a third of it. [m]
        """
        gap = time - self.time
        if gap <= 0.0:
            return self.height, self.var, self.rate, self.rate_var
        s = damped_step(gap / 3600.0, RATE_MEMORY)
        var = self.var + s.reach**2 * self.rate_var + s.q00 * self.usual_rate_var
        return (
            self.height + s.reach * self.rate,
            min(var, max((depth / 3.0) ** 2, self.var)),
            s.fade * self.rate,
            s.fade**2 * self.rate_var + s.q11 * self.usual_rate_var,
        )

    def take_core(self, time: float, height: float, depth: float) -> None:
        """A core speaks alone, without a sensor to correct."""
        noise = CORE_SD**2
        if self.time != self.time:
            self.height, self.var, self.rate, self.rate_var = height, noise, 0.0, self.usual_rate_var
        else:
            before, var, self.rate, self.rate_var = self.coasted(time, depth)
            gap = height - before
            if gap * gap > 9.0 * (var + noise):
                # Neither can be right within its deviation: keep both in view.
                var += gap * gap
            gain = var / (var + noise)
            self.height, self.var = before + gain * gap, (1.0 - gain) * var
        self.time = self.last_word = self.last_core = time
