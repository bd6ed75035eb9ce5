"""What waits in the outbox, as tests look at it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection, func, select

from service.storage.calls.outbox import WAITING
from service.storage.database.tables import OutboxRow


def next_due(conn: Connection) -> datetime | None:
    """Return when the next message is due, claims included; None when nothing waits."""
    due = func.greatest(OutboxRow.next_attempt_at, OutboxRow.claimed_until)
    found: datetime | None = conn.execute(select(func.min(due)).where(OutboxRow.status == WAITING)).scalar_one()
    return found
