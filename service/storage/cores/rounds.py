"""Rounds: append-only rows; a correction or withdrawal is a new row that supersedes an older one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, Select, func, select
from sqlalchemy.dialects.postgresql import insert

from service.domain.cores.round import Round
from service.errors import InputError
from service.storage.database.tables import RoundRow, TankRow
from service.storage.database.versions import in_force, supersede, versions_of

_IN_FORCE = in_force(RoundRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundRecord:
    """A round as stored: what was seen, where it came from and what it corrects."""

    seen: Round
    tank_id: int
    source: str
    supersedes: UUID | None = None
    withdrawn: bool = False
    correction_reason: str = ""


def add_round(conn: Connection, record: RoundRecord) -> bool:
    """Store a round; False when one of this id is stored already."""
    row = insert(RoundRow).values(**_values(record))
    return conn.execute(row.on_conflict_do_nothing().returning(RoundRow.id)).first() is not None


def correct_round(
    conn: Connection, supersedes: UUID, record: RoundRecord, reason: str, *, withdrawn: bool = False
) -> bool:
    """Put *record* in the place of a round; False when this very correction is stored already.

    Raises
    ------
    InputError
        there is no such round, it was corrected or withdrawn before, or the reason is missing.
    """
    old = supersede(conn, RoundRow, supersedes, _values(record), reason, withdrawn=withdrawn, what="round")
    return old is not None


def withdraw_round(conn: Connection, supersedes: UUID, *, id: UUID, at: datetime, reason: str, by: str) -> bool:
    """Take a round back: it counts no longer, but stays in the history; False when done already by this id."""
    old = find_round(conn, supersedes)
    if old is None:
        raise InputError(f"there is no round {supersedes}")
    taken_back = replace(old, seen=replace(old.seen, id=id, recorded_at=at, taken_by=by))
    return correct_round(conn, supersedes, taken_back, reason, withdrawn=True)


def find_round(conn: Connection, round_id: UUID) -> RoundRecord | None:
    """The stored version of that id, in force or not."""
    row = conn.execute(_records().where(RoundRow.id == round_id)).first()
    return None if row is None else _record(row)


def round_history(conn: Connection, round_id: UUID) -> list[RoundRecord]:
    """Every version of one round, first to last, whichever version's id is given; empty when there is none."""
    chain = versions_of(RoundRow, round_id)
    rows = conn.execute(_records().join(chain, chain.c.id == RoundRow.id).order_by(chain.c.step))
    return [_record(row) for row in rows]


def rounds_between(
    conn: Connection, tank_ids: Sequence[int], start: datetime, end: datetime, *, limit: int | None = 500
) -> list[RoundRecord]:
    """Rounds in force at start ≤ time < end, the newest of them, oldest first."""
    rows = conn.execute(
        _records()
        .where(RoundRow.tank_id.in_(tank_ids), RoundRow.taken_at >= start, RoundRow.taken_at < end, _IN_FORCE)
        .order_by(RoundRow.taken_at.desc(), RoundRow.id)
        .limit(limit)
    ).all()
    return [_record(row) for row in reversed(rows)]


def rounds_span(conn: Connection) -> tuple[datetime, datetime] | None:
    """Times of the first and the last round; None without any."""
    first, last = conn.execute(select(func.min(RoundRow.taken_at), func.max(RoundRow.taken_at))).one()
    return None if first is None else (first, last)


def _values(record: RoundRecord) -> dict[str, Any]:
    seen = record.seen
    return {
        "id": seen.id,
        "tank_id": record.tank_id,
        "taken_at": seen.taken_at,
        "recorded_at": seen.recorded_at,
        "words": list(seen.words),
        "torque": seen.torque,
        "taken_by": seen.taken_by,
        "note": seen.note,
        "source": record.source,
    }


def _records() -> Select[Any]:
    return select(RoundRow.__table__, TankRow.key.label("tank_key")).join(TankRow, TankRow.id == RoundRow.tank_id)


def _record(row: Row[Any]) -> RoundRecord:
    return RoundRecord(
        seen=Round(
            id=row.id,
            tank=row.tank_key,
            taken_at=row.taken_at,
            recorded_at=row.recorded_at,
            words=tuple(row.words),
            torque=row.torque,
            taken_by=row.taken_by,
            note=row.note,
        ),
        tank_id=row.tank_id,
        source=row.source,
        supersedes=row.supersedes,
        withdrawn=row.withdrawn,
        correction_reason=row.correction_reason,
    )
