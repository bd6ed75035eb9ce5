"""Rounds: append-only; what is seen later is a later round."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, select
from sqlalchemy.dialects.postgresql import insert

from service.domain.cores.round import Round
from service.storage.database.tables import RoundRow, TankRow


def add_round(conn: Connection, tank_id: int, seen: Round, source: str) -> bool:
    """Store a round; False when one of this id is stored already."""
    row = insert(RoundRow).values(
        id=seen.id,
        tank_id=tank_id,
        taken_at=seen.taken_at,
        recorded_at=seen.recorded_at,
        words=list(seen.words),
        torque=seen.torque,
        taken_by=seen.taken_by,
        note=seen.note,
        source=source,
    )
    return conn.execute(row.on_conflict_do_nothing().returning(RoundRow.id)).first() is not None


def rounds_between(
    conn: Connection, tank_ids: Sequence[int], start: datetime, end: datetime, *, limit: int = 500
) -> list[Round]:
    """Rounds at start ≤ time < end, the newest of them, oldest first."""
    rows = conn.execute(
        select(RoundRow.__table__, TankRow.key.label("tank_key"))
        .join(TankRow, TankRow.id == RoundRow.tank_id)
        .where(RoundRow.tank_id.in_(tank_ids), RoundRow.taken_at >= start, RoundRow.taken_at < end)
        .order_by(RoundRow.taken_at.desc(), RoundRow.id)
        .limit(limit)
    ).all()
    return [
        Round(
            id=row.id,
            tank=row.tank_key,
            taken_at=row.taken_at,
            recorded_at=row.recorded_at,
            words=tuple(row.words),
            torque=row.torque,
            taken_by=row.taken_by,
            note=row.note,
        )
        for row in reversed(rows)
    ]
