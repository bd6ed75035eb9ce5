"""Batches: one transaction's worth of delivered data, and when it became known."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, insert, update

from service.storage.database.tables import Batch


def open_batch(conn: Connection, connector: str, origin: str, received_at: datetime) -> int:
    """Begin a batch and return its number; its rows become visible with the transaction."""
    statement = insert(Batch).values(connector=connector, origin=origin, received_at=received_at)
    return conn.execute(statement.returning(Batch.id)).scalar_one()


def close_batch(
    conn: Connection,
    batch_id: int,
    *,
    received_at: datetime,
    accepted: int,
    duplicate: int,
    revised: int,
    rejected: int,
) -> None:
    """Store the counts of a batch. *received_at* is moved to its end: its rows are visible only from then on."""
    conn.execute(
        update(Batch)
        .where(Batch.id == batch_id)
        .values(received_at=received_at, accepted=accepted, duplicate=duplicate, revised=revised, rejected=rejected)
    )
