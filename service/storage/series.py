"""Long stretches for pictures: least and greatest value per pixel, so that no spike is ever averaged away."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, text

from service.errors import InputError


@dataclass(frozen=True, slots=True)
class Bucket:
    """What happened within one pixel: the times are of its beginning."""

    time: datetime
    low: float
    high: float
    last: float
    count: int


#: What can be drawn: table, its key, and the expressions for least, greatest and last value. Fixed words, never given by
#: anybody outside.
_DRAWN = {
    "reading": ("reading", "signal_id", "value", "value", "value"),
    "raw": ("assessment", "signal_id", "height", "height", "height"),
    "corrected": ("assessment", "signal_id", "corrected", "corrected", "corrected"),
    "estimate": ("estimate", "tank_id", "height", "height", "height"),
    "band": ("estimate", "tank_id", "height - 1.96 * sd", "height + 1.96 * sd", "height"),
}


def buckets(conn: Connection, what: str, row_number: int, start: datetime, end: datetime, width: int) -> list[Bucket]:
    """At most *width* buckets of start ≤ time < end, oldest first; those without a number are left out.

    Parameters
    ----------
    what : reading, raw, corrected (of a signal), estimate or band (of a tank).
    row_number : of the signal or tank.
    width : how many pixels the picture is wide.
    """
    if end <= start:
        raise InputError("the end lies before the start")
    table, key, low, high, last = _DRAWN[what]
    step = max((end - start) / max(width, 1), timedelta(milliseconds=1))
    statement = text(
        f"SELECT date_bin(CAST(:step AS interval), time, :start) AS bucket, min({low}) AS low, max({high}) AS high, "
        f"(array_agg({last} ORDER BY time DESC))[1] AS last, count(*) AS readings FROM {table} "
        f"WHERE {key} = :id AND time >= :start AND time < :end AND {last} <> 'NaN' "
        "GROUP BY bucket ORDER BY bucket"
    )
    rows = conn.execute(statement, {"step": step, "start": start, "end": end, "id": row_number})
    return [Bucket(row.bucket, row.low, row.high, row.last, row.readings) for row in rows]
