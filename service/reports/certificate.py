"""Certificate of work on a sensor as PDF: as found, as left, and the hand cores before and after."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest
from uuid import UUID
from zoneinfo import ZoneInfo

from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure

from service.domain.cores.core import Calibration
from service.domain.plant.display import format_dated, format_length
from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.domain.sensors.drift_history import PairInHindsight
from service.domain.sensors.work_proof import Side, WorkOutcome, WorkProof
from service.reports.rendering.page import PrintedPage

CAUTION = (
    "This sheet records work on a measuring instrument. It does not replace the site's own quality records, local codes or "
    "licensed practice. Before reaching into a tank: lock out the drive, stay behind the guard rail, do not work alone."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedWork:
    """Work on a sensor as it was recorded."""

    id: UUID
    work: Calibration
    recorded_at: datetime
    note: str = ""
    as_found_typed: str = ""
    as_left_typed: str = ""
    supersedes: UUID | None = None
    correction_reason: str = ""


def certificate(
    record: RecordedWork,
    tank: Tank,
    proof: WorkProof,
    *,
    site: str,
    units: UnitSystem,
    zone: ZoneInfo,
    now: datetime,
) -> bytes:
    """The certificate as a PDF.

    Parameters
    ----------
    record : the work.
    proof : what the hand cores say before and after, with everything known now.

    Returns
    -------
    The document; letter paper for sites in US units, A4 otherwise.
    """
    work = record.work
    before, after = proof.before.points, proof.after.points

    def error(value: float | None) -> str:
        return "not recorded" if value is None else format_length(value, units, signed=True)

    sheet = PrintedPage(
        f"Work on sensor {work.tag}",
        f"{site} · {work.tag} · record {record.id} · printed {format_dated(now, zone)}",
        paper="letter" if units == "us" else "a4",
        made_at=now,
    )
    facts = [
        ("Sensor", f"{work.tag}, {tank.label}"),
        ("Work", work.kind.value),
        ("Done", f"{format_dated(work.at, zone)} by {work.done_by or 'not recorded'}"),
        ("Why", work.reason),
        ("Note", record.note),
        ("Recorded", format_dated(record.recorded_at, zone)),
        ("Corrects", f"record {record.supersedes}: {record.correction_reason}" if record.supersedes else ""),
        ("Typed as found", record.as_found_typed),
        ("Typed as left", record.as_left_typed),
    ]
    sheet.facts([(name, value) for name, value in facts if value])
    sheet.heading("Error: reading minus truth, in blanket height")
    sheet.rows(
        ("", "as recorded", "mean of the hand cores", "95 % between", "cores"),
        [
            ("as found", error(work.as_found_offset), *_side(proof.before, units)),
            ("as left", error(work.as_left_offset), *_side(proof.after, units)),
        ],
    )
    sheet.ln(2)
    sheet.text_block(_verdict(proof, units))
    sheet.ln(3)
    if before or after:
        sheet.picture(_picture(before, after, work.at, units, zone))
        sheet.heading("Hand cores beside the sensor")
        # Side by side, so that the whole sheet, signatures and all, stays one page.
        sheet.rows(
            ("before", "core", "sensor", "difference", "after", "core", "sensor", "difference"),
            [
                (*_row(one, units, zone), *_row(other, units, zone))
                for one, other in zip_longest(before, after, fillvalue=None)
            ],
            (30, 15, 15, 17, 30, 15, 15, 17),
        )
    else:
        sheet.text_block("No sound hand core lies within 30 days before or after this work.")
    sheet.ln(3)
    sheet.text_block(CAUTION)
    sheet.signatures(("Technician", "Supervisor", "Date"))
    return sheet.content()


def _side(side: Side, units: UnitSystem) -> tuple[str, str, str]:
    def error(value: float) -> str:
        return format_length(value, units, signed=True)

    mean = "none" if side.mean is None else error(side.mean)
    between = "–" if side.interval is None else f"{error(side.interval[0])} and {error(side.interval[1])}"
    return mean, between, str(len(side.points))


def _verdict(proof: WorkProof, units: UnitSystem) -> str:
    if proof.change is None or proof.change_interval is None or proof.outcome is WorkOutcome.TOO_FEW:
        missing = f"{proof.before.missing} more before and {proof.after.missing} more after"
        return f"By the hand cores: {WorkOutcome.TOO_FEW.value} ({missing} would be needed)."
    change, low, high = (format_length(x, units, signed=True) for x in (proof.change, *proof.change_interval))
    return f"By the hand cores: {proof.outcome.value}. The mean changed by {change} (95 % between {low} and {high})."


def _row(point: PairInHindsight | None, units: UnitSystem, zone: ZoneInfo) -> tuple[str, ...]:
    if point is None:
        return ("",) * 4
    pair = point.pair
    return (
        format_dated(pair.time, zone),
        format_length(pair.core_height, units),
        format_length(pair.sensor, units),
        format_length(pair.difference, units, signed=True),
    )


def _picture(
    before: Sequence[PairInHindsight], after: Sequence[PairInHindsight], at: datetime, units: UnitSystem, zone: ZoneInfo
) -> Figure:
    unit = shown_unit(Dimension.LENGTH, units)
    figure = Figure(figsize=(7.4, 1.9), layout="constrained")
    axes = figure.subplots()
    axes.axhline(0.0, color="#2f3437", linewidth=0.8)
    axes.axvline(_day(at), color="#2f3437", linewidth=1.2, linestyle=(0, (4, 2)))
    axes.annotate(
        "work",
        (_day(at), 0.97),
        xycoords=("data", "axes fraction"),
        va="top",
        xytext=(3, 0),
        textcoords="offset points",
        fontsize=8,
    )
    for points, marker, label in ((before, "o", "before"), (after, "D", "after")):
        axes.plot(
            [_day(p.pair.time) for p in points],
            [from_si(p.pair.difference, unit) for p in points],
            marker,
            color="#3b4a54",
            markerfacecolor="white" if marker == "o" else "#3b4a54",
            label=label,
        )
    locator = AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=zone))  # type: ignore[no-untyped-call]
    axes.set_ylabel(f"sensor minus core ({unit})", fontsize=8)
    axes.tick_params(labelsize=8)
    axes.legend(frameon=False, fontsize=8)
    return figure


def _day(time: datetime) -> float:
    return float(date2num(time))  # type: ignore[no-untyped-call]
