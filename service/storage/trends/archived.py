"""The archive: which months are in which files, and moving rows between tables and files in one transaction."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import pyarrow as pa
from psycopg.types.json import Jsonb
from sqlalchemy import Connection, func, insert, select, text, update

from service.storage.database.binary_copy import copy_in_statement
from service.storage.database.partitions import ensure_months, next_month, partition_name, partitions
from service.storage.database.session import psycopg_connection
from service.storage.database.tables import PARTITIONED, ArchiveFile
from service.storage.trends.archive_files import SCHEMAS, Content, Kept
from service.storage.trends.chart_series import Source

#: Rows in memory at once.
CHUNK_ROWS = 200_000
#: Key of the advisory lock, unique in this program.
_MOVING = 0x6172_6368


@dataclass(frozen=True, slots=True)
class Archived:
    """One file of the archive."""

    source: Kept
    month: datetime
    part: int
    name: str
    content: Content
    archived_at: datetime
    restored_at: datetime | None


def lock_batch_moves(conn: Connection, *, wait: bool = True) -> bool:
    """Take the lock on moving batches until the transaction ends; without *wait*, False when another has it."""
    if wait:
        conn.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _MOVING})
        return True
    return bool(conn.execute(text("SELECT pg_try_advisory_xact_lock(:key)"), {"key": _MOVING}).scalar_one())


def archive_files(conn: Connection, month: datetime | None = None) -> list[Archived]:
    """Every file, or those of a month, oldest month first."""
    statement = select(ArchiveFile.__table__).order_by(ArchiveFile.month, ArchiveFile.source, ArchiveFile.part)
    if month is not None:
        statement = statement.where(ArchiveFile.month == month)
    return [
        Archived(
            row.source,
            row.month,
            row.part,
            row.name,
            Content(row.row_count, row.checksum),
            row.archived_at,
            row.restored_at,
        )
        for row in conn.execute(statement)
    ]


def lock_month(conn: Connection, source: Source, month: datetime) -> bool:
    """Keep writers out of a month until the transaction ends; False when it has no partition, or is not rolled up yet.

    Whoever writes to it meanwhile waits, and is turned away with advice to try again when it takes too long.
    """
    partition = partition_name(source, month)
    if partition not in partitions(conn, source):
        return False
    conn.execute(text("SET LOCAL lock_timeout = '5s'"))
    conn.execute(text(f"LOCK TABLE {partition} IN SHARE MODE"))
    due = conn.execute(_DUE, {"source": source, "first": month, "until": next_month(month)}).scalar_one()
    return not due


def rows_of_month(conn: Connection, source: Source, month: datetime) -> Iterator[pa.Table]:
    """Yield every row of a month by day, within a day in the order of the key."""
    day = month
    while day < next_month(month):
        given = {"first": day, "until": day + timedelta(days=1)}
        yield from rows(conn, source, f"{partition_name(source, month)} WHERE time >= :first AND time < :until", given)
        day += timedelta(days=1)


def rows(conn: Connection, source: Kept, where: str, given: Mapping[str, Any]) -> Iterator[pa.Table]:
    """Yield the rows of a statement, given from its FROM on, in the order of the key."""
    schema = SCHEMAS[source]
    cells = [f"CAST({name} AS text)" if name in _JSON else name for name in schema.names]
    statement = text(f"SELECT {', '.join(cells)} FROM {where} ORDER BY 1, 2")
    for part in conn.execute(statement, given, execution_options={"yield_per": CHUNK_ROWS}).partitions():
        columns = zip(*part, strict=True)
        yield pa.Table.from_arrays(
            [pa.array(column, type=field.type) for column, field in zip(columns, schema, strict=True)], schema=schema
        )


def next_part(conn: Connection, source: Kept, month: datetime) -> int:
    """The number of the next file of a month: rows that came after it was archived go into further ones."""
    newest: int | None = conn.execute(
        select(func.max(ArchiveFile.part)).where(ArchiveFile.source == source, ArchiveFile.month == month)
    ).scalar_one()
    return 1 if newest is None else newest + 1


def record_file(conn: Connection, file: Archived) -> None:
    """Add a file to the archive's index."""
    conn.execute(
        insert(ArchiveFile).values(
            source=file.source,
            month=file.month,
            part=file.part,
            name=file.name,
            row_count=file.content.rows,
            checksum=file.content.checksum,
            archived_at=file.archived_at,
            restored_at=file.restored_at,
        )
    )


def restore_rows(conn: Connection, file: Archived, parts: Iterator[pa.Table]) -> int:
    """Insert rows of a file into their table; existing rows are newer and stay. Returns how many were inserted."""
    if file.source in PARTITIONED:
        ensure_months(conn, file.source, file.month, file.month)
    names = SCHEMAS[file.source].names
    conn.execute(text("DROP TABLE IF EXISTS archive_stage"))
    conn.execute(text(f"CREATE TEMPORARY TABLE archive_stage (LIKE {file.source}) ON COMMIT DROP"))
    copying = copy_in_statement("archive_stage", names)
    back = 0
    for part in parts:
        with psycopg_connection(conn).cursor() as cursor, cursor.copy(copying) as copy:
            copy.set_types(_TYPES[file.source])
            for row in zip(*(_cells(name, part[name]) for name in names), strict=True):
                copy.write_row(row)
        columns = ", ".join(names)
        back += conn.execute(
            text(f"INSERT INTO {file.source} ({columns}) SELECT {columns} FROM archive_stage ON CONFLICT DO NOTHING")
        ).rowcount
        conn.execute(text("TRUNCATE archive_stage"))
    return back


def mark_restored(conn: Connection, file: Archived, now: datetime) -> None:
    """Record that all rows of a file are in their table again."""
    conn.execute(
        update(ArchiveFile)
        .where(ArchiveFile.source == file.source, ArchiveFile.month == file.month, ArchiveFile.part == file.part)
        .values(restored_at=now)
    )


def owners_of_month(conn: Connection, source: Source, month: datetime) -> list[int]:
    """The signals or tanks that have rows in a month."""
    owner = SCHEMAS[source].names[0]
    return list(
        conn.execute(text(f"SELECT DISTINCT {owner} FROM {partition_name(source, month)} ORDER BY 1")).scalars()
    )


def _cells(name: str, column: pa.ChunkedArray) -> list[Any]:
    found: list[Any] = column.to_pylist()
    return [Jsonb(json.loads(cell)) for cell in found] if name in _JSON else found


#: Columns that are JSON in the database and its text in a file.
_JSON = ("detail", "payload")
_TYPES: dict[Kept, tuple[str, ...]] = {
    "reading": ("int4", "timestamptz", "float8", "int8", "int2", "int2"),
    "assessment": ("int4", "timestamptz", "float8", "float8", "int2"),
    "estimate": ("int4", "timestamptz", "float8", "float8", "float8", "text", "text", "float8[]"),
    "batch": ("int8", "timestamptz", "text", "text", *("int4",) * 4),
    "alarm_event": ("int8", "int4", "timestamptz", "timestamptz", *("text",) * 5, "jsonb"),
    "outbox": (
        *("int8", "text", "int8", "text", "text", "jsonb", "text", "int4"),
        *("timestamptz",) * 4,
        *("text", "timestamptz"),
    ),
    "delivery_attempt": ("int8", "int8", "timestamptz", "text", "text", "text"),
}
_DUE = text("SELECT EXISTS (SELECT FROM rollup_due WHERE source = :source AND first < :until AND last >= :first)")
