"""Rows of a laboratory sheet to values, and through the pipe from the decoding process."""

from __future__ import annotations

import io
from datetime import UTC, datetime

import pytest

from connectors.base import LaboratoryValue, Reject, block_of
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.parts import Chunk, ReadJob
from connectors.csv.decoding.reader import FileDecoder
from connectors.csv.decoding.wire import decode, encode, split
from connectors.errors import Malformed

NOW = datetime(2026, 3, 15, tzinfo=UTC)
FORM = CsvFormat(layout=Layout.LABORATORY, tanks=frozenset({"east"}), zone="UTC")


def read(text: str) -> tuple[list[LaboratoryValue], list[Reject]]:
    chunks = list(FileDecoder(FORM, NOW, "lab.csv").chunks(io.BytesIO(text.encode())))
    return [v for c in chunks for v in c.laboratory], [r for c in chunks for r in c.rejects]


SHEET = """Taken,Tank,Test,Result,Unit,Minute,Dilution,Stirred,Analyst,Note
2026-03-14 08:00,,MLSS,2400,mg/L,,,,Kim,
2026-03-14 08:05,east,settled volume,240,mL/L,30,2,yes,Kim,second cylinder
"""


def test_every_column_of_the_sheet_there_is() -> None:
    values, rejects = read(SHEET)
    assert rejects == []
    assert values[0] == LaboratoryValue(
        kind="MLSS", time=datetime(2026, 3, 14, 8, 0, tzinfo=UTC), value=2400.0, unit="mg/L", taken_by="Kim", line=2
    )
    assert values[1] == LaboratoryValue(
        kind="settled volume", time=datetime(2026, 3, 14, 8, 5, tzinfo=UTC), value=240.0, unit="mL/L", tank="east",
        minute=30, dilution=2.0, stirred=True, taken_by="Kim", note="second cylinder", line=3,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("row", "field"),
    [
        ("2026-03-14 08:00,north,MLSS,2400,mg/L,,,,Kim,", "tank"),
        ("2026-03-14 08:00,,,2400,mg/L,,,,Kim,", "kind"),
        ("2026-03-14 08:00,,MLSS,,mg/L,,,,Kim,", "value"),
        ("2026-03-14 08:00,,MLSS,many,mg/L,,,,Kim,", "value"),
        ("2026-03-14 08:00,,SSV,240,mL/L,half,,,Kim,", "minute"),
        ("2026-03-14 08:00,,SSV,240,mL/L,30,,perhaps,Kim,", "stirred"),
        ("yesterday,,SSV,240,mL/L,30,,,Kim,", "time"),
    ],
)
def test_a_row_that_is_none_is_told_with_line_and_field_and_the_others_go_in(row: str, field: str) -> None:
    values, [reject] = read(SHEET + row + "\n2026-03-14 09:00,,nitrate,8,mg/L,,,,Kim,\n")
    assert (reject.line, reject.field) == (4, field)
    assert [v.kind for v in values] == ["MLSS", "settled volume", "nitrate"]


def test_a_sheet_without_its_columns_is_told() -> None:
    with pytest.raises(Malformed, match="no column for kind and value"):
        read("Taken,Colour\n2026-03-14 08:00,brown\n")


def test_values_come_through_the_pipe_as_they_were_in_messages_of_bounded_size() -> None:
    values, _ = read(SHEET)
    many = Chunk(block_of([]), laboratory=tuple(values * 600))
    job = ReadJob("lab", "lab.csv", 0, FORM, NOW)
    parts = [decode(bytearray(b"".join(encode(part))), job) for part in split(many)]
    assert len(parts) == 3
    assert tuple(v for part in parts if isinstance(part, Chunk) for v in part.laboratory) == many.laboratory
