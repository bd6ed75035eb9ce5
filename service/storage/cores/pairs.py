"""Pairs of a hand core and a sensor value, as the estimator made them: derived data, replaced from a time on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, delete, insert, select

from service.domain.blanket.pairing import Pair
from service.storage.database.tables import CorePair, SignalRow


def replace_pairs(
    conn: Connection,
    signal_ids: Mapping[str, int],
    start: datetime | None,
    pairs: Iterable[Pair],
    end: datetime | None = None,
) -> None:
    """Put *pairs* in the place of everything these signals (row number by tag) have at start ≤ time < end."""
    statement = delete(CorePair).where(CorePair.signal_id.in_(list(signal_ids.values())))
    if start is not None:
        statement = statement.where(CorePair.time >= start)
    if end is not None:
        statement = statement.where(CorePair.time < end)
    conn.execute(statement)
    rows = [
        {
            "signal_id": signal_ids[pair.tag],
            "time": pair.time,
            "core_id": pair.core,
            "pair": {name: value for name, value in asdict(pair).items() if name not in ("tag", "time", "core")},
        }
        for pair in pairs
    ]
    if rows:
        conn.execute(insert(CorePair), rows)


def pairs_of(
    conn: Connection, signal_ids: Sequence[int], start: datetime | None = None, end: datetime | None = None
) -> list[Pair]:
    """Pairs at start ≤ time < end, oldest first."""
    statement = (
        select(SignalRow.tag, CorePair.time, CorePair.core_id, CorePair.pair)
        .join(SignalRow, SignalRow.id == CorePair.signal_id)
        .where(CorePair.signal_id.in_(signal_ids))
        .order_by(CorePair.time, CorePair.core_id)
    )
    if start is not None:
        statement = statement.where(CorePair.time >= start)
    if end is not None:
        statement = statement.where(CorePair.time < end)
    return [_pair(row.tag, row.time, row.core_id, row.pair) for row in conn.execute(statement)]


def newest_pairs(conn: Connection, signal_id: int, limit: int) -> list[Pair]:
    """The newest pairs of one signal, oldest first."""
    statement = (
        select(SignalRow.tag, CorePair.time, CorePair.core_id, CorePair.pair)
        .join(SignalRow, SignalRow.id == CorePair.signal_id)
        .where(CorePair.signal_id == signal_id)
        .order_by(CorePair.time.desc(), CorePair.core_id.desc())
        .limit(limit)
    )
    return [_pair(row.tag, row.time, row.core_id, row.pair) for row in conn.execute(statement)][::-1]


def _pair(tag: str, time: datetime, core: UUID, values: Mapping[str, float]) -> Pair:
    return Pair(tag=tag, time=time, core=core, **values)
