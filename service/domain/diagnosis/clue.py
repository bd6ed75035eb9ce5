"""A clue: one fact about a tank, and how much likelier each failure mode makes it than none of them does."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.display import format_length, format_quantity
from service.domain.plant.units import Dimension, UnitSystem

#: Source of a ratio that no publication gives.
JUDGEMENT = "engineering judgement: common practice, no source"

Curve = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Clue:
    """One fact and its likelihood ratios; a mode that is not named has a ratio of 1."""

    fact: str  #: what is looked at; of several clues to one fact the strongest counts
    said: str  #: the sentence, with a place for each of its values
    values: tuple[tuple[float, Dimension], ...]  #: in SI
    ratios: Mapping[FailureMode, float]
    source: str = JUDGEMENT

    def ratio(self, mode: FailureMode) -> float:
        """How much likelier the fact is under that mode than under none. [–]"""
        return self.ratios.get(mode, 1.0)

    def words(self, system: UnitSystem) -> str:
        """The sentence with its numbers in the plant's units."""
        return self.said.format(*(_shown(value, dimension, system) for value, dimension in self.values))


def curve(points: Curve, at: float) -> float:
    """A ratio between given points, straight in its logarithm, flat beyond them.

    >>> round(curve(((0.5, 4.0), (1.0, 1.0)), 0.75), 6), curve(((0.5, 4.0), (1.0, 1.0)), 0.1)
    (2.0, 4.0)
    """
    if at <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if at <= x1:
            share = (at - x0) / (x1 - x0)
            return math.exp((1.0 - share) * math.log(y0) + share * math.log(y1))
    return points[-1][1]


def strongest(clues: Iterable[Clue], speaks_of: FailureMode) -> Clue | None:
    """Of several looks at one fact the one that says most for a mode: what one measure shows, another may not see.

    A lost return shows beside its own past where all pumps of a plant stop at once, and beside its sisters where it was
    lost long ago.
    """
    found = list(clues)
    return max(found, key=lambda clue: clue.ratio(speaks_of)) if found else None


def _shown(value: float, dimension: Dimension, system: UnitSystem) -> str:
    if dimension is Dimension.LENGTH:
        return format_length(value, system)
    if dimension is Dimension.TEMPERATURE:
        return f"{value * 1.8:.1f} °F" if system == "us" else f"{value:.1f} °C"
    return format_quantity(value, dimension, system)
