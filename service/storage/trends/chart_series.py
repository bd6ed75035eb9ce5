"""What can be drawn over time: where its rows are, and what of a row is least, greatest and last."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from service.domain.plant.reading import Quality

Source = Literal["reading", "assessment", "estimate"]


@dataclass(frozen=True, slots=True)
class ChartSeries:
    """One line, or one band, of a picture. Fixed words of ours, never given by anybody outside: they become SQL."""

    #: Its number in the rollups; never given to another.
    series: int
    source: Source
    #: The column that says whose row it is.
    owner: str
    low: str
    high: str
    last: str
    #: Which rows are left out besides those without a number.
    left_out: str = "false"

    @property
    def counts(self) -> str:
        """The condition on rows that are drawn."""
        return f"{self.last} <> 'NaN' AND NOT {self.left_out}"


CHART_SERIES = {
    "reading": ChartSeries(1, "reading", "signal_id", "value", "value", "value", f"quality = {int(Quality.BAD)}"),
    "raw": ChartSeries(2, "assessment", "signal_id", "height", "height", "height"),
    "corrected": ChartSeries(3, "assessment", "signal_id", "corrected", "corrected", "corrected"),
    "estimate": ChartSeries(4, "estimate", "tank_id", "height", "height", "height"),
    "band": ChartSeries(5, "estimate", "tank_id", "height - 1.96 * sd", "height + 1.96 * sd", "height"),
}
