"""Decodes rows of readings, long or wide, to columns of samples.

Rows and times are parsed by array arithmetic and numbers by pandas' C parser; only cells that these cannot read are parsed one by
one, so a clean file costs no Python object per row and a dirty one loses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from connectors.base import HandCore, Reject, SampleBlock, SourceQuality, block_of
from connectors.csv.decoding.cell import (
    NO_NUMBER,
    QualityCode,
    UnreadableNumber,
    parse_number,
    parse_quality,
    sniff_quality_code,
)
from connectors.csv.decoding.dialect import Dialect
from connectors.csv.decoding.format import MAX_SUGGESTIONS, CsvFormat, Layout, unknown_tag
from connectors.csv.decoding.lines import LineBlock, printable
from connectors.csv.decoding.row_times import RowTimes
from connectors.csv.decoding.rows import Cells, split_rows
from connectors.csv.times.pattern import Bools, Int64s


class SampleDecoder:
    """Decodes blocks of one file, keeping state from block to block."""

    def __init__(self, dialect: Dialect, options: CsvFormat, times: RowTimes) -> None:
        self._dialect = dialect
        self._options = options
        self._times = times
        self._code = dialect.quality_code
        self._address: dict[str, int] = {}
        self._address_of_tag: dict[str, int | str] = {}
        self._unknown = 0
        self._ignored = dict.fromkeys(dialect.unknown, 0)

    def read(self, block: LineBlock, rejects: list[Reject]) -> tuple[SampleBlock, list[HandCore], bytes]:
        """The samples of a block of lines, no cores, and the bytes left for the next block."""
        rows, left = split_rows(block, self._dialect.delimiter, self._dialect.width, rejects)
        if rows.line.size == 0:
            return block_of([]), [], left
        cells = Cells(rows)
        decode = self._long if self._dialect.layout is Layout.LONG else self._wide
        return decode(cells, rejects), [], left

    def ignored(self) -> list[Reject]:
        """One reject for each unknown column, with the number of its values."""
        line = max(self._dialect.header_line, 1)
        rejects = []
        for index, count in self._ignored.items():
            if count:
                column = self._dialect.field(index, str(index + 1))
                cells = f"{count} value{'s' if count != 1 else ''} not taken"
                rejects.append(Reject(line, "column", column, f"{self._dialect.unknown[index]} ({cells})"))
        return rejects

    def _long(self, cells: Cells, rejects: list[Reject]) -> SampleBlock:
        role = self._dialect.role
        tag, value_column, quality_column = role.get("tag"), role["value"], role.get("quality")
        texts = [column for column in (tag, quality_column) if column is not None]
        frame = cells.columns(texts, [value_column], self._dialect.decimal)
        address, reason_of = self._addresses(cells, frame, tag)
        names = list(self._address)
        # Each row is rejected once, for its first problem.
        utc, bad = self._times.parse_rows(cells, np.maximum(address, 0), names or ("",), rejects)
        for row in np.flatnonzero((address < 0) & ~bad).tolist():
            text = printable(cells.raw(row, tag or 0).strip())
            field = self._dialect.field(tag or 0, "tag")
            rejects.append(Reject(int(cells.line[row]), field, text, reason_of[row]))
        bad |= address < 0
        value, missing, unreadable = self._values(cells, value_column, frame, ~bad, rejects)
        quality, reason = self._qualities(frame, quality_column, cells.rows)
        return _samples(names, address, utc, value, missing, quality, reason, ~(bad | unreadable))

    def _wide(self, cells: Cells, rejects: list[Reject]) -> SampleBlock:
        columns = self._dialect.wide
        for index in self._ignored:
            self._ignored[index] += int(cells.filled(index).sum())
        utc, bad_time = self._times.parse_rows(cells, np.zeros(cells.rows, dtype=np.int32), ("",), rejects)
        if not columns:
            return block_of([])
        qualities = [column.quality for column in columns if column.quality is not None]
        frame = cells.columns(qualities, [column.index for column in columns], self._dialect.decimal)
        shape = (cells.rows, len(columns))
        value = np.empty(shape)
        missing, keep = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
        quality, reason = np.zeros(shape, dtype=np.int16), np.zeros(shape, dtype=np.int16)
        for k, column in enumerate(columns):
            # An empty cell of a wide file is no reading: the tags of a row need not report together.
            expected = cells.filled(column.index) & ~bad_time
            value[:, k], missing[:, k], bad = self._values(cells, column.index, frame, expected, rejects)
            keep[:, k] = expected & ~bad
            quality[:, k], reason[:, k] = self._qualities(frame, column.quality, cells.rows)
        address = np.broadcast_to(np.arange(len(columns), dtype=np.int32), shape)
        return _samples(
            [column.tag for column in columns],
            address.ravel(),
            np.repeat(utc, len(columns)),
            value.ravel(),
            missing.ravel(),
            quality.ravel(),
            reason.ravel(),
            keep.ravel(),
        )

    def _addresses(
        self, cells: Cells, frame: pd.DataFrame, column: int | None
    ) -> tuple[NDArray[np.int32], Mapping[int, str]]:
        """The index of each row's address; -1 for rows with an unknown tag, with the reason for each of these."""
        if column is None:
            only = self._address.setdefault(self._dialect.tag or "", 0)
            return np.full(cells.rows, only, dtype=np.int32), {}
        codes, distinct = pd.factorize(frame[column])
        results = [self._tag(str(text)) for text in distinct]
        address = np.array([v if isinstance(v, int) else -1 for v in results], dtype=np.int32)[codes]
        return address, {row: str(results[codes[row]]) for row in np.flatnonzero(address < 0).tolist()}

    def _tag(self, text: str) -> int | str:
        """The index of a tag's address, or why it is rejected."""
        if text not in self._address_of_tag:
            tag = text.strip()
            tag = self._options.tag_of_column.get(tag, tag)
            if not tag:
                self._address_of_tag[text] = "the tag is empty"
            elif self._options.tags and tag not in self._options.tags:
                self._unknown += 1
                self._address_of_tag[text] = unknown_tag(tag, self._options, suggest=self._unknown <= MAX_SUGGESTIONS)
            else:
                self._address_of_tag[text] = self._address.setdefault(tag, len(self._address))
        return self._address_of_tag[text]

    def _values(
        self, cells: Cells, column: int, frame: pd.DataFrame, expected: Bools, rejects: list[Reject]
    ) -> tuple[NDArray[np.float64], Bools, Bools]:
        """The values of a column, which the source says are missing, and which are unreadable (rejected here)."""
        value = frame[column].to_numpy(dtype=np.float64, copy=True)
        suspect = np.flatnonzero(~np.isfinite(value) & expected)
        value[~np.isfinite(value)] = np.nan
        missing = np.zeros(cells.rows, dtype=np.bool_)
        bad = np.zeros(cells.rows, dtype=np.bool_)
        known: dict[bytes, float | str | None] = {}
        for row in suspect.tolist():
            raw = cells.raw(row, column)
            if raw not in known:
                known[raw] = self._one_value(raw)
            parsed = known[raw]
            if isinstance(parsed, str):
                bad[row] = True
                field = self._dialect.field(column, "value")
                rejects.append(Reject(int(cells.line[row]), field, printable(raw.strip()), parsed))
            elif parsed is None:
                missing[row] = True
            else:
                value[row] = parsed
        return value, missing, bad

    def _one_value(self, raw: bytes) -> float | str | None:
        text = raw.decode("utf-8", errors="replace").strip()
        if not text:
            return None
        try:
            return parse_number(text, self._dialect.decimal, certain=self._dialect.decimal_certain)
        except UnreadableNumber as problem:
            return str(problem)

    def _qualities(
        self, frame: pd.DataFrame, column: int | None, rows: int
    ) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        if column is None:
            return np.zeros(rows, dtype=np.int16), np.zeros(rows, dtype=np.int16)
        codes, distinct = pd.factorize(frame[column])
        texts = [str(text) for text in distinct]
        if self._code is QualityCode.AUTO:
            self._code = sniff_quality_code(set(texts))
        results = [parse_quality(text, self._code) for text in texts]
        return (
            np.array([int(v[0]) for v in results], dtype=np.int16)[codes],
            np.array([int(v[1]) for v in results], dtype=np.int16)[codes],
        )


def _samples(
    names: Sequence[str],
    address: NDArray[np.int32],
    utc: Int64s,
    value: NDArray[np.float64],
    missing: Bools,
    quality: NDArray[np.int16],
    reason: NDArray[np.int16],
    keep: Bools,
) -> SampleBlock:
    if missing.any():
        # A reading without a number is bad; the source's own reason is kept if it called the reading bad.
        quality, reason = quality.copy(), reason.copy()
        unexplained = missing & (quality != int(SourceQuality.BAD))
        quality[missing] = int(SourceQuality.BAD)
        reason[unexplained] = int(NO_NUMBER[1])
    kept = slice(None) if keep.all() else keep
    return SampleBlock(
        addresses=tuple(names),
        address_index=np.ascontiguousarray(address[kept]),
        time_us=utc[kept],
        value=value[kept],
        quality=quality[kept],
        reason=reason[kept],
    )
