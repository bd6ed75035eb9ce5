"""The series of charts and rollups: their table, owner column, and columns for low, high and last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.domain.blanket.mixture import MOST_TOLD
from service.domain.plant.reading import Quality

Source = Literal["reading", "assessment", "estimate"]


@dataclass(frozen=True, slots=True)
class ChartSeries:
    """One line, or one band, of a chart. Constants of this program, never input: they become SQL."""

    #: Its number in the rollups; never given to another.
    number: int
    source: Source
    #: Column of the signal or tank number.
    owner: str
    low: str
    high: str
    last: str
    #: Condition on rows to exclude, besides those without a number.
    excluded: str = "false"

    @property
    def included(self) -> str:
        """Condition on rows to include."""
        return f"{self.last} <> 'NaN' AND NOT {self.excluded}"


#: A rival story less likely than this does not widen the band: its tail of the 95 % interval.
_TAIL = 0.025


def _over_stories(side: str, choose: str) -> str:
    """One side of the band over every story: chance, height and deviation of each stand one after the other."""
    ends = [f"height {side} 1.96 * sd"]
    for n in range(1, 3 * MOST_TOLD, 3):
        ends.append(f"CASE WHEN stories[{n}] >= {_TAIL} THEN stories[{n + 1}] {side} 1.96 * stories[{n + 2}] END")
    return f"{choose}({', '.join(ends)})"  # of nulls, which are where there are fewer stories, neither takes any


CHART_SERIES = {
    "reading": ChartSeries(1, "reading", "signal_id", "value", "value", "value", f"quality = {int(Quality.BAD)}"),
    "raw": ChartSeries(2, "assessment", "signal_id", "height", "height", "height"),
    "corrected": ChartSeries(3, "assessment", "signal_id", "corrected", "corrected", "corrected"),
    "estimate": ChartSeries(4, "estimate", "tank_id", "height", "height", "height"),
    "band": ChartSeries(
        5, "estimate", "tank_id", _over_stories("-", "least"), _over_stories("+", "greatest"), "height"
    ),
}
