"""Words a shift log as a document of one page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.plant.display import format_clock, format_local_time
from service.reports.rendering.document import Document, Table
from service.reports.shift_log import HandOver, ShiftLog

CAUTION = (
    "Underweir advises; it does not replace rounds, the plant's own alarms, site procedures, local codes or"
    " licensed practice. At the tanks: behind the guard rail, not alone without telling somebody, lock out the drive."
)


def shift_document(log: ShiftLog, *, site: str, zone: ZoneInfo, now: datetime) -> Document:
    """The log, worded and in the plant's time."""
    shift = log.shift
    name = f"{shift.name}, {format_local_time(shift.start, zone)} to {format_clock(shift.end, zone)}"
    until = "still running" if log.running else "over"
    return Document(
        title=f"Shift log: {name}",
        site=site,
        facts=(
            ("Shift", f"{name} ({until})"),
            ("Taken over by", _signed(log.taken_over, zone)),
            ("Handed over to", _signed(log.handed_over, zone)),
        ),
        tables=(
            Table(
                title="Tanks now" if log.running else "Tanks at the end",
                heads=("Tank", "Blanket", "Doubt"),
                rows=[(one.about, one.words, one.doubt) for one in log.tanks],
                widths=(25, 50, 25),
            ),
            Table(
                title="Open" if log.running else "Open at the end",
                heads=("What", "Status"),
                rows=[(one.about, one.words) for one in log.open],
                widths=(25, 75),
                note="" if log.open else "Nothing is open.",
            ),
            Table(
                title="What happened",
                heads=("Time", "What", "About", "Details", "Who"),
                rows=[
                    (
                        format_clock(entry.at, zone),
                        entry.kind.value,
                        entry.about,
                        entry.words + (" (corrected by a later note)" if entry.corrected else ""),
                        entry.who,
                    )
                    for entry in log.entries
                ],
                widths=(11, 12, 17, 44, 16),
                note="" if log.entries else "Nothing was recorded.",
            ),
        ),
        remarks=(CAUTION,),
        signatures=("Handed over", "Taken over", "Time"),
        printed=format_local_time(now, zone),
    )


def _signed(signatures: Sequence[HandOver], zone: ZoneInfo) -> str:
    return ", ".join(f"{one.who}, {format_local_time(one.at, zone)}" for one in signatures) or "nobody has signed"
