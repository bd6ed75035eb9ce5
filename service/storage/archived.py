"""Which months' rows were moved to files, so that nobody takes their absence for news."""

from __future__ import annotations

from sqlalchemy import Connection, select

from service.storage.drawn import Source
from service.storage.moments import to_us
from service.storage.partitions import next_month
from service.storage.rollup_plan import Span
from service.storage.tables import ArchiveFile


def archived_spans(conn: Connection, source: Source) -> list[Span]:
    """The months of a table that are in files only, oldest first. [µs]"""
    months = conn.execute(
        select(ArchiveFile.month).where(ArchiveFile.source == source).distinct().order_by(ArchiveFile.month)
    ).scalars()
    return [(to_us(month), to_us(next_month(month))) for month in months]
