"""Where the flow to a tank is heading: its usual day, and how today differs from it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from service.domain.online_fit import OnlineFit

#: Bins of the usual day.
_BINS = 24
#: How fast the usual day follows: share of a new value taken in per quarter hour spent in a bin. [–]
_FOLLOW = 0.05
#: A flow this far above its usual is a surge. [–]
SURGE = 1.35
#: A return flow under this share of its usual is low, under the second it is lost. [–]
RETURN_LOW, RETURN_LOST = 0.7, 0.25
#: How long a departure from the usual day lasts, before this plant's own is learned. [h]
_USUAL_PERSISTENCE = 8.0


@dataclass(slots=True)
class FlowHabit:
    """The usual day of a flow and the persistence of departures from it. Flow in whatever unit it is fed."""

    bins: list[float] = field(default_factory=lambda: [0.0] * _BINS)
    seen: list[float] = field(default_factory=lambda: [0.0] * _BINS)
    persistence: OnlineFit = field(
        default_factory=lambda: OnlineFit.from_prior([math.exp(-1.0 / _USUAL_PERSISTENCE)], [0.06], 4000.0)
    )

    def usual(self, seconds: float) -> float | None:
        """The usual flow at that time of day, straight between hours; None before anything is known."""
        place = (seconds / 3600.0) % 24.0 - 0.5
        low = math.floor(place)
        share = place - low
        a, b = low % _BINS, (low + 1) % _BINS
        whole = sum(self.seen)
        if whole == 0.0:
            return None
        mean = sum(v * n for v, n in zip(self.bins, self.seen, strict=True)) / whole
        return (1.0 - share) * self._bin(a, mean) + share * self._bin(b, mean)

    def _bin(self, index: int, mean: float) -> float:
        """A bin little seen leans on the mean of the day."""
        trust = min(self.seen[index] / 8.0, 1.0)
        return trust * self.bins[index] + (1.0 - trust) * mean

    def learn(self, seconds: float, flow: float, hour_ago: float | None) -> None:
        """Take in one quarter hour's flow, and the flow an hour before it."""
        now, before = self.usual(seconds), self.usual(seconds - 3600.0)
        if now is not None and before is not None and hour_ago is not None and now > 0.0 and before > 0.0:
            departure, earlier = flow / now - 1.0, hour_ago / before - 1.0
            if abs(earlier) > 0.15 and sum(self.seen) > 96.0:
                self.persistence.learn(np.array([earlier]), departure, 0.04)
        index = int((seconds / 3600.0) % 24.0)
        # A surge must not become the usual day: it counts as no more than a moderate departure.
        if now is not None and now > 0.0 and self.seen[index] >= 4.0:
            flow = min(max(flow, 0.6 * now), 1.5 * now)
        follow = max(_FOLLOW, 1.0 / (self.seen[index] + 1.0))
        self.bins[index] += follow * (flow - self.bins[index])
        self.seen[index] = min(self.seen[index] + 1.0, 100.0)

    def ahead(self, seconds: float, flow: float, trend: float, hours: float) -> float:
        """The flow expected some time from now.

        Parameters
        ----------
        seconds : now, since 1970 in UTC. [s]
        flow : now.
        trend : its change per hour lately; carried on for half an hour and no further.
        hours : how far ahead. [h]
        """
        now, then = self.usual(seconds), self.usual(seconds + 3600.0 * hours)
        if now is None or then is None or now <= 0.0:
            return flow
        departure = (flow + trend * min(hours, 0.5)) / now - 1.0
        keep = min(max(float(self.persistence.mean[0]), 0.5), 0.99) ** hours
        return max(then * (1.0 + departure * keep), 0.0)
