"""The audit log: who changed what. Append-only; written in the transaction of the change where there is one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select

from service.storage.database.tables import AuditEvent


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditRecord:
    """One change."""

    id: int
    at: datetime
    actor: str
    action: str
    subject: str
    detail: Mapping[str, Any]
    address: str
    via: str


def record_change(
    conn: Connection,
    *,
    at: datetime,
    actor: str,
    action: str,
    subject: str,
    detail: Mapping[str, Any] | None = None,
    address: str = "",
    via: str = "",
) -> None:
    """Write one line; *via* is the interface it came through. Secrets never belong into *detail*."""
    conn.execute(
        insert(AuditEvent).values(
            at=at, actor=actor, action=action, subject=subject, detail=dict(detail or {}), address=address, via=via
        )
    )


def changes_since(conn: Connection, since: datetime, actions: Sequence[str]) -> list[AuditRecord]:
    """Changes of those kinds since a time, oldest first."""
    statement = select(*AuditEvent.__table__.c).where(AuditEvent.at >= since, AuditEvent.action.in_(actions))
    return [AuditRecord(**row._mapping) for row in conn.execute(statement.order_by(AuditEvent.id))]


def changes(conn: Connection, *, before: int | None = None, limit: int = 200) -> list[AuditRecord]:
    """Changes, newest first; *before* is the id to go on from."""
    statement = select(*AuditEvent.__table__.c).order_by(AuditEvent.id.desc()).limit(limit)
    if before is not None:
        statement = statement.where(AuditEvent.id < before)
    return [AuditRecord(**row._mapping) for row in conn.execute(statement)]
