"""Printable page: headings, facts, tables and pictures in one plain style."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from io import BytesIO
from pathlib import Path

import matplotlib
from fpdf import FPDF
from fpdf.enums import XPos, YPos
from matplotlib.figure import Figure

_FONTS = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
_QUIET = (110, 116, 120)


class PrintedPage(FPDF):
    """A4 (or letter, for sites in US units) with a foot that says what, where and when."""

    def __init__(self, title: str, foot: str, *, paper: str, made_at: datetime) -> None:
        super().__init__(format=paper)
        self._foot = foot
        # The DejaVu fonts come with matplotlib; PDF's own fonts know neither ± nor most people's names.
        self.add_font("body", "", str(_FONTS / "DejaVuSans.ttf"))
        self.add_font("body", "B", str(_FONTS / "DejaVuSans-Bold.ttf"))
        self.set_auto_page_break(True, margin=18)
        self.set_title(title)
        self.set_creator("Underweir")
        self.set_creation_date(made_at)
        self.add_page()
        self.set_font("body", "B", 16)
        self._line(title, 9)
        self.ln(2)

    def footer(self) -> None:
        """Called by fpdf2 at the end of each page."""
        self.set_y(-14)
        self.set_font("body", "", 7)
        self.set_text_color(*_QUIET)
        self.cell(0, 5, f"{self._foot} · page {self.page_no()}")
        self.set_text_color(0)

    def heading(self, text: str) -> None:
        """Begin a part."""
        self.ln(2)
        self.set_font("body", "B", 10)
        self._line(text, 6)
        self.ln(0.5)

    def facts(self, rows: Sequence[tuple[str, str]]) -> None:
        """What is said of each thing, a line each."""
        for name, value in rows:
            self.set_font("body", "", 9)
            self.set_text_color(*_QUIET)
            self.cell(48, 5.2, name)
            self.set_text_color(0)
            self.multi_cell(0, 5.2, value, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def rows(
        self,
        heads: Sequence[str],
        rows: Sequence[Sequence[str]],
        widths: Sequence[int] | None = None,
        *,
        ruled: bool = False,
    ) -> None:
        """A table, its columns as wide as *widths* says (shares of the page), or equally wide; *ruled* for writing into."""
        self.set_font("body", "", 8)
        with self.table(
            borders_layout="ALL" if ruled else "HORIZONTAL_LINES",
            line_height=4.2,
            padding=(1.8, 0.8) if ruled else 0.5,
            col_widths=None if widths is None else tuple(widths),
            text_align="LEFT",
        ) as table:
            for cells in (heads, *rows):
                line = table.row()
                for cell in cells:
                    # A cell without a character has no height.
                    line.cell(cell or "\u00a0")

    def picture(self, figure: Figure) -> None:
        """A picture as wide as the page."""
        held = BytesIO()
        figure.savefig(held, format="png", dpi=160)
        held.seek(0)
        self.image(held, w=self.epw)

    def text_block(self, text: str) -> None:
        """A paragraph."""
        self.set_font("body", "", 8.5)
        self.multi_cell(0, 4.6, text, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def signatures(self, who: Sequence[str]) -> None:
        """Lines to sign on, never divided between two pages."""
        if self.will_page_break(20):
            self.add_page()
        self.ln(14)
        width = self.epw / len(who)
        self.set_font("body", "", 8)
        for name in who:
            x, y = self.get_x(), self.get_y()
            self.line(x, y, x + width - 12, y)
            self.cell(width, 6, name)
        self.ln(6)

    def content(self) -> bytes:
        """The finished document."""
        return bytes(self.output())

    def _line(self, text: str, height: float) -> None:
        self.cell(0, height, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
