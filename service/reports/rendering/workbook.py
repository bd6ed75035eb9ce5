"""Renders a report as a spreadsheet (Office Open XML): one sheet a table, numbers as numbers, text never as formulas.

References
----------
A cell of type string is never evaluated (ECMA-376 part 1, 18.18.11 ``ST_CellType``); ``quotePrefix`` keeps it a text when it
is edited or saved again. What is written as CSV is guarded elsewhere, after OWASP, "CSV injection".
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from io import BytesIO

from openpyxl import Workbook
from openpyxl.cell import Cell as LeafCell
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from service.reports.rendering.document import Amount, Cell, Document, Table, text_of

_BOLD = Font(bold=True)
#: Characters no leaf may have in its name (Excel's own rule), and how long it may be.
_NOT_IN_NAMES, _LONGEST_NAME = re.compile(r"[\\/*?:\[\]]"), 31
_LONGEST_TEXT = 32_767
_WIDEST = 60


def as_workbook(document: Document, *, made_at: datetime) -> bytes:
    """The report as the bytes of an .xlsx file."""
    book = Workbook()
    book.properties.creator = "Underweir"
    book.properties.title = ILLEGAL_CHARACTERS_RE.sub("", document.title)
    book.properties.created = book.properties.modified = made_at.astimezone(UTC).replace(tzinfo=None)
    first = book.worksheets[0]
    first.title = "Summary"
    _words(_place(first, 1, 1), f"{document.site}: {document.title}")
    _place(first, 1, 1).font = _BOLD
    for number, (name, value) in enumerate(document.facts, start=3):
        _words(_place(first, number, 1), name)
        _words(_place(first, number, 2), value)
    for number, remark in enumerate(document.remarks, start=len(document.facts) + 4):
        _words(_place(first, number, 1), remark)
    first.column_dimensions["A"].width, first.column_dimensions["B"].width = 24, _WIDEST
    for table in document.tables:
        _leaf(book.create_sheet(_NOT_IN_NAMES.sub(" ", table.title)[:_LONGEST_NAME]), table)
    held = BytesIO()
    book.save(held)
    return held.getvalue()


def _leaf(leaf: Worksheet, table: Table) -> None:
    for column, head in enumerate(table.heads, start=1):
        _words(_place(leaf, 1, column), head)
        _place(leaf, 1, column).font = _BOLD
        longest = max((len(text_of(row[column - 1])) for row in table.rows), default=0)
        leaf.column_dimensions[get_column_letter(column)].width = min(max(longest, len(head)) + 2, _WIDEST)
    for number, row in enumerate(table.rows, start=2):
        for column, cell in enumerate(row, start=1):
            _fill(_place(leaf, number, column), cell)
    if table.note:
        _words(_place(leaf, len(table.rows) + 3, 1), table.note)
    leaf.freeze_panes = "A2"


def _place(leaf: Worksheet, row: int, column: int) -> LeafCell:
    place = leaf.cell(row, column)
    assert isinstance(place, LeafCell)  # nothing is merged here
    return place


def _fill(place: LeafCell, cell: Cell) -> None:
    if isinstance(cell, Amount):
        digits = "0" if cell.digits == 0 else f"0.{'0' * cell.digits}"
        place.value = cell.value
        place.number_format = f'{digits}" {cell.unit}"' if cell.unit else digits
    else:
        _words(place, cell)


def _words(place: LeafCell, text: str) -> None:
    place.value = ILLEGAL_CHARACTERS_RE.sub("", text)[:_LONGEST_TEXT]
    place.data_type = "s"
    place.quotePrefix = True
    place.alignment = Alignment(wrap_text=len(text) > _WIDEST, vertical="top")
