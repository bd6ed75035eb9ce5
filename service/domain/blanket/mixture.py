"""What is believed of a height: a mixture of normal distributions, one a story."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

_ROOT2 = math.sqrt(2.0)
#: A story reaches this many deviations to either side of its mean [–].
_REACH = 2.2
#: A gap between two parts of an interval is named from this width on [m], and where either part has this chance [–].
_LEAST_GAP, _LEAST_PART = 0.15, 0.025


class Part(NamedTuple):
    """One normal part: chance [–], mean [m], standard deviation [m]."""

    chance: float
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Mixture:
    """A height as a mixture; chances sum to one.

    >>> two = Mixture((Part(0.5, 1.0, 0.1), Part(0.5, 3.0, 0.1)))
    >>> round(two.mean, 6), round(two.above(2.0), 6), two.intervals()[0][1] < 1.3 < 2.7 < two.intervals()[1][0]
    (2.0, 0.5, True)
    """

    parts: tuple[Part, ...]

    @property
    def mean(self) -> float:
        """Mean height. [m]"""
        return sum(p.chance * p.mean for p in self.parts)

    @property
    def sd(self) -> float:
        """Standard deviation over all stories. [m]"""
        mean = self.mean
        return math.sqrt(sum(p.chance * (p.sd * p.sd + (p.mean - mean) ** 2) for p in self.parts))

    def above(self, height: float) -> float:
        """Probability of standing above a height. [–]"""
        return sum(p.chance * 0.5 * math.erfc((height - p.mean) / (p.sd * _ROOT2)) for p in self.parts)

    def quantile(self, share: float) -> float:
        """Height stood under with that probability. [m]"""
        low = min(p.mean - 8.0 * p.sd for p in self.parts)
        high = max(p.mean + 8.0 * p.sd for p in self.parts)
        while high - low > 1e-4:
            middle = 0.5 * (low + high)
            if 1.0 - self.above(middle) < share:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """The middle so many per cent; lopsided where the mixture is. [m]"""
        tail = 0.5 * (1.0 - share)
        return self.quantile(tail), self.quantile(1.0 - tail)

    def intervals(self, share: float = 0.95) -> tuple[tuple[float, float], ...]:
        """The interval in as many parts as it has: two humps give two. [m]"""
        low, high = self.interval(share)
        edges = sorted((p.mean - _REACH * p.sd, p.mean + _REACH * p.sd, p.chance) for p in self.parts)
        groups: list[tuple[float, float, float]] = []
        for a, b, chance in edges:
            if groups and a - groups[-1][1] < _LEAST_GAP:
                groups[-1] = (groups[-1][0], max(groups[-1][1], b), groups[-1][2] + chance)
            else:
                groups.append((a, b, chance))
        seen = [group for group in groups if group[2] >= _LEAST_PART]
        if len(seen) < 2:
            return ((low, high),)
        inner = [
            (max(a, low) if i else low, min(b, high) if i < len(seen) - 1 else high) for i, (a, b, _) in enumerate(seen)
        ]
        return tuple((a, b) for a, b in inner if b > a)

    def beyond(self, height: float, within: float) -> float:
        """Chance of lying further than that from a height. [–]

        >>> round(Mixture((Part(0.5, 1.0, 0.1), Part(0.5, 3.0, 0.1))).beyond(1.0, 0.3), 4)
        0.5013
        """
        return 1.0 - self.above(height - within) + self.above(height + within)


#: Stories whose means lie no further apart than this are one to a reader [m].
ONE_STORY = 0.3
#: Stories below this chance are left out of what is told, and no more are told than so many.
LEAST_TOLD, MOST_TOLD = 0.01, 4


def grouped(stories: Sequence[Part]) -> tuple[Part, ...]:
    """Stories as few as a reader tells apart, the likeliest first.

    Parameters
    ----------
    stories : chances sum to one.

    >>> [round(part.chance, 2) for part in grouped([Part(0.3, 1.0, 0.1), Part(0.2, 3.0, 0.1), Part(0.5, 1.1, 0.1)])]
    [0.8, 0.2]
    """
    groups: list[list[Part]] = []
    for part in sorted(stories, reverse=True):
        near = next((group for group in groups if abs(group[0].mean - part.mean) <= ONE_STORY), None)
        if near is None:
            groups.append([part])
        else:
            near.append(part)
    told = sorted((_as_one(group) for group in groups), reverse=True)[:MOST_TOLD]
    least = LEAST_TOLD * sum(part.chance for part in told)
    told = [part for part in told if part.chance >= least]
    total = sum(part.chance for part in told)
    return tuple(Part(part.chance / total, part.mean, part.sd) for part in told)


def _as_one(parts: Sequence[Part]) -> Part:
    """Parts as one normal of the same mean and deviation."""
    chance = sum(part.chance for part in parts)
    mean = sum(part.chance * part.mean for part in parts) / chance
    var = sum(part.chance * (part.sd * part.sd + (part.mean - mean) ** 2) for part in parts) / chance
    return Part(chance, mean, math.sqrt(var))
