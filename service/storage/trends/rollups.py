"""Rollups: minimum, maximum and last value per time bucket, so that a year is charted as quickly as an hour.

Every change of rows marks its span as due in the same transaction, so a mark is neither lost nor seen before its rows.
Rolling up computes a span from the rows and deletes exactly the marks it has read: it is idempotent, and a change that
arrives meanwhile has a mark of its own. Until then charts read the rows of what is due (series.py).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, func, insert, select, text

from service.storage.database.epoch import from_us, to_us
from service.storage.database.tables import RollupDue
from service.storage.trends.archive_spans import archived_spans
from service.storage.trends.chart_series import CHART_SERIES, ChartSeries, Source
from service.storage.trends.rollup_plan import LEVELS, MINUTE, Span, joined, outward, without

#: First key of the advisory locks on signals and tanks, unique in this program.
_ROLLING = 0x7011
_SOURCES: tuple[Source, ...] = ("reading", "assessment", "estimate")
#: Rolled up in one transaction at most: so many signals or tanks, and so much time of each, whole days.
MOST_OWNERS = 50
LONGEST = 7 * 24 * 60 * MINUTE


def mark_due(conn: Connection, source: Source, changed: Iterable[tuple[int, datetime, datetime]]) -> None:
    """Mark spans whose rows this transaction changed: owner, first and last time, both included."""
    rows = [{"owner_id": owner, "source": source, "first": first, "last": last} for owner, first, last in changed]
    if rows:
        conn.execute(insert(RollupDue), rows)


def due_spans(conn: Connection, source: Source, owner_id: int) -> list[Span]:
    """Return the spans of a signal or tank whose rollups are out of date. [µs]"""
    marks = conn.execute(
        select(RollupDue.first, RollupDue.last).where(RollupDue.owner_id == owner_id, RollupDue.source == source)
    )
    return joined((to_us(mark.first), to_us(mark.last) + 1) for mark in marks)


def newest_mark(conn: Connection) -> int | None:
    """Return the number of the newest mark; None when nothing is due."""
    found: int | None = conn.execute(select(func.max(RollupDue.id))).scalar_one()
    return found


def roll_up(conn: Connection, newest: int) -> int:
    """Roll up some of what is due; returns how many marks were worked on, 0 when nothing is left that is free.

    Parameters
    ----------
    newest : marks up to this number are enough to be looked at.

    Notes
    -----
    Two processes never roll up the same signal or tank at once: the slower would restore what it had read before.
    """
    done = 0
    for number, source in enumerate(_SOURCES):
        marks = conn.execute(
            _CLAIM, {"source": source, "newest": newest, "most": MOST_OWNERS, "space": _ROLLING + number}
        ).all()
        spans: dict[int, list[Span]] = {}
        for mark in marks:
            spans.setdefault(mark.owner_id, []).append((to_us(mark.first), to_us(mark.last) + 1))
        ends = {owner: outward(found, LEVELS[-1])[0][0] + LONGEST for owner, found in spans.items()}
        _roll(
            conn,
            source,
            {
                owner: [(first, min(until, ends[owner])) for first, until in found if first < ends[owner]]
                for owner, found in spans.items()
            },
        )
        settled = {
            "source": source,
            "marks": [mark.id for mark in marks],
            "owners": list(ends),
            "ends": [from_us(end) for end in ends.values()],
        }
        conn.execute(_DROP, settled)
        conn.execute(_SHORTEN, settled)
        done += len(marks)
    return done


def _roll(conn: Connection, source: Source, work: Mapping[int, Sequence[Span]]) -> None:
    gone = joined(archived_spans(conn, source))
    for series in (each for each in CHART_SERIES.values() if each.source == source):
        finer: int | None = None
        for level in LEVELS:
            here, away = _buckets(work, level, gone if finer is None else [])
            given = {
                "series": series.number,
                "step": timedelta(microseconds=level),
                "seconds": level // 1_000_000,
                "finer": None if finer is None else finer // 1_000_000,
            }
            if here["owners"]:
                conn.execute(text(_anew(series, finer)), given | here)
            if away["owners"]:
                # Rows that come after their month was archived are not all there were: they widen a bucket, and narrow none.
                conn.execute(text(_widened(series)), given | away)
            finer = level


_Buckets = dict[str, list[Any]]


def _buckets(work: Mapping[int, Sequence[Span]], level: int, gone: Sequence[Span]) -> tuple[_Buckets, _Buckets]:
    """The buckets of a level that are touched: those whose rows are here, and those whose rows were archived."""
    here: _Buckets = {"owners": [], "firsts": [], "untils": []}
    away: _Buckets = {"owners": [], "firsts": [], "untils": []}
    for owner, spans in work.items():
        touched = outward(spans, level)
        kept = without(touched, gone)
        for part, found in ((here, kept), (away, without(touched, kept))):
            part["owners"] += [owner] * len(found)
            part["firsts"] += [from_us(first) for first, _ in found]
            part["untils"] += [from_us(until) for _, until in found]
    return here, away


# Look-ups go span by span (OFFSET 0), so that each is a walk along the key in the months it touches. What is written is only
# what differs: rolling up again leaves no dead rows.

_SPAN = (
    "WITH span AS (SELECT * FROM unnest(CAST(:owners AS integer[]), CAST(:firsts AS timestamptz[]),"
    " CAST(:untils AS timestamptz[])) AS s(owner_id, first, until)), "
)


def _fresh(series: ChartSeries, finer: int | None) -> str:
    if finer is None:
        rows = (
            f"SELECT time, {series.low} AS low, {series.high} AS high, {series.last} AS last, 1 AS readings"
            f" FROM {series.source} WHERE {series.owner} = s.owner_id AND time >= s.first AND time < s.until"
            f" AND {series.included} OFFSET 0"
        )
    else:
        rows = (
            "SELECT time, low, high, last, readings FROM rollup WHERE owner_id = s.owner_id AND series = :series"
            " AND step = :finer AND time >= s.first AND time < s.until OFFSET 0"
        )
    return (
        "fresh AS (SELECT s.owner_id, date_bin(CAST(:step AS interval), r.time, CAST('epoch' AS timestamptz)) AS time,"
        " min(r.low) AS low, max(r.high) AS high, (array_agg(r.last ORDER BY r.time DESC))[1] AS last,"
        f" sum(r.readings) AS readings FROM span s CROSS JOIN LATERAL ({rows}) AS r GROUP BY 1, 2)"
    )


_PUT = (
    " INSERT INTO rollup AS u (owner_id, series, step, time, low, high, last, readings)"
    " SELECT owner_id, CAST(:series AS smallint), CAST(:seconds AS integer), time, low, high, last, readings"
    " FROM fresh ORDER BY owner_id, time ON CONFLICT (owner_id, series, step, time) DO UPDATE SET "
)


def _anew(series: ChartSeries, finer: int | None) -> str:
    return (
        _SPAN + _fresh(series, finer) + ", gone AS (DELETE FROM rollup u USING span s WHERE u.owner_id = s.owner_id"
        " AND u.series = :series AND u.step = :seconds AND u.time >= s.first AND u.time < s.until"
        " AND NOT EXISTS (SELECT FROM fresh f WHERE f.owner_id = u.owner_id AND f.time = u.time))"
        + _PUT
        + "low = excluded.low, high = excluded.high, last = excluded.last, readings = excluded.readings"
        " WHERE (u.low, u.high, u.last, u.readings) IS DISTINCT FROM"
        " (excluded.low, excluded.high, excluded.last, excluded.readings)"
    )


def _widened(series: ChartSeries) -> str:
    return (
        _SPAN
        + _fresh(series, None)
        + _PUT
        + "low = least(u.low, excluded.low), high = greatest(u.high, excluded.high),"
        " readings = greatest(u.readings, excluded.readings)"
        " WHERE excluded.low < u.low OR excluded.high > u.high OR excluded.readings > u.readings"
    )


#: The longest-waiting owners first. The marks are read once: exactly these are deleted afterwards.
_CLAIM = text(
    "WITH longest AS (SELECT owner_id FROM rollup_due WHERE source = :source AND id <= :newest GROUP BY owner_id ORDER BY min(id) LIMIT :most), "
    "free AS MATERIALIZED (SELECT owner_id FROM longest WHERE pg_try_advisory_xact_lock(:space, owner_id)) "
    "SELECT owner_id, id, first, last FROM rollup_due WHERE source = :source AND owner_id IN (SELECT owner_id FROM free)"
)
_OF_DONE = (
    "FROM unnest(CAST(:owners AS integer[]), CAST(:ends AS timestamptz[])) AS done(owner_id, until) "
    "WHERE due.owner_id = done.owner_id AND due.source = :source AND due.id = ANY(CAST(:marks AS bigint[])) "
)
_DROP = text(f"DELETE FROM rollup_due due USING {_OF_DONE.removeprefix('FROM ')} AND due.last < done.until")
#: What lies beyond this portion keeps its place in the queue.
_SHORTEN = text(f"UPDATE rollup_due due SET first = done.until {_OF_DONE} AND due.first < done.until")
