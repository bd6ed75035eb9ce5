"""Rows of readings, long or wide, to columns of samples.

Rows are split and timed by array arithmetic and their numbers read by pandas' C parser; only cells that the fast way does
not understand are looked at one by one, so a clean file costs no Python object per row and a dirty one loses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from connectors.base import Reject, SampleBlock, SourceQuality
from connectors.csv.decoding.cell import NO_NUMBER, QualityCode, UnreadableNumber, code_seen, number, quality
from connectors.csv.decoding.cells import Cells
from connectors.csv.decoding.dialect import Shape
from connectors.csv.decoding.format import MOST_NEAR, CsvFormat, Layout, unknown_tag
from connectors.csv.decoding.lines import LineBlock, shown
from connectors.csv.decoding.parts import no_samples
from connectors.csv.decoding.row_times import RowTimes
from connectors.csv.decoding.rows import clean
from connectors.csv.times.pattern import Bools, Int64s


class SampleRows:
    """Turns blocks of one file into samples, remembering what runs from block to block."""

    def __init__(self, shape: Shape, options: CsvFormat, times: RowTimes) -> None:
        self._shape = shape
        self._options = options
        self._times = times
        self._code = shape.quality_code
        self._address: dict[str, int] = {}
        self._verdicts: dict[str, int | str] = {}
        self._unknown = 0
        self._ignored = dict.fromkeys(shape.unknown, 0)

    def read(self, block: LineBlock, rejects: list[Reject]) -> tuple[SampleBlock, bytes]:
        """The samples of a block of lines, and the bytes left for the next block."""
        rows, left = clean(block, self._shape.delimiter, self._shape.width, rejects)
        if rows.line.size == 0:
            return no_samples(), left
        cells = Cells(rows)
        return (self._long if self._shape.layout is Layout.LONG else self._wide)(cells, rejects), left

    def ignored(self) -> list[Reject]:
        """One reject for each column nobody knows, with the number of its cells that were not taken."""
        line = max(self._shape.header_line, 1)
        rejects = []
        for index, count in self._ignored.items():
            if count:
                column = self._shape.field(index, str(index + 1))
                cells = f"{count} value{'s' if count != 1 else ''} not taken"
                rejects.append(Reject(line, "column", column, f"{self._shape.unknown[index]} ({cells})"))
        return rejects

    def _long(self, cells: Cells, rejects: list[Reject]) -> SampleBlock:
        role = self._shape.role
        tag, value_column, quality_column = role.get("tag"), role["value"], role.get("quality")
        texts = [column for column in (tag, quality_column) if column is not None]
        frame = cells.columns(texts, [value_column], self._shape.decimal)
        address, reason_of = self._addresses(cells, frame, tag)
        names = list(self._address)
        # A row is rejected for the first thing that is wrong with it, and once.
        utc, bad = self._times.of_rows(cells, np.maximum(address, 0), names or ("",), rejects)
        for row in np.flatnonzero((address < 0) & ~bad).tolist():
            text = shown(cells.raw(row, tag or 0).strip())
            field = self._shape.field(tag or 0, "tag")
            rejects.append(Reject(int(cells.line[row]), field, text, reason_of[row]))
        bad |= address < 0
        value, missing, unreadable = self._values(cells, value_column, frame, ~bad, rejects)
        grade, reason = self._qualities(frame, quality_column, cells.rows)
        return _samples(names, address, utc, value, missing, grade, reason, ~(bad | unreadable))

    def _wide(self, cells: Cells, rejects: list[Reject]) -> SampleBlock:
        columns = self._shape.wide
        for index in self._ignored:
            self._ignored[index] += int(cells.filled(index).sum())
        utc, bad_time = self._times.of_rows(cells, np.zeros(cells.rows, dtype=np.int32), ("",), rejects)
        if not columns:
            return no_samples()
        qualities = [column.quality for column in columns if column.quality is not None]
        frame = cells.columns(qualities, [column.index for column in columns], self._shape.decimal)
        shape = (cells.rows, len(columns))
        value = np.empty(shape)
        missing, keep = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
        grade, reason = np.zeros(shape, dtype=np.int16), np.zeros(shape, dtype=np.int16)
        for k, column in enumerate(columns):
            # An empty cell of a wide file is no reading: the tags of a row need not report together.
            wanted = cells.filled(column.index) & ~bad_time
            value[:, k], missing[:, k], bad = self._values(cells, column.index, frame, wanted, rejects)
            keep[:, k] = wanted & ~bad
            grade[:, k], reason[:, k] = self._qualities(frame, column.quality, cells.rows)
        address = np.broadcast_to(np.arange(len(columns), dtype=np.int32), shape)
        return _samples(
            [column.tag for column in columns],
            address.ravel(),
            np.repeat(utc, len(columns)),
            value.ravel(),
            missing.ravel(),
            grade.ravel(),
            reason.ravel(),
            keep.ravel(),
        )

    def _addresses(
        self, cells: Cells, frame: pd.DataFrame, column: int | None
    ) -> tuple[NDArray[np.int32], Mapping[int, str]]:
        """Which address each row belongs to; -1 for rows with an unknown tag, with the reason for each of these."""
        if column is None:
            only = self._address.setdefault(self._shape.tag or "", 0)
            return np.full(cells.rows, only, dtype=np.int32), {}
        codes, kinds = pd.factorize(frame[column])
        verdicts = [self._tag(str(text)) for text in kinds]
        address = np.array([v if isinstance(v, int) else -1 for v in verdicts], dtype=np.int32)[codes]
        return address, {row: str(verdicts[codes[row]]) for row in np.flatnonzero(address < 0).tolist()}

    def _tag(self, text: str) -> int | str:
        """The number of a tag's address, or the reason why it has none."""
        if text not in self._verdicts:
            tag = text.strip()
            tag = self._options.tag_of_column.get(tag, tag)
            if not tag:
                self._verdicts[text] = "the tag is empty"
            elif self._options.tags and tag not in self._options.tags:
                self._unknown += 1
                self._verdicts[text] = unknown_tag(tag, self._options, near=self._unknown <= MOST_NEAR)
            else:
                self._verdicts[text] = self._address.setdefault(tag, len(self._address))
        return self._verdicts[text]

    def _values(
        self, cells: Cells, column: int, frame: pd.DataFrame, wanted: Bools, rejects: list[Reject]
    ) -> tuple[NDArray[np.float64], Bools, Bools]:
        """Values of a column, where the source says there is none, and which are unreadable (rejected here)."""
        value = frame[column].to_numpy(dtype=np.float64, copy=True)
        doubtful = np.flatnonzero(~np.isfinite(value) & wanted)
        value[~np.isfinite(value)] = np.nan
        missing = np.zeros(cells.rows, dtype=np.bool_)
        bad = np.zeros(cells.rows, dtype=np.bool_)
        known: dict[bytes, float | str | None] = {}
        for row in doubtful.tolist():
            raw = cells.raw(row, column)
            if raw not in known:
                known[raw] = self._one_value(raw)
            verdict = known[raw]
            if isinstance(verdict, str):
                bad[row] = True
                field = self._shape.field(column, "value")
                rejects.append(Reject(int(cells.line[row]), field, shown(raw.strip()), verdict))
            elif verdict is None:
                missing[row] = True
            else:
                value[row] = verdict
        return value, missing, bad

    def _one_value(self, raw: bytes) -> float | str | None:
        text = raw.decode("utf-8", errors="replace").strip()
        if not text:
            return None
        try:
            return number(text, self._shape.decimal, certain=self._shape.decimal_certain)
        except UnreadableNumber as problem:
            return str(problem)

    def _qualities(
        self, frame: pd.DataFrame, column: int | None, rows: int
    ) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
        if column is None:
            return np.zeros(rows, dtype=np.int16), np.zeros(rows, dtype=np.int16)
        codes, kinds = pd.factorize(frame[column])
        texts = [str(text) for text in kinds]
        if self._code is QualityCode.AUTO:
            self._code = code_seen(set(texts))
        verdicts = [quality(text, self._code) for text in texts]
        return (
            np.array([int(v[0]) for v in verdicts], dtype=np.int16)[codes],
            np.array([int(v[1]) for v in verdicts], dtype=np.int16)[codes],
        )


def _samples(
    names: Sequence[str],
    address: NDArray[np.int32],
    utc: Int64s,
    value: NDArray[np.float64],
    missing: Bools,
    grade: NDArray[np.int16],
    reason: NDArray[np.int16],
    keep: Bools,
) -> SampleBlock:
    if missing.any():
        # The source says there is a reading without a number; its own reason stands if it called the reading bad.
        grade, reason = grade.copy(), reason.copy()
        unexplained = missing & (grade != int(SourceQuality.BAD))
        grade[missing] = int(SourceQuality.BAD)
        reason[unexplained] = int(NO_NUMBER[1])
    kept = slice(None) if keep.all() else keep
    return SampleBlock(
        addresses=tuple(names),
        address_index=np.ascontiguousarray(address[kept]),
        time_us=utc[kept],
        value=value[kept],
        quality=grade[kept],
        reason=reason[kept],
    )
