"""What the forecaster remembers of a tank, and its exact form in JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.domain.inflow import FlowHabit
from service.domain.online_fit import OnlineFit
from service.domain.outlook import HORIZONS
from service.errors import DomainError

Floats = NDArray[np.float64]

VERSION = 1
#: Moments kept: as many quarter hours as the farthest horizon, and one.
_KEPT = round(HORIZONS[-1] * 4) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """A past quarter hour whose future is still being waited for."""

    seconds: float
    height: float
    sd: float
    flow: float | None
    feed: float | None
    drawn: float | None
    total_in: float
    total_out: float
    total_basin: float
    features: tuple[Floats, ...]


@dataclass(slots=True)
class TypicalError:
    """How wrong a horizon tends to be: a part that is always there and a part that grows with the change foreseen.

    Mean absolute errors are fitted to ``a + b·|change|`` with old ones fading; a normal spread is 1.2533 times that.
    """

    #: Sums over past errors: weight, change, change², error, error·change.
    sums: list[float]

    @classmethod
    def from_prior(cls, always: float, growing: float) -> TypicalError:
        """A prior worth a day of quarter hours, spread over small and large changes."""
        total = [0.0] * 5
        for change, weight in ((0.0, 24.0), (0.1, 24.0), (0.5, 24.0), (1.0, 24.0)):
            error = always + growing * change
            weight /= error**2
            for i, term in enumerate((1.0, change, change**2, error, error * change)):
                total[i] += weight * term
        return cls(total)

    def typical(self, change: float) -> float:
        """Standard deviation for a foreseen change of that size. [m]"""
        w, x, xx, y, xy = self.sums
        slope = max((w * xy - x * y) / max(w * xx - x * x, 1e-12), 0.0)
        always = max((y - slope * x) / w, 0.003)
        return 1.2533 * (always + slope * change)

    def learn(self, change: float, error: float) -> None:
        """Take in one error; what is older fades over about a month."""
        weight = 1.0 / max(self.typical(change) / 1.2533, 0.003) ** 2
        for i, term in enumerate((1.0, change, change**2, error, error * change)):
            self.sums[i] = self.sums[i] * (1.0 - 1.0 / 3000.0) + weight * term


def _corrections() -> list[OnlineFit]:
    return [
        OnlineFit.from_prior(
            [0.9, 0.6, -0.1, 0.0, 0.0, 0.0], [0.25, 0.3, 0.2, 0.10, 0.10, 0.05], memory=8000.0 * max(horizon, 1.0)
        )
        for horizon in HORIZONS
    ]


def _errors() -> list[TypicalError]:
    return [TypicalError.from_prior(0.012 + 0.022 * horizon**0.7, 0.25) for horizon in HORIZONS]


@dataclass(slots=True)
class ForecastMemory:
    """Everything the forecaster knows of one tank. Times in [s] since 1970, flows as stored, heights in [m]."""

    time: float | None = None
    height: float = 0.0
    sd: float = 0.0
    rate: float = 0.0
    usual_height: float | None = None
    flow: float | None = None
    flow_before: float | None = None
    flow_trend: float = 0.0  #: per hour
    under: float | None = None
    feed: float | None = None
    drawn: float | None = None
    plant_flow: float | None = None
    plant_under: float | None = None
    usual_share: float = 0.0
    total_in: float = 0.0
    total_out: float = 0.0
    total_basin: float = 0.0
    flow_habit: FlowHabit = field(default_factory=FlowHabit)
    return_habit: FlowHabit = field(default_factory=FlowHabit)
    #: Rise per solids in and fall per solids out: the inverse of a blanket of 4 to 12 kg/m³.
    rise: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.16, 0.16], [0.04, 0.04], 4000.0))
    #: Surface over basin volume: a basin of some eight hours.
    dilution: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.18], [0.08], 20_000.0))
    thickening: OnlineFit = field(default_factory=lambda: OnlineFit.from_prior([0.10], [0.06], 8000.0))
    corrections: list[OnlineFit] = field(default_factory=_corrections)
    errors: list[TypicalError] = field(default_factory=_errors)
    moments: list[Moment] = field(default_factory=list)

    def moment_at(self, seconds: float) -> Moment | None:
        """The remembered moment nearest to that time, if it is within five minutes of it."""
        for moment in reversed(self.moments):
            if abs(moment.seconds - seconds) <= 300.0:
                return moment
            if moment.seconds < seconds - 300.0:
                return None
        return None

    def remember(self, moment: Moment) -> None:
        """Keep a moment, and let go of those whose future is complete."""
        self.moments.append(moment)
        del self.moments[:-_KEPT]
