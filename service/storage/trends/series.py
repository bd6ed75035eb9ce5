"""Chart data over long ranges: minimum and maximum per pixel, so that no spike is averaged away.

A year comes from rollups, and is exactly what the rows themselves would give: pixels end where buckets end, what the rollups
do not yet know of is read from the rows, and so are the stretch's two ragged ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, text

from service.errors import InputError
from service.storage.database.epoch import from_us, to_us
from service.storage.trends.archive_spans import archived_spans
from service.storage.trends.chart_series import CHART_SERIES, ChartSeries
from service.storage.trends.rollup_plan import LEVELS, Piece, grid, pieces
from service.storage.trends.rollups import due_spans


@dataclass(frozen=True, slots=True)
class Bucket:
    """One pixel; ``time`` is its beginning."""

    time: datetime
    low: float
    high: float
    last: float
    count: int


def buckets(conn: Connection, what: str, row_number: int, start: datetime, end: datetime, width: int) -> list[Bucket]:
    """At most *width* buckets of start ≤ time < end, oldest first; those without a number are left out.

    Parameters
    ----------
    what : reading, raw, corrected (of a signal), estimate or band (of a tank).
    row_number : of the signal or tank.
    width : how many pixels the picture is wide.

    Notes
    -----
    The buckets of one stretch and width are the same whatever is asked for, so that lines of one picture meet.
    """
    if end <= start:
        raise InputError("the end lies before the start")
    wanted = CHART_SERIES[what]
    pixels = grid(to_us(start), to_us(end), width)
    # Marks are read before the rollups: a span rolled up meanwhile is read from the rows, and right either way.
    due = [] if pixels.level is None else due_spans(conn, wanted.source, row_number)
    plan = pieces(to_us(start), to_us(end), pixels.level, due, archived_spans(conn, wanted.source))
    given: dict[str, Any] = {
        "id": row_number,
        "series": wanted.number,
        "step": timedelta(microseconds=pixels.step),
        "origin": from_us(pixels.origin),
    }
    parts: list[str] = []
    for number, (level, found) in enumerate(_sorted(plan)):
        parts.append(_rows(wanted, level, number, single=len(found) == 1))
        given |= _spans(found, number)
    statement = text(
        "SELECT date_bin(CAST(:step AS interval), greatest(time, :origin), :origin) AS bucket, min(low) AS low,"
        " max(high) AS high, (array_agg(last ORDER BY time DESC))[1] AS last, sum(readings)::bigint AS readings"
        f" FROM ({' UNION ALL '.join(parts)}) AS piece GROUP BY bucket ORDER BY bucket"
    )
    return [Bucket(*row) for row in conn.execute(statement, given).all()]


#: Few stretches of rows are asked for one by one, so that only the months they touch are planned for.
_FEW = 6


def _sorted(plan: list[Piece]) -> list[tuple[int | None, list[Piece]]]:
    """Group the pieces by level."""
    rows = [piece for piece in plan if piece.level is None]
    parts: list[tuple[int | None, list[Piece]]] = (
        [(None, [piece]) for piece in rows] if len(rows) <= _FEW else [(None, rows)]
    )
    for level in LEVELS:
        parts.append((level, [piece for piece in plan if piece.level == level]))
    return [(level, found) for level, found in parts if found]


def _rows(wanted: ChartSeries, level: int | None, number: int, *, single: bool) -> str:
    """Build the query that answers the pieces of one level."""
    if level is None:
        rows = (
            f"SELECT time, {wanted.low} AS low, {wanted.high} AS high, {wanted.last} AS last, 1 AS readings"
            f" FROM {wanted.source} WHERE {wanted.owner} = :id AND {wanted.included}"
        )
    else:
        rows = (
            "SELECT time, low, high, last, readings FROM rollup WHERE owner_id = :id AND series = :series"
            f" AND step = {level // 1_000_000}"
        )
    if single:
        return f"{rows} AND time >= :first{number} AND time < :until{number}"
    # OFFSET 0: a walk along the key for each piece.
    return (
        f"SELECT r.* FROM unnest(CAST(:first{number} AS timestamptz[]), CAST(:until{number} AS timestamptz[]))"
        f" AS p(first, until) CROSS JOIN LATERAL ({rows} AND time >= p.first AND time < p.until OFFSET 0) AS r"
    )


def _spans(found: list[Piece], number: int) -> dict[str, Any]:
    firsts, untils = [from_us(piece.first) for piece in found], [from_us(piece.until) for piece in found]
    if len(found) == 1:
        return {f"first{number}": firsts[0], f"until{number}": untils[0]}
    return {f"first{number}": firsts, f"until{number}": untils}
