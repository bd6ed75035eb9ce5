"""Checkpoints of the estimator's state, from which a recomputation starts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, delete, select, text
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import EstimatorCheckpoint

#: Checkpoints younger than this are kept one an hour, older ones one a day.
HOURLY_FOR = timedelta(days=2)
#: So many are kept behind the newest within its hour: sources of one tank deliver the same minute in batches of their own.
KEPT_BEHIND = 3


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The state after every event up to ``time``, that time included."""

    time: datetime
    state: Mapping[str, Any]


def save_checkpoint(conn: Connection, tank_id: int, time: datetime, state: Mapping[str, Any]) -> None:
    """Store the state after every event up to *time*, replacing another of that time."""
    statement = insert(EstimatorCheckpoint).values(tank_id=tank_id, time=time, state=dict(state))
    conn.execute(
        statement.on_conflict_do_update(
            index_elements=[EstimatorCheckpoint.tank_id, EstimatorCheckpoint.time], set_={"state": dict(state)}
        )
    )


def drop_earlier_in_hour(conn: Connection, tank_id: int, time: datetime) -> None:
    """Delete the checkpoints of the same hour before *time* but the newest few.

    Live running leaves a few an hour, not one a reading; a source that is a poll behind the others continues from one of them.
    """
    hour = time.replace(minute=0, second=0, microsecond=0)
    earlier = (
        EstimatorCheckpoint.tank_id == tank_id,
        EstimatorCheckpoint.time >= hour,
        EstimatorCheckpoint.time < time,
    )
    kept = select(EstimatorCheckpoint.time).where(*earlier).order_by(EstimatorCheckpoint.time.desc()).limit(KEPT_BEHIND)
    conn.execute(delete(EstimatorCheckpoint).where(*earlier, EstimatorCheckpoint.time.not_in(kept)))


def checkpoint_before(conn: Connection, tank_id: int, time: datetime) -> Checkpoint | None:
    """The newest checkpoint earlier than *time*: it has seen nothing of what changed at *time* or after."""
    return _newest(conn, tank_id, EstimatorCheckpoint.time < time)


def checkpoint_at(conn: Connection, tank_id: int, time: datetime) -> Checkpoint | None:
    """The newest checkpoint at *time* or before."""
    return _newest(conn, tank_id, EstimatorCheckpoint.time <= time)


def latest_checkpoint(conn: Connection, tank_id: int) -> Checkpoint | None:
    """The newest checkpoint of all: where live running goes on."""
    return _newest(conn, tank_id)


def checkpoint_after(conn: Connection, tank_id: int, time: datetime) -> Checkpoint | None:
    """The oldest checkpoint later than *time*."""
    return _first(conn, tank_id, EstimatorCheckpoint.time.asc(), EstimatorCheckpoint.time > time)


def drop_checkpoints(conn: Connection, tank_id: int, start: datetime, end: datetime | None = None) -> int:
    """Delete the checkpoints at start ≤ time < end, which have seen data that changed; returns how many."""
    statement = delete(EstimatorCheckpoint).where(
        EstimatorCheckpoint.tank_id == tank_id, EstimatorCheckpoint.time >= start
    )
    if end is not None:
        statement = statement.where(EstimatorCheckpoint.time < end)
    return conn.execute(statement).rowcount


def thin_checkpoints(conn: Connection, now: datetime) -> int:
    """Keep, per tank, the newest checkpoint of every hour of the last two days and of every day before; returns how many went.

    The newest checkpoint of a tank is always kept, however old.
    """
    return conn.execute(_THIN, {"now": now, "hourly_since": now - HOURLY_FOR}).rowcount


def _newest(conn: Connection, tank_id: int, *conditions: Any) -> Checkpoint | None:
    return _first(conn, tank_id, EstimatorCheckpoint.time.desc(), *conditions)


def _first(conn: Connection, tank_id: int, order: Any, *conditions: Any) -> Checkpoint | None:
    row = conn.execute(
        select(EstimatorCheckpoint.time, EstimatorCheckpoint.state)
        .where(EstimatorCheckpoint.tank_id == tank_id, *conditions)
        .order_by(order)
        .limit(1)
    ).first()
    return None if row is None else Checkpoint(row.time, row.state)


_THIN = text(
    "DELETE FROM estimator_checkpoint c USING ("
    "SELECT tank_id, time, row_number() OVER ("
    "PARTITION BY tank_id, CASE WHEN time >= :hourly_since THEN date_trunc('hour', time, 'UTC') "
    "ELSE date_trunc('day', time, 'UTC') END, time >= :hourly_since ORDER BY time DESC) AS place "
    "FROM estimator_checkpoint WHERE time <= :now) AS ranked "
    "WHERE c.tank_id = ranked.tank_id AND c.time = ranked.time AND ranked.place > 1"
)
