"""Estimates and assessments: derived data, replaced from a time on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, Table, delete, func, select, text

from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, Trust
from service.domain.blanket.mixture import Part
from service.domain.plant.reading import ReadingReason
from service.storage.database.binary_copy import copy_in_statement
from service.storage.database.partitions import ensure_months
from service.storage.database.session import psycopg_connection
from service.storage.database.tables import AssessmentRow, EstimateRow, SignalRow, TankRow
from service.storage.trends.rollups import mark_due

#: Signal or tank, first and last time.
_Span = tuple[int, datetime, datetime]


def replace_estimates(
    conn: Connection, tank_id: int, start: datetime | None, estimates: Sequence[Estimate], end: datetime | None = None
) -> None:
    """Put *estimates* in the place of everything the tank has at start ≤ time < end; None leaves that side open."""
    rows = [
        (tank_id, e.time, e.height, e.sd, e.rate, e.trust.value, e.reason.value, flat_stories(e))
        for e in sorted(estimates, key=lambda e: e.time)
    ]
    gone = _clear(conn, EstimateRow.__table__, "tank_id", [tank_id], start, end)  # type: ignore[arg-type]
    _append(
        conn,
        "estimate",
        ("tank_id", "time", "height", "sd", "rate", "trust", "reason", "stories"),
        ("int4", "timestamptz", "float8", "float8", "float8", "text", "text", "float8[]"),
        rows,
    )
    mark_due(conn, "estimate", _changed(gone, rows))


def replace_assessments(
    conn: Connection,
    signal_ids: dict[str, int],
    start: datetime | None,
    assessments: Iterable[Assessment],
    end: datetime | None = None,
) -> None:
    """Put *assessments* in the place of everything these signals (row number by tag) have at start ≤ time < end."""
    gone = _clear(conn, AssessmentRow.__table__, "signal_id", list(signal_ids.values()), start, end)  # type: ignore[arg-type]
    rows = [(signal_ids[a.tag], a.time, a.height, a.corrected, int(a.verdict)) for a in assessments]
    rows.sort(key=lambda row: row[:2])
    _append(
        conn,
        "assessment",
        ("signal_id", "time", "height", "corrected", "verdict"),
        ("int4", "timestamptz", "float8", "float8", "int2"),
        rows,
    )
    mark_due(conn, "assessment", _changed(gone, rows))


def estimates_between(
    conn: Connection,
    tank_ids: Sequence[int],
    start: datetime | None = None,
    end: datetime | None = None,
    limit: int | None = None,
) -> list[Estimate]:
    """Estimates at start ≤ time < end, oldest first, at most *limit*."""
    return [estimate_of(row) for row in conn.execute(_between(tank_ids, start, end).limit(limit))]


def stream_estimates(
    conn: Connection, tank_ids: Sequence[int], start: datetime, end: datetime, *, at_once: int
) -> Iterator[list[Estimate]]:
    """The same piece by piece: so many are in memory at once, however many there are."""
    found = conn.execute(_between(tank_ids, start, end), execution_options={"yield_per": at_once})
    for rows in found.partitions():
        yield [estimate_of(row) for row in rows]


def _between(tank_ids: Sequence[int], start: datetime | None, end: datetime | None) -> Select[Any]:
    statement = select(TankRow.key, EstimateRow.__table__).join(TankRow, TankRow.id == EstimateRow.tank_id)
    statement = statement.where(EstimateRow.tank_id.in_(tank_ids))
    if start is not None:
        statement = statement.where(EstimateRow.time >= start)
    if end is not None:
        statement = statement.where(EstimateRow.time < end)
    return statement.order_by(EstimateRow.time, EstimateRow.tank_id)


def estimates_span(conn: Connection, tank_ids: Sequence[int]) -> tuple[datetime, datetime] | None:
    """The times of the oldest and the newest estimate of any of these tanks; None where there is none."""
    oldest, newest = conn.execute(_SPAN, {"tank_ids": list(tank_ids)}).one()
    return None if oldest is None else (oldest, newest)


def latest_estimates(conn: Connection, tank_ids: Sequence[int], until: datetime | None = None) -> dict[int, Estimate]:
    """The newest estimate of each tank (by row number), at *until* or before when it is given."""
    rows = conn.execute(_LATEST, {"tank_ids": sorted(set(tank_ids)), "until": until}).all()
    return {row.tank_id: estimate_of(row) for row in rows}


def assessments_between(
    conn: Connection, signal_ids: Sequence[int], start: datetime | None = None, end: datetime | None = None
) -> list[Assessment]:
    """Assessments at start ≤ time < end, oldest first."""
    statement = select(SignalRow.tag, AssessmentRow.__table__).join(SignalRow, SignalRow.id == AssessmentRow.signal_id)
    statement = statement.where(AssessmentRow.signal_id.in_(signal_ids))
    if start is not None:
        statement = statement.where(AssessmentRow.time >= start)
    if end is not None:
        statement = statement.where(AssessmentRow.time < end)
    rows = conn.execute(statement.order_by(AssessmentRow.time, AssessmentRow.signal_id))
    return [assessment_of(row) for row in rows]


def latest_assessments(
    conn: Connection, signal_ids: Sequence[int], until: datetime | None = None
) -> dict[int, Assessment]:
    """The newest assessment of each signal (by row number), at *until* or before when it is given."""
    rows = conn.execute(_LATEST_ASSESSMENT, {"signal_ids": sorted(set(signal_ids)), "until": until}).all()
    return {row.signal_id: assessment_of(row) for row in rows}


def _clear(
    conn: Connection, table: Table, column: str, ids: list[int], start: datetime | None, end: datetime | None
) -> list[_Span]:
    """Delete; returns the first and last time that went, per owner."""
    statement = delete(table).where(table.c[column].in_(ids))
    if start is not None:
        statement = statement.where(table.c.time >= start)
    if end is not None:
        statement = statement.where(table.c.time < end)
    gone = statement.returning(table.c[column].label("owner"), table.c.time).cte("gone")
    spans = select(gone.c.owner, func.min(gone.c.time), func.max(gone.c.time)).group_by(gone.c.owner)
    return [(owner, first, last) for owner, first, last in conn.execute(spans)]


def _changed(gone: Iterable[_Span], rows: Iterable[tuple[Any, ...]]) -> list[_Span]:
    """Whose rows went or came, with the first and last time of them."""
    spans = {owner: (first, last) for owner, first, last in gone}
    for owner, time, *_ in rows:
        first, last = spans.get(owner, (time, time))
        spans[owner] = (min(first, time), max(last, time))
    return [(owner, first, last) for owner, (first, last) in spans.items()]


def _append(
    conn: Connection, table: str, columns: tuple[str, ...], types: tuple[str, ...], rows: list[tuple[Any, ...]]
) -> None:
    if not rows:
        return
    times = [row[1] for row in rows]
    ensure_months(conn, table, min(times), max(times))
    with psycopg_connection(conn).cursor() as cursor, cursor.copy(copy_in_statement(table, columns)) as copy:
        copy.set_types(types)
        for row in rows:
            copy.write_row(row)


def estimate_of(row: Any) -> Estimate:
    """Map a row of the table, with the tank's key, to an estimate."""
    return Estimate(
        tank=row.key,
        time=row.time,
        height=row.height,
        sd=row.sd,
        rate=row.rate,
        trust=Trust(row.trust),
        reason=EstimateReason(row.reason),
        stories=stories_of(row.stories),
    )


