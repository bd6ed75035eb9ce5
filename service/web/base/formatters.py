"""Formats numbers, times and states for pages in the plant's units and time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.blanket.estimate import Trust
from service.domain.blanket.past_work import PastWork, past_words
from service.domain.plant.display import (
    describe_clearance,
    describe_height,
    describe_rate,
    format_clock,
    format_duration,
    format_length,
    format_local_time,
    format_quantity,
    format_span,
)
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.notify.messages.wording import forecast_time, kind_word, verdict_words

__all__ = ["Words", "kind_word", "verdict_words"]

_TRUST = {
    Trust.GOOD: "reliable",
    Trust.DOUBTFUL: "doubtful: a hand core decides",
    Trust.BLIND: "no valid reading: the number is old",
}


@dataclass(frozen=True, slots=True)
class Words:
    """The site's way of saying numbers and times, at one moment."""

    units: UnitSystem
    zone: ZoneInfo
    now: datetime

    def length(self, metres: float | None, signed: bool = False) -> str:
        """A length; a dash where there is none."""
        return "–" if metres is None or not math.isfinite(metres) else format_length(metres, self.units, signed=signed)

    def loading(self, value: float) -> str:
        """A solids loading rate."""
        return format_quantity(value, Dimension.SOLIDS_LOADING, self.units)

    def height(self, metres: float) -> str:
        """How high a blanket stands above the floor."""
        return describe_height(metres, self.units)

    def clearance(self, metres: float, depth: float | None = None) -> str:
        """Where the blanket stands against the weir."""
        return describe_clearance(metres, self.units, depth)

    def rate(self, metres_per_hour: float) -> str:
        """How the blanket moves."""
        return describe_rate(metres_per_hour, self.units)

    def number(self, metres: float) -> str:
        """A length without its unit, for fields."""
        return self.length(metres).split(" ")[0]

    @property
    def length_unit(self) -> str:
        """The unit lengths are read in."""
        return shown_unit(Dimension.LENGTH, self.units)

    def in_unit(self, metres: float) -> float:
        """A length in the unit lengths are read in."""
        return from_si(metres, self.length_unit)

    def time(self, moment: datetime) -> str:
        """A moment in the plant's time."""
        return format_local_time(moment, self.zone)

    def between(self, start: datetime, end: datetime) -> str:
        """From when to when, in the plant's time."""
        return format_span(start, end, self.zone)

    def clock(self, moment: datetime) -> str:
        """Hour and minute in the plant's time."""
        return format_clock(moment, self.zone)

    def ago(self, moment: datetime) -> str:
        """How long ago."""
        age = self.now - moment
        return "just now" if age < timedelta(minutes=1) else f"{format_duration(age)} ago"

    def span(self, span: timedelta) -> str:
        """A stretch of time."""
        return format_duration(span)

    def hours(self, hours: float) -> str:
        """A forecast time, rounded to what a forecast can tell."""
        return forecast_time(hours)

    def past(self, work: PastWork) -> str:
        """What is estimated again beside the present, as a sentence."""
        said = past_words(work, self.zone)
        return f"{said[:1].upper()}{said[1:]}."

    def trust(self, trust: Trust) -> str:
        """Whether a number can be believed."""
        return _TRUST[trust]

    def iso(self, moment: datetime) -> str:
        """A moment for programs."""
        return moment.isoformat(timespec="seconds")
