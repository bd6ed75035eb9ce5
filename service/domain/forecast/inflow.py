"""Where the flow to a tank is heading: its usual day, and how today differs from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.domain.forecast.online_fit import OnlineFit

Floats = NDArray[np.float64]

#: Bins of the usual day.
_BINS = 24
#: How fast the usual day follows: share of a new value taken in per quarter hour spent in a bin. [–]
_FOLLOW = 0.05
#: How far apart two flows are compared to learn how long departures last. [h]
LESSON = 3.0
#: How long a departure from the usual day lasts, before this plant's own is learned. [h]
_USUAL_PERSISTENCE = 8.0
#: Departures smaller than this teach nothing about how long departures last. [–]
_WORTH_LEARNING = 0.15


@dataclass(slots=True)
class FlowHabit:
    """The usual day of a flow and the persistence of departures from it. Flow in whatever unit it is fed."""

    bins: list[float] = field(default_factory=lambda: [0.0] * _BINS)
    seen: list[float] = field(default_factory=lambda: [0.0] * _BINS)
    #: Share of a departure still there after :data:`LESSON` hours.
    persistence: OnlineFit = field(
        default_factory=lambda: OnlineFit.from_prior([math.exp(-LESSON / _USUAL_PERSISTENCE)], [0.12], 4000.0)
    )

    @property
    def quarters(self) -> float:
        """How much has been seen, in quarter hours, old ones forgotten."""
        return sum(self.seen)

    @property
    def mean(self) -> float | None:
        """The mean of the usual day; None before a day's worth has been seen."""
        if self.quarters < 96.0:
            return None
        return sum(flow * seen for flow, seen in zip(self.bins, self.seen, strict=True)) / self.quarters

    def usual(self, seconds: float) -> float | None:
        """The usual flow at that time of day, straight between hours; None before anything is known."""
        flows = self.usual_at(np.array([seconds]))
        return None if flows is None else float(flows[0])

    def usual_at(self, seconds: Floats) -> Floats | None:
        """The same for several times at once."""
        whole = self.quarters
        if whole == 0.0:
            return None
        bins, seen = np.asarray(self.bins), np.asarray(self.seen)
        trust = np.minimum(seen / 8.0, 1.0)  # a bin little seen leans on the mean of the day
        day = trust * bins + (1.0 - trust) * float(bins @ seen) / whole
        place = (seconds / 3600.0 - 0.5) % _BINS
        low = np.floor(place).astype(np.intp)
        share = place - low
        return np.asarray((1.0 - share) * day[low % _BINS] + share * day[(low + 1) % _BINS])

    def learn(self, seconds: float, flow: float, earlier: float | None) -> None:
        """Take in one quarter hour's flow, and the flow :data:`LESSON` hours before it."""
        usual = self.usual_at(np.array([seconds, seconds - 3600.0 * LESSON]))
        now = before = 0.0
        if usual is not None:
            now, before = float(usual[0]), float(usual[1])
        if earlier is not None and now > 0.0 and before > 0.0 and self.quarters > 96.0:
            departure, then = flow / now - 1.0, earlier / before - 1.0
            if abs(then) > _WORTH_LEARNING:
                self.persistence.learn(np.array([then]), departure, 0.5)
        index = int((seconds / 3600.0) % 24.0)
        # A surge must not become the usual day: it counts as no more than a moderate departure.
        if now > 0.0 and self.seen[index] >= 4.0:
            flow = min(max(flow, 0.6 * now), 1.5 * now)
        follow = max(_FOLLOW, 1.0 / (self.seen[index] + 1.0))
        self.bins[index] += follow * (flow - self.bins[index])
        self.seen[index] = min(self.seen[index] + 1.0, 100.0)

    def ahead(self, seconds: float, flow: float, trend: float, hours: Floats) -> Floats:
        """The flow expected at some times from now.

        Parameters
        ----------
        seconds : now, since 1970 in UTC. [s]
        flow : now.
        trend : its change per hour lately; carried on for half an hour and no further.
        hours : how far ahead, for each answer. [h]
        """
        usual = self.usual_at(seconds + 3600.0 * np.concatenate(([0.0], hours)))
        if usual is None or usual[0] <= 0.0:
            return np.full(hours.size, flow)
        departure = (flow + trend * np.minimum(hours, 0.5)) / usual[0] - 1.0
        keep = min(max(float(self.persistence.mean[0]), 0.2), 0.98) ** (1.0 / LESSON)
        return np.asarray(np.maximum(usual[1:] * (1.0 + departure * keep**hours), 0.0))