def flat_stories(estimate: Estimate) -> list[float] | None:
    """Rival stories as one list of numbers; None where there is one story only."""
    return [value for part in estimate.stories for value in part] or None


def stories_of(flat: Sequence[float] | None) -> tuple[Part, ...]:
    """Rival stories from :func:`flat_stories`."""
    numbers = flat or ()
    return tuple(Part(*numbers[i : i + 3]) for i in range(0, len(numbers), 3))


def assessment_of(row: Any) -> Assessment:
    """Map a row of the table, with the signal's tag, to an assessment."""
    return Assessment(
        tag=row.tag, time=row.time, height=row.height, corrected=row.corrected, verdict=ReadingReason(row.verdict)
    )


_LATEST = text(
    "SELECT t.key, e.* FROM tank t CROSS JOIN LATERAL ("
    "SELECT * FROM estimate WHERE tank_id = t.id AND time <= coalesce(CAST(:until AS timestamptz), 'infinity') "
    "ORDER BY time DESC LIMIT 1) AS e WHERE t.id = ANY(CAST(:tank_ids AS integer[])) ORDER BY t.id"
)

_SPAN = text(
    "SELECT min(e.oldest), max(e.newest) FROM unnest(CAST(:tank_ids AS integer[])) AS t(id) CROSS JOIN LATERAL ("
    "SELECT (SELECT time FROM estimate WHERE tank_id = t.id ORDER BY time LIMIT 1) AS oldest,"
    " (SELECT time FROM estimate WHERE tank_id = t.id ORDER BY time DESC LIMIT 1) AS newest) AS e"
)

_LATEST_ASSESSMENT = text(
    "SELECT s.tag, a.* FROM signal s CROSS JOIN LATERAL ("
    "SELECT * FROM assessment WHERE signal_id = s.id AND time <= coalesce(CAST(:until AS timestamptz), 'infinity') "
    "ORDER BY time DESC LIMIT 1) AS a "
    "WHERE s.id = ANY(CAST(:signal_ids AS integer[])) ORDER BY s.id"
)
