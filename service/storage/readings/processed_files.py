"""Processed files by content hash, so that the same content again changes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, select
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import FileLedger


@dataclass(frozen=True, slots=True)
class ProcessedFile:
    """When and under which name a content was first processed."""

    origin: str
    batch_id: int
    received_at: datetime


def record(
    conn: Connection,
    *,
    connector: str,
    content_hash: str,
    origin: str,
    size_bytes: int,
    batch_id: int,
    received_at: datetime,
) -> bool:
    """Record a content as processed; False when it was before.

    Waits while another transaction processes the same content, so that of two at once only one goes on.
    """
    statement = (
        insert(FileLedger)
        .values(
            connector=connector,
            content_hash=content_hash,
            origin=origin,
            size_bytes=size_bytes,
            batch_id=batch_id,
            received_at=received_at,
        )
        .on_conflict_do_nothing()
        .returning(FileLedger.content_hash)
    )
    # An INSERT's row count is not kept by SQLAlchemy; what it returns is certain.
    return conn.execute(statement).first() is not None


def find(conn: Connection, connector: str, content_hash: str) -> ProcessedFile | None:
    """Return where this content was first processed; None when it is new."""
    row = conn.execute(
        select(FileLedger.origin, FileLedger.batch_id, FileLedger.received_at).where(
            FileLedger.connector == connector, FileLedger.content_hash == content_hash
        )
    ).first()
    return None if row is None else ProcessedFile(row.origin, row.batch_id, row.received_at)
