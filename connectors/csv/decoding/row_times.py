"""The UTC time of every row of a file, or the reason why it has none."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from connectors.base import Reject
from connectors.csv.decoding.cells import Cells
from connectors.csv.decoding.dialect import Shape
from connectors.csv.decoding.lines import shown
from connectors.csv.times.columns import ParsedTimes, parse_column, trimmed
from connectors.csv.times.local_time import to_utc
from connectors.csv.times.pattern import Bools, Int64s, UnreadableTime, parse_one

#: Before this no plant had files to drop; an earlier time is a clock that lost its battery.
EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
#: A time later than now by more than this is a wrong clock or, more often, a wrong zone.
LATEST_AHEAD = timedelta(hours=1)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DAY = 86_400_000_000


class RowTimes:
    """Reads the times of one file, block after block.

    Parameters
    ----------
    carried : the newest UTC time of each tag inside a repeated hour, from file to file; changed in place. [µs]
    """

    def __init__(self, shape: Shape, now: datetime, carried: dict[str, int]) -> None:
        self._shape = shape
        self._carried = carried
        self._earliest = _micros(EARLIEST)
        self._latest = _micros(now + LATEST_AHEAD)
        self._newest_first: bool | None = None

    def of_rows(
        self, cells: Cells, series: NDArray[np.int32], names: Sequence[str], rejects: list[Reject]
    ) -> tuple[Int64s, Bools]:
        """UTC per row, and which rows have none; those are rejected here."""
        parsed = self._parsed(cells)
        bad = parsed.bad.copy()
        for row in np.flatnonzero(bad).tolist():
            rejects.append(self._unreadable(cells, row))
        utc = parsed.wall - parsed.offset
        # A zone's changes are looked up for years that can be true, with a day to spare for the offset.
        possible = ~bad & (utc >= self._earliest - _DAY) & (utc <= self._latest + _DAY)
        rows = np.flatnonzero(parsed.naive & possible)
        if rows.size:
            missing = self._localised(utc, rows, series, names)
            for row in missing.tolist():
                rejects.append(self._reject(cells, row, self._never_was()))
            bad[missing] = True
        implausible = ~bad & ((utc < self._earliest) | (utc > self._latest))
        for row in np.flatnonzero(implausible).tolist():
            rejects.append(self._reject(cells, row, self._implausible(int(utc[row]), naive=bool(parsed.naive[row]))))
        return utc, bad | implausible

    def of_text(self, text: str) -> int:
        """UTC of one time that stands alone. [µs]

        Raises
        ------
        UnreadableTime
            with the reason why there is none.

        Notes
        -----
        In the repeated hour a time that stands alone is taken for the first pass.
        """
        wall, offset = parse_one(self._shape.time, text)
        utc = wall - (offset or 0)
        if offset is None and self._earliest - _DAY <= utc <= self._latest + _DAY:
            resolved = to_utc(np.array([wall], dtype=np.int64), np.zeros(1, dtype=np.int32), self._shape.zone)
            if resolved.missing[0]:
                raise UnreadableTime(self._never_was())
            utc = int(resolved.utc[0])
        if not self._earliest <= utc <= self._latest:
            raise UnreadableTime(self._implausible(utc, naive=offset is None))
        return utc

    def _localised(
        self, utc: Int64s, rows: NDArray[np.intp], series: NDArray[np.int32], names: Sequence[str]
    ) -> NDArray[np.intp]:
        """Turn wall-clock times into UTC in place; returns the rows whose time never was."""
        last = {i: self._carried[name] for i, name in enumerate(names) if name in self._carried}
        if self._newest_first:
            last = {}  # what this file held before this block is newer, so it says nothing of what came before
        resolved = to_utc(utc[rows], series[rows], self._shape.zone, last, self._newest_first)
        utc[rows] = resolved.utc
        self._newest_first = resolved.newest_first
        for i in np.unique(series[rows]).tolist():
            self._carried.pop(names[i], None)
        self._carried.update({names[i]: moment for i, moment in resolved.last_repeated.items()})
        return rows[resolved.missing]

    def _parsed(self, cells: Cells) -> ParsedTimes:
        columns = self._shape.time_columns
        if len(columns) == 1:
            return parse_column(self._shape.time, cells.array, *cells.span(columns[0]))
        # Date and clock time apart: written side by side they are one cell.
        (start_a, end_a), (start_b, end_b) = (trimmed(cells.array, *cells.span(column)) for column in columns)
        size_a, size_b = end_a - start_a, end_b - start_b
        ends = np.cumsum(size_a + size_b + 1)
        starts = ends - (size_a + size_b + 1)
        joined = np.full(int(ends[-1]), 32, dtype=np.uint8)
        for target, source, size in ((starts, start_a, size_a), (ends - size_b, start_b, size_b)):
            within = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
            joined[np.repeat(target, size) + within] = cells.array[np.repeat(source, size) + within]
        return parse_column(self._shape.time, joined, starts, ends)

    def _unreadable(self, cells: Cells, row: int) -> Reject:
        header = self._shape.header
        if header and [cells.text(row, i).lower() for i in range(len(header))] == [h.lower() for h in header]:
            return Reject(int(cells.line[row]), "line", cells.row_text(row), "the header once more")
        reason = f"not a time written as {self._shape.time.name}"
        try:
            parse_one(self._shape.time, self._text(cells, row))
        except UnreadableTime as problem:
            reason = str(problem)
        return self._reject(cells, row, reason)

    def _text(self, cells: Cells, row: int) -> str:
        return " ".join(cells.text(row, column) for column in self._shape.time_columns)

    def _reject(self, cells: Cells, row: int, reason: str) -> Reject:
        field = self._shape.field(self._shape.time_columns[0], "time")
        return Reject(int(cells.line[row]), field, shown(self._text(cells, row).encode()), reason)

    def _never_was(self) -> str:
        return f"the clock in {self._shape.zone} was put forward over this time: it never was"

    def _implausible(self, utc: int, *, naive: bool) -> str:
        if utc < self._earliest:
            return f"lies before {EARLIEST.year}: a clock that was not set, or time_format is wrong"
        ahead = timedelta(microseconds=utc - self._latest) + LATEST_AHEAD
        minutes = int(ahead.total_seconds() // 60)
        cause = f"is {self._shape.zone} the zone of this file's times?" if naive else "is the source's clock right?"
        return f"lies {minutes // 60} h {minutes % 60:02d} min in the future: {cause}"


def _micros(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(microseconds=1)
