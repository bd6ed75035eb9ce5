"""What a discharge permit allows: limits on solids, on their load and on turbidity, each over its own time.

Terms are those of 40 CFR 122.2 (from memory): the *daily discharge* of a concentration is the average over the day, that of a
load the total mass of the day; an average monthly or weekly limitation is on the arithmetic mean of the daily discharges of a
calendar month or week; a maximum daily limitation is on the highest daily discharge. The permit itself and the regulator's
rules decide; this counts by these terms.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from service.domain.plant.display import format_quantity
from service.domain.plant.signal import SignalKind
from service.domain.plant.units import Dimension, UnitSystem

CAUTION = "The permit and the regulator's rules decide; these figures help to keep them, and do not replace required sampling and records."


class Measure(StrEnum):
    """What a permit limits."""

    SOLIDS = "effluent solids"
    LOAD = "effluent solids load"
    TURBIDITY = "effluent turbidity"


class Term(StrEnum):
    """Over which time a limit holds."""

    INSTANTANEOUS = "instantaneous maximum"  #: no single value above it
    DAILY = "daily maximum"  #: no day's value above it
    WEEKLY = "weekly average"
    MONTHLY = "monthly average"


DIMENSION_OF_MEASURE: dict[Measure, Dimension] = {
    Measure.SOLIDS: Dimension.CONCENTRATION,
    Measure.LOAD: Dimension.MASS_RATE,
    Measure.TURBIDITY: Dimension.TURBIDITY,
}
#: Which instrument says what a limit is on.
MEASURE_OF_SIGNAL = {SignalKind.EFFLUENT_SOLIDS: Measure.SOLIDS, SignalKind.TURBIDITY: Measure.TURBIDITY}
#: Which limit a value of this moment is held against first: the day's, as a value above it breaks it when it stays.
_LIVE = (Term.DAILY, Term.INSTANTANEOUS, Term.WEEKLY, Term.MONTHLY)

#: From this share of a limit on an average is near it. Judgement, no source; the site may write another.
APPROACHING = 0.8
#: The weekday (Monday 0) on which calendar weeks begin: Sunday, as discharge monitoring reports count (from memory).
SUNDAY = 6


@dataclass(frozen=True, slots=True)
class PermitLimit:
    """One limit in SI or [NTU]."""

    measure: Measure
    term: Term
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Permit:
    """Every limit of a permit; *name* is how reports call it, *outfall* where it is sampled."""

    name: str = ""
    outfall: str = ""
    limits: tuple[PermitLimit, ...] = ()
    approaching: float = APPROACHING  #: share of a limit [–]
    week_starts: int = SUNDAY
    sampled_tanks: tuple[str, ...] = ()  #: keys of tanks whose laboratory values are the outfall's

    def limit(self, measure: Measure, term: Term) -> float | None:
        """The limit on a measure over a time; None where the permit has none. [SI or NTU]"""
        return next((one.value for one in self.limits if one.measure is measure and one.term is term), None)

    def live(self, measure: Measure) -> PermitLimit | None:
        """The limit a value of this moment is held against: the day's, else the single value's, the week's, the month's."""
        return next((one for term in _LIVE for one in self.limits if (one.measure, one.term) == (measure, term)), None)

    def measures(self) -> tuple[Measure, ...]:
        """What it limits."""
        return tuple(measure for measure in Measure if any(one.measure is measure for one in self.limits))

    def on(self, *terms: Term) -> Iterator[PermitLimit]:
        """Its limits over these times."""
        return (one for one in self.limits if one.term in terms)


def limit_words(permit: Permit, system: UnitSystem) -> tuple[str, ...]:
    """Each limit in words.

    >>> limit_words(Permit(limits=(PermitLimit(Measure.SOLIDS, Term.MONTHLY, 0.030),)), "us")
    ('effluent solids, monthly average 30.0 mg/L',)
    """
    return tuple(
        f"{one.measure.value}, {one.term.value} {format_quantity(one.value, DIMENSION_OF_MEASURE[one.measure], system)}"
        for one in permit.limits
    )


#: A site without a permit in its file.
NO_PERMIT = Permit()


@dataclass(frozen=True, slots=True)
class PublishedLimits:
    """Published averages of suspended solids, for checks. [kg/m³]"""

    monthly: float
    weekly: float
    source: str = field(default="")


#: What most permits of municipal plants rest on.
SECONDARY_TREATMENT = PublishedLimits(
    0.030, 0.045, "40 CFR 133.102(b): suspended solids, 30-day average 30 mg/L, 7-day average 45 mg/L (from memory)"
)
