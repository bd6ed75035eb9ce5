"""Converts columns of wall-clock times to UTC: resolves the repeated hour by the order of rows, and finds the skipped hour.

A clock put back repeats an hour. A wall-clock time does not say which pass it belongs to, but a log is written in order: where
the clock runs backwards inside the repeated hour, the second pass begins.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from connectors.base import EPOCH
from connectors.csv.times.pattern import SECOND, Bools, Int64s


@dataclass(frozen=True, slots=True)
class Transitions:
    """The changes of a zone's UTC offset within some years, ordered. All in microseconds.

    ``offset[k]`` holds before change *k*, ``offset[k + 1]`` after it. On the wall the change spans ``start[k]`` to
    ``end[k]``: an hour that is repeated where the offset falls, and missing where it grows.
    """

    start: Int64s
    end: Int64s
    repeats: Bools
    offset: Int64s


def transitions(zone: str, first_year: int, last_year: int) -> Transitions:
    """The offset changes of *zone* from the start of *first_year* to the end of *last_year*.

    >>> nyc = transitions("America/New_York", 2024, 2024)
    >>> len(nyc.start), [int(o) // 3_600_000_000 for o in nyc.offset]
    (2, [-5, -4, -5])
    """
    at: list[int] = []
    offsets = [_offset(zone, _year_start(first_year))]
    for year in range(first_year, last_year + 1):
        for moment, after in _changes_in(zone, year):
            at.append(moment)
            offsets.append(after)
    moments = np.array(at, dtype=np.int64) * SECOND
    offset = np.array(offsets, dtype=np.int64) * SECOND
    before, later = offset[:-1], offset[1:]
    return Transitions(
        start=moments + np.minimum(before, later),
        end=moments + np.maximum(before, later),
        repeats=later < before,
        offset=offset,
    )


@lru_cache(maxsize=512)
def _changes_in(zone: str, year: int) -> tuple[tuple[int, int], ...]:
    """(UTC second of the change, offset after it) for every change in one UTC year."""
    found: list[tuple[int, int]] = []
    low, stop = _year_start(year), _year_start(year + 1)
    before = _offset(zone, low)
    while low < stop:
        # Half a day is shorter than any two changes of a real zone lie apart, so no pair of them can cancel unseen.
        high = min(low + 43_200, stop)
        after = _offset(zone, high)
        if after != before:
            left, right = low, high
            while right - left > 1:
                middle = (left + right) // 2
                if _offset(zone, middle) == before:
                    left = middle
                else:
                    right = middle
            found.append((right, after))
        low, before = high, after
    return tuple(found)


def _year_start(year: int) -> int:
    return int((datetime(year, 1, 1, tzinfo=UTC) - EPOCH).total_seconds())


def _offset(zone: str, utc_second: int) -> int:
    local = (EPOCH + timedelta(seconds=utc_second)).astimezone(ZoneInfo(zone))
    offset = local.utcoffset()
    return 0 if offset is None else int(offset.total_seconds())


@dataclass(frozen=True, slots=True)
class Resolved:
    """UTC per row [µs], and which rows have a time that the clock skipped.

    ``last_repeated`` is the UTC time of the newest row of each series that ends inside a repeated hour, for the next file to
    continue in the right pass. ``newest_first`` is the order found; None while unknown.
    """

    utc: Int64s
    missing: Bools
    last_repeated: Mapping[int, int]
    newest_first: bool | None


def to_utc(
    wall: Int64s,
    series: NDArray[np.int32],
    zone: str,
    last: Mapping[int, int] | None = None,
    newest_first: bool | None = None,
) -> Resolved:
    """Convert wall-clock times to UTC.

    Parameters
    ----------
    wall : wall-clock time as microseconds since 1970-01-01 00:00 on the wall, in the order of the file. [µs]
    series : which series (tag) each row belongs to; each series is in order, the whole need not be.
    zone : IANA name of the zone.
    last : UTC time of the last row of each series seen before, if any. [µs]
    newest_first : the order of the rows where it is known already.

    Notes
    -----
    Inside the repeated hour the largest step backwards is where the second pass begins, looked for first over all rows
    (a file in time order) and then per series (a file grouped by tag). Newest-first files are read in reverse. Exactly
    two rows with the same time are the two passes of hourly data. Without any step backwards the pass is chosen whose gap
    to the row before or after is more like the usual step; with nothing to go by, the first (PEP 495, fold 0).
    """
    utc = np.zeros_like(wall)
    if wall.size == 0:
        return Resolved(utc=utc, missing=np.zeros(0, dtype=np.bool_), last_repeated={}, newest_first=newest_first)
    table = transitions(zone, _year_of(int(wall.min())) - 1, _year_of(int(wall.max())) + 1)
    k = np.searchsorted(table.start, wall, side="right") - 1
    at_change = k >= 0
    inside = np.zeros(wall.shape, dtype=np.bool_)
    if table.start.size:
        inside[at_change] = wall[at_change] < table.end[k[at_change]]
    repeated = inside & table.repeats[k] if table.start.size else inside
    missing = inside & ~repeated
    utc = wall - table.offset[k + 1]
    if newest_first is None:
        newest_first = _order(wall, repeated)
    if not repeated.any():
        return Resolved(utc=utc, missing=missing, last_repeated={}, newest_first=newest_first)
    _resolve_repeated(utc, wall, repeated, missing, k, series, table, last or {}, newest_first is True)
    unfinished = _unfinished(utc, repeated, missing, series)
    return Resolved(utc=utc, missing=missing, last_repeated=unfinished, newest_first=newest_first)


def _order(wall: Int64s, repeated: Bools) -> bool | None:
    """Whether most steps go back in time; steps within a repeated hour say nothing about that."""
    steps = np.diff(wall)[~(repeated[:-1] & repeated[1:])]
    back, forth = np.count_nonzero(steps < 0), np.count_nonzero(steps > 0)
    return None if back == forth else bool(back > forth)


def _unfinished(utc: Int64s, repeated: Bools, missing: Bools, series: NDArray[np.int32]) -> dict[int, int]:
    unfinished: dict[int, int] = {}
    for tag in np.unique(series[repeated]).tolist():
        own = np.flatnonzero((series == tag) & ~missing)
        newest = own[np.argmax(utc[own])]
        if repeated[newest]:
            unfinished[tag] = int(utc[newest])
    return unfinished


def _year_of(wall_us: int) -> int:
    return (EPOCH + timedelta(microseconds=wall_us)).year


def _resolve_repeated(
    utc: Int64s,
    wall: Int64s,
    repeated: Bools,
    missing: Bools,
    change: NDArray[np.intp],
    series: NDArray[np.int32],
    table: Transitions,
    last: Mapping[int, int],
    newest_first: bool,
) -> None:
    """Choose the pass for rows in a repeated hour, in place; on entry *utc* holds the second pass for them."""
    early = wall - table.offset[change]
    for number in np.unique(change[repeated]):
        rows = np.flatnonzero(repeated & (change == number))
        if newest_first:
            rows = rows[::-1]
        # Only earlier rows of this very hour and its repetition say which pass continues here.
        opens = int(table.start[number] - table.offset[number])
        closes = int(table.end[number] - table.offset[number + 1])
        known = {tag: moment for tag, moment in last.items() if opens <= moment < closes}
        second_pass_began = bool(known) and max(known.values()) >= early[rows[0]]
        if not second_pass_began and _in_time_order(wall, ~(repeated | missing), newest_first):
            turn = _largest_step_back(wall[rows])
            if turn is not None:
                utc[rows[:turn]] = early[rows[:turn]]
                continue
        for tag in np.unique(series[rows]):
            own = rows[series[rows] == tag]
            first_pass = _first_pass(own, wall, utc, early, repeated, missing, series, known, newest_first)
            utc[own[:first_pass]] = early[own[:first_pass]]


def _in_time_order(wall: Int64s, certain: Bools, newest_first: bool) -> bool:
    """Whether the rows outside any change run in one direction."""
    steps = np.diff(wall[certain])
    return bool(np.all(steps <= 0) if newest_first else np.all(steps >= 0))


def _largest_step_back(wall: Int64s) -> int | None:
    """Index of the first row after the largest step backwards, if there is one."""
    if wall.size < 2:
        return None
    steps = np.diff(wall)
    largest = int(np.argmin(steps))
    return largest + 1 if steps[largest] < 0 else None


def _first_pass(
    own: NDArray[np.intp],
    wall: Int64s,
    utc: Int64s,
    early: Int64s,
    repeated: Bools,
    missing: Bools,
    series: NDArray[np.int32],
    last: Mapping[int, int],
    newest_first: bool,
) -> int:
    """How many rows of one series belong to the first pass."""
    tag = int(series[own[0]])
    certain = np.flatnonzero((series == tag) & ~(repeated | missing))
    low, high = min(own[0], own[-1]), max(own[0], own[-1])
    earlier = certain[certain > high] if newest_first else certain[certain < low]
    later = certain[certain < low] if newest_first else certain[certain > high]
    before: int | None = None
    if earlier.size:
        before = int(utc[earlier[0] if newest_first else earlier[-1]])
    elif tag in last:
        before = last[tag]
    after = int(utc[later[-1] if newest_first else later[0]]) if later.size else None

    if before is not None and before >= int(early[own[0]]):
        return 0
    turn = _largest_step_back(wall[own])
    if turn is not None:
        return turn
    if own.size == 2 and wall[own[0]] == wall[own[1]]:
        return 1
    typical = _typical_step(np.sort(np.concatenate((utc[certain], early[own]))))
    costs = []
    for chosen in (early, utc):
        gaps = [int(chosen[own[0]]) - before] if before is not None else []
        gaps += [after - int(chosen[own[-1]])] if after is not None else []
        deviation = [abs(gap - typical) for gap in gaps]
        costs.append((min(deviation, default=0), max(deviation, default=0)))
    return 0 if costs[1] < costs[0] else int(own.size)


def _typical_step(utc: Int64s) -> int:
    steps = np.diff(utc)
    return int(np.median(steps)) if steps.size > 2 else 0
