"""The printed page."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from service.reports.rendering.page import PrintedPage


def test_signatures_are_never_divided_between_two_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    signed: list[int] = []

    def line(page: PrintedPage, *at: float) -> None:
        signed.append(page.page_no())

    monkeypatch.setattr(PrintedPage, "line", line)
    for lines in range(40, 56):
        page = PrintedPage("Invented", "", paper="letter", made_at=datetime(2026, 3, 1, tzinfo=UTC))
        for _ in range(lines):
            page.text_block("a line")
        signed.clear()
        page.signatures(("Technician", "Supervisor", "Date"))
        assert len(signed) == 3
        assert len(set(signed)) == 1, lines
        assert signed[0] == page.page_no(), "the names stand under their lines"
        page.content()  # closes its fonts
