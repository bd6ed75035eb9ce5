"""Words the effluent: what a daily or monthly report begins with, and the month for whoever reports to the regulator."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.effluent.daily import WHOLE, DayOrigin, DayValue
from service.domain.effluent.month import Average
from service.domain.effluent.permit import CAUTION, DIMENSION_OF_MEASURE, Measure, Term, limit_words
from service.domain.plant.display import (
    format_dated,
    format_duration,
    format_length,
    format_local_time,
    format_quantity,
    format_share,
)
from service.domain.plant.period import Period
from service.domain.plant.units import UnitSystem, from_si, shown_unit
from service.reports.effluent_report import EffluentReport, Exceedance, days_within, measure_of_days
from service.reports.rendering.document import Amount, Cell, Document, Table, csv_safe

NONE = "–"
METHOD = (
    "A day's value is the mean of its laboratory samples where there are any, else the mean of the on-line meters, weighted with"
    f" the flow where that is known for {format_share(WHOLE)} of it. A day without a laboratory value is complete when meters cover"
    f" {format_share(WHOLE)} of it; an incomplete day can break a limit, but not keep it. Averages are means of daily values, as in"
    " 40 CFR 122.2; a week belongs to the month in which it ends. A load is the day's value times the day's volume, with exact"
    " factors: 1 MG at 1 mg/L is 8.345 lb, 0.06 % more than the customary 8.34.",
    CAUTION,
)


class EffluentWriter:
    """Words the parts of one report, in the plant's units and time."""

    def __init__(self, report: EffluentReport, units: UnitSystem, zone: ZoneInfo) -> None:
        self._report, self._month, self._units, self._zone = report, report.month, units, zone

    def facts(self) -> Iterator[tuple[str, str]]:
        """What a report begins with, in a line or two."""
        month, permit = self._month, self._month.permit
        parts = []
        if not permit.limits:
            parts.append("no permit limit is in the site file")
        for measure in measure_of_days(month):
            within, over, unknown = days_within(month, measure)
            if within + over + unknown:
                named = measure.value.removeprefix("effluent ")
                said = f"{within} {'day' if within == 1 else 'days'} within the daily limit on {named}, {over} over"
                parts.append(said + (f", {unknown} not known" if unknown else ""))
        parts += [self._average(one) for one in month.averages if one.limit.term is Term.MONTHLY]
        weeks = [one for one in month.averages if one.limit.term is Term.WEEKLY]
        if weeks:
            over = sum(one.within is False for one in weeks)
            parts.append(f"{over} of {len(weeks)} weekly averages over")
        yield "Effluent", "; ".join(parts) or "nothing was measured"
        if any(permit.live(measure) for measure in (Measure.SOLIDS, Measure.TURBIDITY)):
            hours = format_duration(month.hours_beyond) if month.hours_beyond else "no time"
            lost = (
                "solids lost above it not known"
                if month.lost is None
                else f"{self._mass(month.lost)} of solids lost above it"
            )
            yield "Beyond the limit", f"{hours} by the meters; {lost}"

    def exceedances(self) -> Table:
        """Every stretch beyond, what went before and what was done."""
        found = self._report.exceedances
        return Table(
            title="Effluent beyond its limit, what went before, and what was done",
            heads=("From", "For", "Highest", "Solids lost above", "Blanket before", "Alarms and who had them", "Notes"),
            rows=[self._exceedance(one) for one in found],
            widths=(15, 9, 9, 10, 20, 24, 24),
            note="Meters' values against the daily limit, or the nearest there is. Blanket before: the highest share of the depth from"
            " 6 h before until the end."
            if found
            else "None.",
        )

    def days(self) -> Table:
        """Every day against its limit, with how complete it is."""
        rows = [
            self._day(day) for day in sorted(self._month.days, key=lambda d: (d.day, list(Measure).index(d.measure)))
        ]
        return Table(
            title="Daily values",
            heads=("Day", "Of", "Value", "Limit", "Verdict", "From", "Complete", "Highest", "Beyond", "Lost above"),
            rows=rows,
            widths=(11, 20, 10, 10, 11, 15, 9, 10, 10, 10),
            note="Complete: share of the day the meters cover; a laboratory value stands for its day."
            if rows
            else "Nothing was measured.",
        )

    def averages(self) -> Table:
        """Weekly and monthly averages."""
        return Table(
            title="Averages",
            heads=("From", "To", "Of", "Average", "Limit", "Verdict", "Days", "of them complete"),
            rows=[
                (
                    f"{one.first:%Y-%m-%d}",
                    f"{one.last:%Y-%m-%d}",
                    f"{one.limit.measure.value}, {one.limit.term.value}",
                    self._cell(one.value, one.limit.measure),
                    self._cell(one.limit.value, one.limit.measure),
                    one.verdict,
                    f"{one.days} of {one.of}",
                    Amount(one.whole),
                )
                for one in self._month.averages
            ],
            widths=(11, 11, 28, 10, 10, 16, 10, 9),
            note=""
            if self._month.averages
            else "The permit has no weekly or monthly limit, or no week ended in this time.",
        )

    def signatures(self) -> Table:
        """Who signed the figures."""
        return Table(
            title="Signed",
            heads=("By", "At", "Reason"),
            rows=[(one.by, format_dated(one.at, self._zone), one.reason) for one in self._report.signatures],
            note="" if self._report.signatures else "Not signed yet.",
        )

    def changes(self) -> Table:
        """What changed after the first signature."""
        rows = [
            (
                NONE if one.at is None else format_dated(one.at, self._zone),
                one.what,
                one.was,
                one.now,
                one.by or NONE,
                one.why or NONE,
                "yes" if one.signed_again else "no",
            )
            for one in self._report.changes
        ]
        return Table(
            title="Changed after it was signed",
            heads=("When", "What", "Was", "Is", "By", "Why", "Signed again"),
            rows=rows,
            widths=(16, 28, 12, 12, 14, 22, 8),
            note="" if rows else "Nothing." if self._report.signatures else "Not signed yet.",
        )

    def _average(self, one: Average) -> str:
        named = one.limit.measure.value.removeprefix("effluent ")
        if one.value is None:
            return f"monthly average of {named} not known"
        value, limit = (
            format_quantity(v, DIMENSION_OF_MEASURE[one.limit.measure], self._units)
            for v in (one.value, one.limit.value)
        )
        return f"monthly average of {named} {value}, limit {limit}: {one.verdict}"

    def _exceedance(self, one: Exceedance) -> tuple[Cell, ...]:
        beyond, blanket = one.beyond, one.blanket
        measure = (
            Measure.SOLIDS
            if any(d.measure is Measure.SOLIDS and d.beyond for d in self._month.days)
            else Measure.TURBIDITY
        )
        alarms = "; ".join(
            f"{a.word} {a.about} {self._clock(a.at)}: {a.by or 'nobody'}"
            + (f" after {format_duration(a.after)}" if a.after is not None else "")
            + (f", “{a.note}”" if a.note else "")
            for a in one.alarms
        )
        return (
            format_local_time(beyond.start, self._zone),
            format_duration(beyond.length),
            self._cell(beyond.highest, measure),
            NONE if beyond.lost is None else self._mass(beyond.lost),
            "no blanket known"
            if blanket is None
            else f"{blanket.tank}: {format_length(blanket.height, self._units)} ({format_share(blanket.share)} of the depth) at"
            f" {self._clock(blanket.at)}",
            alarms or "none",
            "; ".join(f"{n.by} {self._clock(n.at)}: {n.text}" for n in one.notes) or "none",
        )

    def _day(self, day: DayValue) -> tuple[Cell, ...]:
        load = day.measure is Measure.LOAD
        return (
            f"{day.day:%Y-%m-%d}",
            day.measure.value,
            self._cell(day.value, day.measure),
            self._cell(day.limit, day.measure),
            day.verdict,
            _origin(day),
            "sample" if day.origin is DayOrigin.LABORATORY else Amount(100.0 * day.covered, 0, "%"),
            NONE if load else self._cell(day.highest, day.measure),
            NONE if load else format_duration(day.beyond) if day.beyond else "none",
            NONE if day.lost is None else self._mass(day.lost),
        )

    def _cell(self, value: float | None, measure: Measure) -> Cell:
        if value is None:
            return NONE
        unit = shown_unit(DIMENSION_OF_MEASURE[measure], self._units)
        shown = from_si(value, unit)
        return Amount(shown, 0 if abs(shown) >= 100 else 1 if abs(shown) >= 1 else 2, unit)

    def _mass(self, kilograms: float) -> str:
        """Both units, as permits and laboratories mix them."""
        return f"{kilograms:,.0f} kg ({from_si(kilograms, 'lb'):,.0f} lb)"

    def _clock(self, at: datetime) -> str:
        return format_local_time(at, self._zone)


