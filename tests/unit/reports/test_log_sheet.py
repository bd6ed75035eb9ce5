"""The log sheet as plants keep it on paper."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from service.domain.cores.core import Core, Surface
from service.reports.log_sheet import LEAST_BLANK, ROWS, SheetCore, log_sheet, sheet_document
from service.reports.rendering.pdf import as_pdf
from tests.support import plant

AT = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)


def core(number: int = 1, **changes: object) -> SheetCore:
    given = {
        "id": UUID(int=number),
        "tank": "east",
        "taken_at": AT,
        "recorded_at": AT,
        "thickness": 1.0668,
        "distance_from_wall": 5.0,
        "replicate": 2,
        "surface": (Surface.PIN_FLOC, Surface.BUBBLES),
        "taken_by": "Sam Okafor",
        "note": "arm squeaks",
    } | changes
    return SheetCore(core=Core(**given), typed_value=42.0, typed_unit="in")  # type: ignore[arg-type]


def sheet(*cores: SheetCore):  # type: ignore[no-untyped-def]
    return log_sheet(
        cores,
        {"east": plant.tank("east")},
        title="Log sheet",
        site="Invented Creek Works",
        units="us",
        zone=ZoneInfo("America/New_York"),
        now=AT,
    )


def test_a_row_reads_as_it_was_written() -> None:
    [row] = sheet(core()).rows
    assert row.cells == (
        "03:10 EST",
        plant.tank("east").label,
        "16.4 ft",
        "3 ft 6 in",
        "pin floc",
        "bubbles; no. 2; arm squeaks",
        "SO",
    )


def test_there_is_room_for_writing_by_hand_however_many_were_logged() -> None:
    assert sheet().blank == ROWS
    assert sheet(*(core(n) for n in range(1, 40))).blank == LEAST_BLANK


def test_it_prints() -> None:
    content = as_pdf(sheet_document(sheet(core())), units="us", made_at=AT)
    assert content.startswith(b"%PDF-")
    assert content.count(b"/Type /Page\n") == 1
