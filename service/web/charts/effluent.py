"""A month of daily effluent values beside their limits, in the site's units."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from service.domain.effluent.daily import DayOrigin
from service.domain.effluent.permit import DIMENSION_OF_MEASURE, Measure, Term
from service.domain.plant.units import UnitSystem, from_si, shown_unit
from service.reports.effluent_report import EffluentReport, days_within
from service.web.charts.plot import Plot, PlotFrame, round_steps


@dataclass(frozen=True, slots=True)
class MonthPicture:
    """The picture of one measure; ``limits`` names the lines drawn: style and words."""

    measure: Measure
    plot: Plot | None
    limits: tuple[tuple[str, str], ...]


#: How the lines of limits are drawn.
_STYLES = {Term.DAILY: "work", Term.WEEKLY: "same", Term.MONTHLY: "limits"}


def month_frame(report: EffluentReport, measure: Measure, units: UnitSystem) -> MonthPicture:
    """Daily values of one measure with the permit's limits; no picture where no day has a value."""
    days = [(day, day.value) for day in report.month.of(measure) if day.value is not None]
    symbol = shown_unit(DIMENSION_OF_MEASURE[measure], units)
    limits = [one for one in report.month.permit.limits if one.measure is measure and one.term in _STYLES]
    if not days:
        return MonthPicture(measure, None, ())
    values = [from_si(value, symbol) for _, value in days]
    top = 1.1 * max([*values, *(from_si(one.value, symbol) for one in limits)])
    first, last = days[0][0].day, max(days[-1][0].day, days[0][0].day)
    frame = PlotFrame(first.toordinal() - 0.5, last.toordinal() + 0.5, 0.0, top)
    for one in limits:
        frame.level(_STYLES[one.term], from_si(one.value, symbol))
    for run in _runs([(day.day.toordinal(), value) for (day, _), value in zip(days, values, strict=True)]):
        frame.line("fit", run)
    for (day, _), value in zip(days, values, strict=True):
        shape = "wrong" if day.within is False else "now" if day.origin is DayOrigin.LABORATORY else "past"
        frame.mark(shape, day.day.toordinal(), value)
    within, over, unknown = days_within(report.month, measure)
    said = (
        f"{within} days within the daily limit, {over} over, {unknown} not known"
        if within + over + unknown
        else f"{len(days)} days"
    )
    step = 1 if len(days) <= 8 else 5
    ticks = [
        (float(n), f"{date.fromordinal(n).day}")
        for n in range(first.toordinal(), last.toordinal() + 1)
        if (n - first.toordinal()) % step == 0
    ]
    plot = frame.drawn(
        f"{measure.value} by day. {said}.",
        "day of the month",
        f"{measure.value} ({symbol})",
        ticks,
        round_steps(0.0, top),
    )
    return MonthPicture(measure, plot, tuple((_STYLES[one.term], one.term.value) for one in limits))


def _runs(points: list[tuple[int, float]]) -> list[list[tuple[float, float]]]:
    """Days that follow each other: no line is drawn over a day nobody measured.

    >>> _runs([(1, 5.0), (2, 6.0), (4, 7.0)])
    [[(1, 5.0), (2, 6.0)], [(4, 7.0)]]
    """
    found: list[list[tuple[float, float]]] = []
    for day, value in points:
        if found and found[-1][-1][0] == day - 1:
            found[-1].append((day, value))
        else:
            found.append([(day, value)])
    return found
