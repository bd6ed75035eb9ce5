"""Renders a report as plain text for a terminal."""

from __future__ import annotations

from service.reports.rendering.document import Document, Table, text_of


def as_text(document: Document) -> str:
    """The report as lines of text."""
    lines = [f"{document.site}: {document.title}", ""]
    wide = max((len(name) for name, _ in document.facts), default=0)
    lines += [f"{name.ljust(wide)}  {value}" for name, value in document.facts]
    for table in document.tables:
        lines += ["", table.title.upper(), *_table(table)]
    lines += ["", *document.remarks] if document.remarks else []
    return "\n".join(lines) + "\n"


def _table(table: Table) -> list[str]:
    lines = []
    if table.rows:
        rows = [table.heads, *(tuple(text_of(cell) for cell in row) for row in table.rows)]
        widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
        lines = ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [*lines, table.note] if table.note else lines
