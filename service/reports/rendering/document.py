"""Report model: facts and tables for any renderer. Numbers stay numbers for spreadsheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with the digits people read and its unit."""

    value: float
    digits: int = 0
    unit: str = ""

    @property
    def text(self) -> str:
        """As people read it.

        >>> Amount(2.04, 1, "ft").text, Amount(-0.01, 1, "ft").text, Amount(98.0, 0, "%").text
        ('2.0 ft', '0.0 ft', '98 %')
        """
        shown = f"{self.value:.{self.digits}f}"
        if float(shown) == 0.0:
            shown = f"{0.0:.{self.digits}f}"
        return f"{shown} {self.unit}".rstrip()


Cell = str | Amount


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under heads. ``widths`` are shares of the page; ``note`` stands below, or in the place of rows that are not there.

    A ruled table is written into by hand: every cell has its lines and room for a pen.
    """

    title: str
    heads: tuple[str, ...]
    rows: Sequence[tuple[Cell, ...]]
    widths: tuple[int, ...] = ()
    note: str = ""
    ruled: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole report."""

    title: str
    site: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[Table, ...]
    remarks: tuple[str, ...] = ()
    signatures: tuple[str, ...] = ()
    printed: str = ""

    @property
    def foot(self) -> str:
        """What stands at the foot of every page."""
        return f"{self.site} · {self.title} · printed {self.printed}"


def text_of(cell: Cell) -> str:
    """A cell as people read it."""
    return cell if isinstance(cell, str) else cell.text


def csv_safe(cell: Any) -> Any:
    """The cell, with an apostrophe before text that a spreadsheet would take for a formula.

    The leading apostrophe is what OWASP recommends against "CSV injection"; numbers stay numbers.

    >>> csv_safe("=1+1"), csv_safe("@SUM(A1)"), csv_safe(-1.5), csv_safe("fine")
    ("'=1+1", "'@SUM(A1)", -1.5, 'fine')
    """
    if isinstance(cell, str) and cell.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r", "\n", "|", "%")):
        return f"'{cell}"
    return cell