def _origin(day: DayValue) -> str:
    if day.origin is None:
        return NONE
    if day.origin is DayOrigin.LABORATORY:
        return f"laboratory, {day.samples}" + (" sample" if day.samples == 1 else " samples")
    return "on-line, by flow" if day.weighted else "on-line, by time"


def effluent_document(
    report: EffluentReport, period: Period, *, site: str, units: UnitSystem, zone: ZoneInfo, now: datetime
) -> Document:
    """A month of effluent, for whoever reports to the regulator."""
    writer, permit = EffluentWriter(report, units, zone), report.month.permit
    running = f"; still running, counted up to {format_dated(now, zone)}" if now < period.end else ""
    named = ", ".join(part for part in (permit.name, permit.outfall and f"outfall {permit.outfall}") if part)
    return Document(
        title=f"Effluent against the permit, {period.name}",
        site=site,
        facts=(
            *writer.facts(),
            ("Permit", named or "not named in the site file"),
            ("Limits", "; ".join(limit_words(permit, units)) or "none in the site file"),
            ("Period", f"{format_dated(period.start, zone)} to {format_dated(period.end, zone)}{running}"),
        ),
        tables=(
            writer.exceedances(),
            writer.averages(),
            writer.days(),
            writer.signatures(),
            writer.changes(),
        ),
        remarks=(*_uncounted(report.uncounted), *METHOD),
        signatures=() if report.signatures else ("Signed by", "Date"),
        printed=format_local_time(now, zone),
    )


