"""What is stored for single readings, looked up by key; and the lock under which a verdict on each stays true."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import Connection, text

from service.storage.database.epoch import from_us, to_us

#: Value, quality, reason.
StoredReading = tuple[float, int, int]

#: Any number of our own that nothing else uses as an advisory lock.
_PUSH_LOCK = 0x5F70_7573


def lock_pushes(conn: Connection) -> None:
    """Wait until no other batch that asked for this is under way; released with the transaction."""
    conn.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _PUSH_LOCK})


def stored_readings(
    conn: Connection, signal_ids: Sequence[int], times_us: Sequence[int]
) -> dict[tuple[int, int], StoredReading]:
    """What is stored under those keys; keys without a row are left out."""
    if not times_us:
        return {}
    times = [from_us(us) for us in times_us]
    rows = conn.execute(
        _LOOK_UP,
        {"signal_ids": list(signal_ids), "times": times, "earliest": min(times), "latest": max(times)},
    )
    return {(row.signal_id, to_us(row.time)): (row.value, row.quality, row.reason) for row in rows}


_LOOK_UP = text(
    "SELECT r.signal_id, r.time, r.value, r.quality, r.reason "
    "FROM unnest(CAST(:signal_ids AS integer[]), CAST(:times AS timestamptz[])) AS k(signal_id, time) "
    "CROSS JOIN LATERAL (SELECT * FROM reading r WHERE r.signal_id = k.signal_id AND r.time = k.time "
    "AND r.time BETWEEN :earliest AND :latest OFFSET 0) AS r"
)
