"""Read stored readings: between two times, the latest, by key, and as they were known at an earlier time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any, LiteralString

import numpy as np
from sqlalchemy import Connection, text

from service.storage.database.binary_copy import copy_out
from service.storage.database.epoch import from_us, to_us
from service.storage.readings.columns import ReadingColumns

#: Rows per chunk of the streaming readers.
CHUNK_ROWS = 100_000
#: Value, quality, reason.
StoredReading = tuple[float, int, int]

#: Key of the advisory lock, unique in this program.
_PUSH_LOCK = 0x5F70_7573


def stream_between(
    conn: Connection,
    signal_ids: Sequence[int],
    start: datetime | None = None,
    end: datetime | None = None,
    *,
    known_at: datetime | None = None,
    chunk_rows: int = CHUNK_ROWS,
) -> Iterator[ReadingColumns]:
    """Readings of some signals with start ≤ time < end, in the order of time (then signal), chunk by chunk.

    Parameters
    ----------
    start, end : None leaves that side open.
    known_at : only what had been received by then, with the values it had then; None for today's knowledge.

    Notes
    -----
    The connection is busy until the last chunk is taken.
    """
    params = {
        "signal_ids": list(signal_ids),
        "start": start or "-infinity",
        "end": end or "infinity",
        "known_at": known_at,
    }
    query = _BETWEEN if known_at is None else _BETWEEN_AS_KNOWN
    for columns in copy_out(conn, query, params, _COLUMNS, chunk_rows):
        yield ReadingColumns(
            columns["signal_id"], columns["time"], columns["value"], columns["quality"], columns["reason"]
        )


def readings_between(
    conn: Connection,
    signal_ids: Sequence[int],
    start: datetime | None = None,
    end: datetime | None = None,
    *,
    known_at: datetime | None = None,
) -> ReadingColumns:
    """Return :func:`stream_between` as one."""
    return ReadingColumns.concatenate(list(stream_between(conn, signal_ids, start, end, known_at=known_at)))


def latest_readings(conn: Connection, signal_ids: Sequence[int], until: datetime | None = None) -> ReadingColumns:
    """The newest reading of each signal that has any at *until* or before, good or bad, in the order of signal numbers."""
    rows = conn.execute(_LATEST, {"signal_ids": sorted(set(signal_ids)), "until": until}).all()
    return ReadingColumns(
        np.array([row.signal_id for row in rows], dtype=np.int32),
        np.array([to_us(row.time) for row in rows], dtype=np.int64),
        np.array([row.value for row in rows], dtype=np.float64),
        np.array([row.quality for row in rows], dtype=np.int16),
        np.array([row.reason for row in rows], dtype=np.int16),
    )


def earliest_time(conn: Connection, signal_ids: Sequence[int]) -> datetime | None:
    """The time of the oldest reading of any of these signals; None when there is none."""
    found: datetime | None = conn.execute(_EARLIEST, {"signal_ids": list(signal_ids)}).scalar_one()
    return found


def count_between(
    conn: Connection, signal_ids: Sequence[int], start: datetime | None, end: datetime | None, most: int
) -> int:
    """How many readings there are at start ≤ time < end, counted no further than *most* + 1."""
    given = {
        "signal_ids": list(signal_ids),
        "start": start or "-infinity",
        "end": end or "infinity",
        "most": most + 1,
    }
    return int(conn.execute(_COUNT, given).scalar_one())


def latest_times(conn: Connection, signal_ids: Sequence[int]) -> list[datetime]:
    """The time of the newest reading of each of these signals that has any."""
    return [from_us(us) for us in latest_readings(conn, signal_ids).time_us.tolist()]


def lock_pushes(conn: Connection) -> None:
    """Lock pushed batches against each other until the transaction ends, so that the verdicts on their rows stay true."""
    conn.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _PUSH_LOCK})


def stored_readings(
    conn: Connection, signal_ids: Sequence[int], times_us: Sequence[int]
) -> dict[tuple[int, int], StoredReading]:
    """Look up readings by key; keys without a row are left out."""
    if not times_us:
        return {}
    times = [from_us(us) for us in times_us]
    rows = conn.execute(
        _LOOK_UP,
        {"signal_ids": list(signal_ids), "times": times, "earliest": min(times), "latest": max(times)},
    )
    return {(row.signal_id, to_us(row.time)): (row.value, row.quality, row.reason) for row in rows}


_COLUMNS: dict[str, np.dtype[Any]] = {
    "signal_id": np.dtype(np.int32),
    "time": np.dtype(np.int64),
    "value": np.dtype(np.float64),
    "quality": np.dtype(np.int16),
    "reason": np.dtype(np.int16),
}

_BETWEEN: LiteralString = (
    "SELECT signal_id, time, value, quality, reason FROM reading "
    "WHERE signal_id = ANY(%(signal_ids)s) AND time >= %(start)s AND time < %(end)s ORDER BY time, signal_id"
)

#: A value stands from the moment its batch was received until the batch that replaced it was received. Should clocks of
#: two services have disagreed so that two values stand at once, the one received last counts.
_BETWEEN_AS_KNOWN: LiteralString = (
    "SELECT signal_id, time, value, quality, reason FROM ("
    "SELECT DISTINCT ON (time, signal_id) signal_id, time, value, quality, reason FROM ("
    "SELECT r.signal_id, r.time, r.value, r.quality, r.reason, b.received_at, b.id "
    "FROM reading r JOIN batch b ON b.id = r.batch_id "
    "WHERE r.signal_id = ANY(%(signal_ids)s) AND r.time >= %(start)s AND r.time < %(end)s "
    "AND b.received_at <= %(known_at)s "
    "UNION ALL "
    "SELECT v.signal_id, v.time, v.value, v.quality, v.reason, b.received_at, b.id "
    "FROM reading_revision v JOIN batch b ON b.id = v.batch_id JOIN batch n ON n.id = v.replaced_by_batch_id "
    "WHERE v.signal_id = ANY(%(signal_ids)s) AND v.time >= %(start)s AND v.time < %(end)s "
    "AND b.received_at <= %(known_at)s AND n.received_at > %(known_at)s"
    ") AS version ORDER BY time, signal_id, received_at DESC, id DESC) AS known ORDER BY time, signal_id"
)

_LATEST = text(
    "SELECT r.* FROM unnest(CAST(:signal_ids AS integer[])) AS s(id) CROSS JOIN LATERAL ("
    "SELECT signal_id, time, value, quality, reason FROM reading WHERE signal_id = s.id "
    "AND time <= coalesce(CAST(:until AS timestamptz), 'infinity') ORDER BY time DESC LIMIT 1"
    ") AS r ORDER BY r.signal_id"
)

_COUNT = text(
    "SELECT count(*) FROM (SELECT FROM unnest(CAST(:signal_ids AS integer[])) AS s(id) CROSS JOIN LATERAL ("
    "SELECT FROM reading WHERE signal_id = s.id AND time >= CAST(:start AS timestamptz) "
    "AND time < CAST(:end AS timestamptz) ORDER BY time LIMIT :most) AS r LIMIT :most) AS counted"
)

_EARLIEST = text(
    "SELECT min(r.time) FROM unnest(CAST(:signal_ids AS integer[])) AS s(id) CROSS JOIN LATERAL ("
    "SELECT time FROM reading WHERE signal_id = s.id ORDER BY time LIMIT 1) AS r"
)

_LOOK_UP = text(
    "SELECT r.signal_id, r.time, r.value, r.quality, r.reason "
    "FROM unnest(CAST(:signal_ids AS integer[]), CAST(:times AS timestamptz[])) AS k(signal_id, time) "
    "CROSS JOIN LATERAL (SELECT * FROM reading r WHERE r.signal_id = k.signal_id AND r.time = k.time "
    "AND r.time BETWEEN :earliest AND :latest OFFSET 0) AS r"
)