def _uncounted(values: int) -> tuple[str, ...]:
    if not values:
        return ()
    some = "1 laboratory value" if values == 1 else f"{values} laboratory values"
    return (
        f"{some} of effluent typed for single tanks {'does' if values == 1 else 'do'} not count: the site file does not name those"
        " tanks as sampled for the outfall (sampled_tanks under [permit]).",
    )


#: Columns of the month as CSV; values in the unit of their row.
CSV_COLUMNS = (
    "day",
    "measure",
    "unit",
    "value",
    "daily_limit",
    "verdict",
    "from",
    "laboratory_samples",
    "complete",
    "share_of_day_covered",
    "on_line_value",
    "highest",
    "hours_beyond",
    "solids_lost_kg",
    "solids_lost_lb",
    "signed_by",
    "signed_at",
    "changed_since_signed",
)


def effluent_csv(report: EffluentReport, units: UnitSystem, zone: ZoneInfo) -> str:
    """The days, then the averages, of a month as CSV (RFC 4180); what a spreadsheet would run is defused."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(CSV_COLUMNS)
    signed = report.signatures[-1] if report.signatures else None
    by = ("", "") if signed is None else (csv_safe(signed.by), format_dated(signed.at, zone))
    changed = {change.what for change in report.changes if not change.signed_again}
    for day in sorted(report.month.days, key=lambda d: (d.day, list(Measure).index(d.measure))):
        unit = shown_unit(DIMENSION_OF_MEASURE[day.measure], units)
        writer.writerow(
            (
                day.day.isoformat(),
                day.measure.value,
                unit,
                _figure(day.value, unit),
                _figure(day.limit, unit),
                day.verdict,
                "" if day.origin is None else day.origin.value,
                day.samples,
                "yes" if day.whole else "no",
                f"{day.covered:.3f}",
                _figure(day.online, unit),
                _figure(day.highest, unit),
                f"{day.beyond / timedelta(hours=1):.2f}",
                "" if day.lost is None else f"{day.lost:.1f}",
                "" if day.lost is None else f"{from_si(day.lost, 'lb'):.1f}",
                *by,
                "yes"
                if signed and f"{day.measure.value} of {day.day.isoformat()}" in changed
                else "no"
                if signed
                else "",
            )
        )
    for one in report.month.averages:
        unit = shown_unit(DIMENSION_OF_MEASURE[one.limit.measure], units)
        what = f"{one.limit.measure.value}, {one.limit.term.value}"
        head = (f"{one.first.isoformat()}/{one.last.isoformat()}", what, unit, _figure(one.value, unit))
        tail = (
            _figure(one.limit.value, unit),
            one.verdict,
            "",
            "",
            "yes" if one.whole == one.of else "no",
            f"{one.days / one.of:.3f}",
        )
        named = f"{one.limit.term.value} of {one.limit.measure.value}, from {one.first.isoformat()}"
        writer.writerow(
            (*head, *tail, "", "", "", "", "", *by, "yes" if signed and named in changed else "no" if signed else "")
        )
    return out.getvalue()


def _figure(value: float | None, unit: str) -> str:
    return "" if value is None else f"{from_si(value, unit):.3f}"
