"""Finds the UTC time of every row of a file, or why it has none."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from connectors.base import Reject, microseconds_of
from connectors.csv.decoding.dialect import Dialect
from connectors.csv.decoding.lines import printable
from connectors.csv.decoding.rows import Cells
from connectors.csv.times.columns import ParsedTimes, parse_times, trim_cells
from connectors.csv.times.local_time import to_utc
from connectors.csv.times.pattern import Bools, Int64s, UnreadableTime, parse_time

#: Before this no plant had files to drop; an earlier time is a clock that lost its battery.
EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
#: A time further in the future is a wrong clock or, more often, a wrong zone.
LATEST_AHEAD = timedelta(hours=1)

_DAY = 86_400_000_000


class RowTimes:
    """Parses the times of one file, block after block.

    Parameters
    ----------
    last_repeated : the newest UTC time of each tag inside a repeated hour, from file to file; changed in place. [µs]
    """

    def __init__(self, dialect: Dialect, now: datetime, last_repeated: dict[str, int]) -> None:
        self._dialect = dialect
        self._last_repeated = last_repeated
        self._earliest = microseconds_of(EARLIEST)
        self._latest = microseconds_of(now + LATEST_AHEAD)
        self._newest_first: bool | None = None

    def parse_rows(
        self, cells: Cells, series: NDArray[np.int32], names: Sequence[str], rejects: list[Reject]
    ) -> tuple[Int64s, Bools]:
        """The UTC time of each row [µs], and which rows have none (rejected here)."""
        parsed = self._parsed(cells)
        bad = parsed.bad.copy()
        for row in np.flatnonzero(bad).tolist():
            rejects.append(self._unreadable(cells, row))
        utc = parsed.wall - parsed.offset
        # Offset changes are looked up for plausible years only, with a day to spare for the offset.
        possible = ~bad & (utc >= self._earliest - _DAY) & (utc <= self._latest + _DAY)
        rows = np.flatnonzero(parsed.naive & possible)
        if rows.size:
            missing = self._localised(utc, rows, series, names)
            for row in missing.tolist():
                rejects.append(self._reject(cells, row, self._skipped_reason()))
            bad[missing] = True
        implausible = ~bad & ((utc < self._earliest) | (utc > self._latest))
        for row in np.flatnonzero(implausible).tolist():
            rejects.append(
                self._reject(cells, row, self._implausible_reason(int(utc[row]), naive=bool(parsed.naive[row])))
            )
        return utc, bad | implausible

    def parse_text(self, text: str) -> int:
        """The UTC time of a single cell; in a repeated hour that of the first pass. [µs]

        Raises
        ------
        UnreadableTime
            with the reason why there is none.
        """
        wall, offset = parse_time(self._dialect.time, text)
        utc = wall - (offset or 0)
        if offset is None and self._earliest - _DAY <= utc <= self._latest + _DAY:
            resolved = to_utc(np.array([wall], dtype=np.int64), np.zeros(1, dtype=np.int32), self._dialect.zone)
            if resolved.missing[0]:
                raise UnreadableTime(self._skipped_reason())
            utc = int(resolved.utc[0])
        if not self._earliest <= utc <= self._latest:
            raise UnreadableTime(self._implausible_reason(utc, naive=offset is None))
        return utc

    def _localised(
        self, utc: Int64s, rows: NDArray[np.intp], series: NDArray[np.int32], names: Sequence[str]
    ) -> NDArray[np.intp]:
        """Convert wall-clock times to UTC in place; returns the rows whose time the clock skipped."""
        last = {i: self._last_repeated[name] for i, name in enumerate(names) if name in self._last_repeated}
        if self._newest_first:
            last = {}  # earlier blocks of a newest-first file hold later times
        resolved = to_utc(utc[rows], series[rows], self._dialect.zone, last, self._newest_first)
        utc[rows] = resolved.utc
        self._newest_first = resolved.newest_first
        for i in np.unique(series[rows]).tolist():
            self._last_repeated.pop(names[i], None)
        self._last_repeated.update({names[i]: moment for i, moment in resolved.last_repeated.items()})
        return rows[resolved.missing]

    def _parsed(self, cells: Cells) -> ParsedTimes:
        columns = self._dialect.time_columns
        if len(columns) == 1:
            return parse_times(self._dialect.time, cells.array, *cells.span(columns[0]))
        # Date and clock time in two columns: join them to one cell each.
        (start_a, end_a), (start_b, end_b) = (trim_cells(cells.array, *cells.span(column)) for column in columns)
        size_a, size_b = end_a - start_a, end_b - start_b
        ends = np.cumsum(size_a + size_b + 1)
        starts = ends - (size_a + size_b + 1)
        joined = np.full(int(ends[-1]), 32, dtype=np.uint8)
        for target, source, size in ((starts, start_a, size_a), (ends - size_b, start_b, size_b)):
            within = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
            joined[np.repeat(target, size) + within] = cells.array[np.repeat(source, size) + within]
        return parse_times(self._dialect.time, joined, starts, ends)

    def _unreadable(self, cells: Cells, row: int) -> Reject:
        header = self._dialect.header
        if header and [cells.text(row, i).lower() for i in range(len(header))] == [h.lower() for h in header]:
            return Reject(int(cells.line[row]), "line", cells.row_text(row), "the header once more")
        reason = f"not a time written as {self._dialect.time.name}"
        try:
            parse_time(self._dialect.time, self._text(cells, row))
        except UnreadableTime as problem:
            reason = str(problem)
        return self._reject(cells, row, reason)

    def _text(self, cells: Cells, row: int) -> str:
        return " ".join(cells.text(row, column) for column in self._dialect.time_columns)

    def _reject(self, cells: Cells, row: int, reason: str) -> Reject:
        field = self._dialect.field(self._dialect.time_columns[0], "time")
        return Reject(int(cells.line[row]), field, printable(self._text(cells, row).encode()), reason)

    def _skipped_reason(self) -> str:
        return f"the clock in {self._dialect.zone} was put forward over this time: it never was"

    def _implausible_reason(self, utc: int, *, naive: bool) -> str:
        if utc < self._earliest:
            return f"lies before {EARLIEST.year}: a clock that was not set, or time_format is wrong"
        ahead = timedelta(microseconds=utc - self._latest) + LATEST_AHEAD
        minutes = int(ahead.total_seconds() // 60)
        cause = f"is {self._dialect.zone} the zone of this file's times?" if naive else "is the source's clock right?"
        return f"lies {minutes // 60} h {minutes % 60:02d} min in the future: {cause}"
