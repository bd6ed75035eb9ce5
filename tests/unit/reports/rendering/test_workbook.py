"""A spreadsheet read back: numbers are numbers, and nothing anybody wrote is a formula."""

from __future__ import annotations

from datetime import UTC, datetime
from io import BytesIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.workbook.workbook import Workbook

from service.reports.rendering.document import Amount, Document, Table
from service.reports.rendering.workbook import as_workbook

MADE = datetime(2026, 1, 15, 12, tzinfo=UTC)


def made(
    *rows: tuple[str | Amount, ...], heads: tuple[str, ...] = ("Tank", "Depth"), title: str = "Blanket"
) -> Workbook:
    document = Document(
        title="Daily report",
        site="=cmd|' /C calc'!A0",
        facts=(("Note", "@SUM(A1)"),),
        tables=(Table(title=title, heads=heads, rows=rows, note="+1"),),
        remarks=("-2+3",),
    )
    return load_workbook(BytesIO(as_workbook(document, made_at=MADE)))


def test_numbers_stay_numbers_with_their_unit() -> None:
    leaf = made(("East", Amount(3.44, 1, "ft")))["Blanket"]
    assert leaf["B2"].value == 3.44
    assert leaf["B2"].number_format == '0.0" ft"'


def test_nothing_written_becomes_a_formula() -> None:
    book = made(("=1+1", "@x"), ("+49", "\tx"), ("-1", "=HYPERLINK(0)"))
    cells = [cell for leaf in book for row in leaf.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} == {"s"}
    assert all(cell.quotePrefix for cell in cells)
    assert book["Blanket"]["A2"].value == "=1+1"


def test_a_title_no_leaf_may_have_is_made_one() -> None:
    assert (
        made(("a", "b"), title="Cores: east/west [all] and a very long title indeed")
        .sheetnames[1]
        .startswith("Cores  east")
    )


@settings(max_examples=8)
@given(st.lists(st.tuples(st.text(max_size=40), st.floats(-1e6, 1e6)), min_size=1, max_size=40))
def test_any_text_and_number_comes_back(rows: list[tuple[str, float]]) -> None:
    leaf = made(*((text, Amount(number, 2)) for text, number in rows))["Blanket"]
    for number, (_, value) in enumerate(rows, start=2):
        words, amount = leaf.cell(number, 1), leaf.cell(number, 2)
        assert words.data_type != "f"
        assert words.value is None or isinstance(words.value, str)
        assert amount.value == pytest.approx(value)
