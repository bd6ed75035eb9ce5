"""Figures of a period, computed in SQL: each value holds until the next, but no longer than a given time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, text


@dataclass(frozen=True, slots=True, kw_only=True)
class BlanketFigures:
    """The estimated blanket of a tank over a period, blind times excluded. Heights [m].

    ``known`` is the time with an estimate, ``over`` the time above each given height.
    """

    known: timedelta
    lowest: float
    lowest_at: datetime
    mean: float
    highest: float
    highest_at: datetime
    over: tuple[timedelta, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalFigures:
    """The good and doubtful readings of a signal over a period, in SI. ``known`` is the time they cover."""

    known: timedelta
    readings: int
    bad: int
    mean: float | None
    highest: float | None


def blanket_figures(
    conn: Connection, tank_id: int, start: datetime, end: datetime, *, hold: timedelta, above: tuple[float, ...]
) -> BlanketFigures | None:
    """Compute the blanket figures of a tank at start ≤ time < end; None without an estimate.

    Parameters
    ----------
    hold : how long an estimate holds when no other follows.
    above : heights [m]; the time above each is summed.
    """
    given: dict[str, Any] = {"id": tank_id, "start": start, "end": end, "hold": hold}
    given |= {f"above_{number}": height for number, height in enumerate(above)}
    sums = "".join(
        f", coalesce(sum(span) FILTER (WHERE height > :above_{number}), interval '0') AS above_{number}"
        for number in range(len(above))
    )
    row = conn.execute(text(_BLANKET.format(sums=sums)), given).mappings().one()
    if not row["known"]:
        return None
    return BlanketFigures(
        known=row["known"],
        lowest=row["lowest"],
        lowest_at=row["lowest_at"],
        mean=row["mean"],
        highest=row["highest"],
        highest_at=row["highest_at"],
        over=tuple(row[f"above_{number}"] for number in range(len(above))),
    )


def signal_figures(
    conn: Connection, signal_id: int, start: datetime, end: datetime, *, hold: timedelta
) -> SignalFigures:
    """Compute the figures of a signal at start ≤ time < end.

    Parameters
    ----------
    hold : how long a reading holds when no other follows.
    """
    given = {"id": signal_id, "start": start, "end": end, "hold": hold}
    row = conn.execute(_SIGNAL, given).one()
    return SignalFigures(known=row.known, readings=row.readings, bad=row.bad, mean=row.mean, highest=row.highest)


_SPANS = (
    "greatest(time, :start) AS begins, "
    "least(lead(time) OVER (ORDER BY time), time + CAST(:hold AS interval), :end) - greatest(time, :start) AS span"
)
# LEAST ignores the NULL of the last row's successor.
_BLANKET = (
    f"WITH valued AS (SELECT height, trust, {_SPANS} FROM estimate WHERE tank_id = :id"
    " AND time >= CAST(:start AS timestamptz) - CAST(:hold AS interval) AND time < :end),"
    " held AS (SELECT * FROM valued WHERE span > interval '0' AND trust <> 'blind' AND height <> 'NaN')"
    " SELECT sum(span) AS known, min(height) AS lowest, max(height) AS highest,"
    " (array_agg(begins ORDER BY height, begins))[1] AS lowest_at,"
    " (array_agg(begins ORDER BY height DESC, begins))[1] AS highest_at,"
    " sum(height * extract(epoch FROM span)::float8) / nullif(sum(extract(epoch FROM span)::float8), 0) AS mean"
    "{sums} FROM held"
)
_SIGNAL = text(
    f"WITH valued AS (SELECT time, value, quality, {_SPANS} FROM reading WHERE signal_id = :id"
    " AND time >= CAST(:start AS timestamptz) - CAST(:hold AS interval) AND time < :end)"
    " SELECT coalesce(sum(span) FILTER (WHERE quality < 2 AND span > interval '0'), interval '0') AS known,"
    " count(*) FILTER (WHERE time >= :start) AS readings,"
    " count(*) FILTER (WHERE time >= :start AND quality = 2) AS bad,"
    " max(value) FILTER (WHERE quality < 2 AND span > interval '0') AS highest,"
    " sum(value * extract(epoch FROM span)::float8) FILTER (WHERE quality < 2 AND span > interval '0')"
    " / nullif(sum(extract(epoch FROM span)::float8) FILTER (WHERE quality < 2 AND span > interval '0'), 0) AS mean"
    " FROM valued"
)
