"""Words a daily or monthly report as a document in the plant's units and time."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.plant.display import format_clock, format_dated, format_duration, format_local_time, format_share
from service.domain.plant.period import PeriodKind
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.reports.effluent_document import METHOD, EffluentWriter
from service.reports.laboratory_section import laboratory_tables
from service.reports.period_report import ENOUGH, PeriodReport, TankReport
from service.reports.rendering.document import Amount, Cell, Document, Table

NOT_KNOWN = "no data"
REMARKS = (
    "Blanket figures are estimates: sensors corrected by the hand cores. Times without a valid reading are left"
    " out of lowest, mean and highest, and counted against “monitored”.",
    "Underweir advises; it does not replace rounds, required records, local codes or licensed practice.",
)
_DIGITS = {"ft": 1, "m": 2}


def period_document(report: PeriodReport, *, site: str, units: UnitSystem, zone: ZoneInfo, now: datetime) -> Document:
    """The report, worded."""
    writer = _Writer(report, units, zone)
    effluent = None if report.effluent is None else EffluentWriter(report.effluent, units, zone)
    period = report.period
    kind = "Daily report" if period.span is PeriodKind.DAILY else "Monthly report"
    hours = f"{(period.end - period.start) / timedelta(hours=1):g} h"
    still = f"; still running, counted up to {format_dated(report.end, zone)}" if report.running else ""
    return Document(
        title=f"{kind} {period.name}",
        site=site,
        facts=(
            ("Period", f"{format_dated(period.start, zone)} to {format_dated(period.end, zone)}, {hours}{still}"),
            *(() if effluent is None else effluent.facts()),
            ("Alarms", writer.alarms_in_short()),
            ("Hand cores", writer.cores_in_short()),
            ("Monitored", writer.watched_in_short()),
        ),
        # What the whole work is for stands first.
        tables=(
            *(() if effluent is None else _effluent(effluent, period.span)),
            *writer.tables(),
            *laboratory_tables(report.laboratory, units, zone),
        ),
        remarks=(*REMARKS, *(() if effluent is None else METHOD)),
        printed=format_local_time(now, zone),
    )


def _effluent(writer: EffluentWriter, span: PeriodKind) -> tuple[Table, ...]:
    """The days of a month stand in the month of the permit, which is signed."""
    days = () if span is PeriodKind.MONTHLY else (writer.days(),)
    return (writer.exceedances(), writer.averages(), *days)


class _Writer:
    def __init__(self, report: PeriodReport, units: UnitSystem, zone: ZoneInfo) -> None:
        self._report = report
        self._units = units
        self._zone = zone

    def alarms_in_short(self) -> str:
        """How many, and how fast they were taken."""
        alarms = self._report.alarms
        taken = sorted(a.time_to_acknowledge for a in alarms if a.time_to_acknowledge is not None)
        if not alarms:
            return "none"
        nobody = len(alarms) - len(taken)
        half = f"; half acknowledged within {format_duration(taken[(len(taken) - 1) // 2])}" if taken else ""
        return f"{len(alarms)}{half}; not acknowledged: {nobody}"

    def cores_in_short(self) -> str:
        """How many rounds of how many that were due."""
        tanks = self._report.tanks
        due = [tank.due for tank in tanks if tank.due is not None]
        taken = sum(t.rounds for t in tanks)
        said = f"{taken} taken" if taken else "no round was logged"
        return f"{said}, {sum(due)} due" if sum(due) else said

    def watched_in_short(self) -> str:
        """The tank that was seen least."""
        if not self._report.tanks:
            return "no tanks"
        least = min(self._report.tanks, key=lambda tank: tank.watched)
        return f"{format_share(least.watched)} of the time or more ({least.label} the least)"

    def tables(self) -> Iterator[Table]:
        """Every table."""
        tanks = self._report.tanks
        yield Table(
            title="Blanket",
            heads=(
                "Tank",
                "Lowest",
                "at",
                "Mean",
                "Highest",
                "at",
                "Least clear water",
                "In warning",
                "In danger",
                "Monitored",
            ),
            rows=[self._blanket(tank) for tank in tanks],
            widths=(12, 8, 13, 8, 8, 13, 10, 9, 9, 9),
            note="Heights above the floor at the wall. In warning, in danger: time with less clear water than the limit.",
        )
        yield Table(
            title="Hand cores and sensors",
            heads=("Tank", "Rounds", "Due", "Cores", "Sensor", "Compared", "Sensor minus core, mean", "greatest"),
            rows=[row for tank in tanks for row in self._cores(tank)],
            note="Sensor minus core before any correction; cores judged wrong are left out.",
        )
        loads = [row for tank in tanks if (row := self._load(tank)) is not None]
        over = self._unit(Dimension.OVERFLOW_RATE)
        yield Table(
            title="Loading",
            heads=(
                "Tank",
                "Overflow rate, mean",
                "at peak flow",
                "Solids loading",
                "Weir loading",
                "Detention",
                "Return ratio",
            ),
            rows=loads,
            note=f"From the means of the period, where flows were measured for {format_share(ENOUGH)} of it or more; overflow rate in {over}."
            if loads
            else f"No flow was measured for {format_share(ENOUGH)} of the period or more.",
        )
        alarms = self._report.alarms
        yield Table(
            title="Alarms",
            heads=("Raised", "Alarm", "About", "Acknowledged by", "after", "Over"),
            rows=[
                (
                    format_dated(a.occurred_at, self._zone),
                    a.word,
                    a.about,
                    a.acknowledged_by or "nobody",
                    "–" if a.time_to_acknowledge is None else format_duration(a.time_to_acknowledge),
                    "still active" if a.returned_at is None else format_dated(a.returned_at, self._zone),
                )
                for a in alarms
            ],
            widths=(20, 13, 20, 18, 10, 20),
            note="" if alarms else "None.",
        )
        yield Table(
            title="Data",
            heads=("Tank", "Signal", "Usable", "Readings", "of them bad"),
            rows=[
                (label, s.tag, Amount(100.0 * s.share, 1, "%"), Amount(s.readings), Amount(s.bad))
                for label, signals in (*((t.label, t.signals) for t in tanks), ("The plant", self._report.signals))
                for s in signals
            ],
            note="Usable: share of the period in which the signal gave a good or doubtful value that was not stale.",
        )
        works = self._report.works
        yield Table(
            title="Work on sensors",
            heads=("Done", "Sensor", "Work", "Why", "By", "As found", "As left"),
            rows=[
                (
                    format_dated(w.at, self._zone),
                    w.tag,
                    w.kind.value,
                    w.reason,
                    w.done_by,
                    self._error(w.as_found_offset),
                    self._error(w.as_left_offset),
                )
                for w in works
            ],
            widths=(19, 16, 13, 22, 14, 8, 8),
            note="As found, as left: reading minus truth." if works else "None.",
        )

    def _blanket(self, tank: TankReport) -> tuple[Cell, ...]:
        found = tank.blanket
        watched = Amount(100.0 * tank.watched, 1, "%")
        if found is None:
            return (tank.label, *[NOT_KNOWN] * 8, watched)
        return (
            tank.label,
            self._length(found.lowest),
            self._moment(found.lowest_at),
            self._length(found.mean),
            self._length(found.highest),
            self._moment(found.highest_at),
            self._length(tank.side_water_depth - found.highest),
            "no limit" if found.in_high is None else _time(found.in_high),
            "no limit" if found.in_high_high is None else _time(found.in_high_high),
            watched,
        )

    def _cores(self, tank: TankReport) -> Iterator[tuple[Cell, ...]]:
        due: Cell = "not set" if tank.due is None else Amount(tank.due)
        counts: tuple[Cell, ...] = (tank.label, Amount(tank.rounds), due, Amount(tank.cores))
        if not tank.sensors:
            yield (*counts, "–", Amount(0), "no pair", "no pair")
        for sensor in tank.sensors:
            yield (*counts, sensor.tag, Amount(sensor.cores), self._length(sensor.mean), self._length(sensor.greatest))

    def _load(self, tank: TankReport) -> tuple[Cell, ...] | None:
        load = tank.load
        if load is None:
            return None
        return (
            tank.label,
            self._in(load.overflow_rate, Dimension.OVERFLOW_RATE),
            self._in(tank.peak_overflow, Dimension.OVERFLOW_RATE),
            self._in(load.solids_loading, Dimension.SOLIDS_LOADING),
            self._in(load.weir_loading, Dimension.WEIR_LOADING),
            NOT_KNOWN if load.detention is None else Amount(load.detention, 1, "h"),
            NOT_KNOWN if load.return_ratio is None else Amount(load.return_ratio, 2),
        )

    def _unit(self, dimension: Dimension) -> str:
        return shown_unit(dimension, self._units)

    def _in(self, value: float | None, dimension: Dimension) -> Cell:
        if value is None:
            return NOT_KNOWN
        unit = self._unit(dimension)
        shown = from_si(value, unit)
        return Amount(shown, 0 if abs(shown) >= 100 else 1 if abs(shown) >= 10 else 2, unit)

    def _length(self, value: float) -> Amount:
        unit = self._unit(Dimension.LENGTH)
        return Amount(from_si(value, unit), _DIGITS[unit], unit)

    def _error(self, value: float | None) -> Cell:
        return "–" if value is None else self._length(value)

    def _moment(self, moment: datetime) -> str:
        """The clock alone is enough within a day."""
        daily = self._report.period.span is PeriodKind.DAILY
        return format_clock(moment, self._zone) if daily else format_local_time(moment, self._zone)


def _time(span: timedelta) -> str:
    return "none" if span == timedelta(0) else format_duration(span)
