"""The effluent of a day or month as values: limits, days, averages, what was beyond and what went before it. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from service.domain.effluent.daily import Beyond
from service.domain.effluent.month import EffluentMonth
from service.domain.effluent.permit import DIMENSION_OF_MEASURE, Measure
from service.domain.plant.display import format_quantity
from service.domain.plant.units import UnitSystem

#: How long before the effluent went beyond its limit a blanket is looked for: sludge that left stood high within hours.
#: Judgement, no source.
BEFORE = timedelta(hours=6)


@dataclass(frozen=True, slots=True, kw_only=True)
class BlanketBefore:
    """The tank whose blanket stood highest, by its share of the depth, before and while the effluent was beyond. [m]"""

    tank: str
    height: float
    at: datetime
    share: float  #: of the side water depth [–]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmBeside:
    """An alarm about a blanket or the effluent of that time, and what somebody did about it."""

    word: str
    about: str
    at: datetime
    by: str
    after: timedelta | None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """What somebody wrote into the shift log at that time."""

    at: datetime
    by: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Exceedance:
    """One stretch beyond the limit, what went before it and what was done."""

    beyond: Beyond
    blanket: BlanketBefore | None = None
    alarms: tuple[AlarmBeside, ...] = ()
    notes: tuple[Noted, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """A signature under the month's figures."""

    by: str
    at: datetime
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterChange:
    """Something of the month that changed after it was signed."""

    at: datetime | None  #: of a figure: the signature that has it anew; None where none has yet
    what: str
    was: str
    now: str
    by: str = ""
    why: str = ""
    signed_again: bool = False  #: a later signature stands for it


@dataclass(frozen=True, slots=True, kw_only=True)
class EffluentReport:
    """The effluent of a period. ``changes`` are all since the first signature."""

    month: EffluentMonth
    exceedances: tuple[Exceedance, ...] = ()
    signatures: tuple[Signed, ...] = ()
    changes: tuple[LaterChange, ...] = ()
    uncounted: int = 0  #: laboratory values of tanks that the site does not sample for the outfall


def measure_of_days(month: EffluentMonth) -> tuple[Measure, ...]:
    """What the days tell of, the permit's order."""
    return tuple(measure for measure in Measure if any(day.measure is measure for day in month.days))


def signed_figures(month: EffluentMonth) -> dict[str, Any]:
    """The figures of a month as they are kept with a signature, in SI."""
    return {
        "days": [
            {
                "day": day.day.isoformat(),
                "measure": day.measure.value,
                "value": day.value,
                "origin": None if day.origin is None else day.origin.value,
                "covered": round(day.covered, 4),
            }
            for day in month.days
        ],
        "averages": [
            {
                "first": a.first.isoformat(),
                "measure": a.limit.measure.value,
                "term": a.limit.term.value,
                "value": a.value,
            }
            for a in month.averages
        ],
        "limits": [
            {"measure": one.measure.value, "term": one.term.value, "value": one.value} for one in month.permit.limits
        ],
        "hours_beyond": month.hours_beyond / timedelta(hours=1),
        "lost": month.lost,
    }


#: Figures that differ by less are the same: sums are not made in the same order twice.
_SAME = 1e-6


def changed_figures(
    signed: Mapping[str, Any], fresh: Mapping[str, Any], units: UnitSystem, signed_again: Signed | None = None
) -> Iterator[LaterChange]:
    """Which figures are not what was signed; *signed_again* is the signature that has the fresh ones."""
    for part, keys in (
        ("days", ("day", "measure")),
        ("averages", ("first", "measure", "term")),
        ("limits", ("measure", "term")),
    ):
        before = {tuple(one[key] for key in keys): one["value"] for one in signed.get(part, ())}
        after = {tuple(one[key] for key in keys): one["value"] for one in fresh.get(part, ())}
        for name in sorted({*before, *after}):
            was, found = before.get(name), after.get(name)
            if was == found or (
                was is not None and found is not None and abs(was - found) <= _SAME * max(abs(was), abs(found))
            ):
                continue
            measure = Measure(name[0] if part == "limits" else name[1])
            yield LaterChange(
                at=None if signed_again is None else signed_again.at,
                what=_figure(part, name),
                was=_shown(was, measure, units),
                now=_shown(found, measure, units),
                by="" if signed_again is None else signed_again.by,
                why="" if signed_again is None else signed_again.reason,
                signed_again=signed_again is not None,
            )


def _figure(part: str, name: tuple[str, ...]) -> str:
    match part:
        case "days":
            return f"{name[1]} of {name[0]}"
        case "averages":
            return f"{name[2]} of {name[1]}, from {name[0]}"
    return f"the permit's {name[1]} of {name[0]}"


def _shown(value: float | None, measure: Measure, units: UnitSystem) -> str:
    return "no value" if value is None else format_quantity(value, DIMENSION_OF_MEASURE[measure], units)


def days_within(month: EffluentMonth, measure: Measure) -> tuple[int, int, int]:
    """Of the days with a limit: within, over, and not known."""
    limited = [day.within for day in month.of(measure) if day.limit is not None]
    return limited.count(True), limited.count(False), limited.count(None)
