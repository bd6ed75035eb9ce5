"""Which months of a table are in archive files only. Often asked, so it does not load the library that reads them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from service.storage.database.epoch import to_us
from service.storage.database.partitions import next_month
from service.storage.database.tables import PARTITIONED, ArchiveFile
from service.storage.trends.chart_series import Source
from service.storage.trends.rollup_plan import Span


def archived_spans(conn: Connection, source: Source) -> list[Span]:
    """The months of a table that are in files only, oldest first. [µs]"""
    months = conn.execute(
        select(ArchiveFile.month)
        .where(ArchiveFile.source == source, ArchiveFile.restored_at.is_(None))
        .distinct()
        .order_by(ArchiveFile.month)
    ).scalars()
    return [(to_us(month), to_us(next_month(month))) for month in months]


def rows_begin(conn: Connection) -> datetime | None:
    """From when on every table has its rows; None where nothing was ever moved to files."""
    newest: datetime | None = conn.execute(
        select(func.max(ArchiveFile.month)).where(
            ArchiveFile.restored_at.is_(None), ArchiveFile.source.in_(PARTITIONED)
        )
    ).scalar_one()
    return None if newest is None else next_month(newest)
