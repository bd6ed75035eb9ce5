"""Renders a report as PDF."""

from __future__ import annotations

from datetime import datetime

from service.domain.plant.units import UnitSystem
from service.reports.rendering.document import Document, text_of
from service.reports.rendering.page import PrintedPage


def as_pdf(document: Document, *, units: UnitSystem, made_at: datetime) -> bytes:
    """The report on letter paper for sites in US units, on A4 otherwise."""
    sheet = PrintedPage(document.title, document.foot, paper="letter" if units == "us" else "a4", made_at=made_at)
    sheet.facts((("Plant", document.site), *document.facts))
    for table in document.tables:
        sheet.heading(table.title)
        if table.rows:
            rows = [[text_of(cell) for cell in row] for row in table.rows]
            sheet.rows(table.heads, rows, table.widths or None, ruled=table.ruled)
        if table.note:
            sheet.text_block(table.note)
    if document.remarks:
        sheet.ln(2)
    for remark in document.remarks:
        sheet.text_block(remark)
    if document.signatures:
        sheet.signatures(document.signatures)
    return sheet.content()
