"""A byte stream in, columns of samples and named rejects out. No files, no clock: those belong to the caller.

Rows are split and timed by array arithmetic and their numbers read by pandas' C parser; only cells that the fast way does
not understand are looked at one by one, so a clean file costs no Python object per row and a dirty one loses nothing.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from connectors.base import HandCore, Reject, SampleBlock, SourceQuality
from connectors.csv_cell import NO_NUMBER, QualityCode, UnreadableNumber, code_seen, number, quality
from connectors.csv_cores import UnreadableCore, core_of, is_header, rejected
from connectors.csv_lines import ByteStream, CleanBlock, LineBlock, LineSource, clean, shown, split_records
from connectors.csv_shape import CsvFormat, Layout, Shape, find_shape, unknown_tag
from connectors.csv_time import ParsedTimes, UnreadableTime, parse_column, parse_one, trimmed
from connectors.local_time import to_utc

Int64s = NDArray[np.int64]
Bools = NDArray[np.bool_]

BLOCK_BYTES = 8 << 20
#: Before this no plant had files to drop; an earlier time is a clock that lost its battery.
EARLIEST = datetime(1990, 1, 1, tzinfo=UTC)
#: A time later than now by more than this is a wrong clock or, more often, a wrong zone.
LATEST_AHEAD = timedelta(hours=1)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MISSING_WORDS = ["", "nan", "NaN", "NAN", "null", "NULL", "N/A", "#N/A"]


@dataclass(frozen=True, slots=True)
class Chunk:
    """A part of a file: what could be read of it, and what could not."""

    samples: SampleBlock
    rejects: tuple[Reject, ...] = ()
    cores: tuple[HandCore, ...] = ()


@dataclass(slots=True)
class Reading:
    """One file being read. ``last_repeated`` carries, from file to file, the newest time of each tag inside a repeated hour."""

    options: CsvFormat
    now: datetime
    name: str
    last_repeated: dict[str, int] = field(default_factory=dict)
    block_bytes: int = BLOCK_BYTES

    def chunks(self, stream: ByteStream) -> Iterator[Chunk]:
        """Read a stream to its end.

        Raises
        ------
        Malformed
            when the file as a whole cannot be understood; nothing has been yielded then.
        """
        source = LineSource(stream, self.options.encoding, self.block_bytes)
        reader: _Rows | None = None
        for block in source:
            rejects = source.rejects
            source.rejects = []
            if reader is None:
                shape = find_shape(block.data, block.first_line, self.options, final=block.final, name=self.name)
                if shape is None:
                    # No row yet: blank lines, or lines that can be none.
                    delimiter = (self.options.delimiter or ",").encode()
                    split_records(block.data, block.first_line, delimiter, final=True, rejects=rejects)
                    if rejects:
                        yield Chunk(nothing(), tuple(rejects))
                    continue
                rejects = [*shape.rejects, *rejects]
                reader = _Rows(shape, self)
                block = _from_line(block, shape.first_data_line)
            samples, cores, left = reader.read(block, rejects)
            if left:
                first = block.first_line + block.data.count(b"\n") - left.count(b"\n")
                source.unread(left, first)
            rejects.sort(key=lambda reject: reject.line)
            if len(samples) or rejects or cores:
                yield Chunk(samples, tuple(rejects), tuple(cores))
        if reader is not None:
            last = reader.ignored()
            if last or source.rejects:
                yield Chunk(nothing(), (*source.rejects, *last))
        elif source.rejects:
            yield Chunk(nothing(), tuple(source.rejects))


def _from_line(block: LineBlock, line: int) -> LineBlock:
    """The block without what stands before *line*: the header and what precedes it."""
    skipped = min(line - block.first_line, block.data.count(b"\n"))
    position = 0
    for _ in range(skipped):
        position = block.data.index(b"\n", position) + 1
    return LineBlock(block.data[position:], block.first_line + skipped, block.final)


def nothing() -> SampleBlock:
    """No samples."""
    return SampleBlock(
        addresses=(),
        address_index=np.zeros(0, dtype=np.int32),
        time_us=np.zeros(0, dtype=np.int64),
        value=np.zeros(0, dtype=np.float64),
        quality=np.zeros(0, dtype=np.int16),
        reason=np.zeros(0, dtype=np.int16),
    )


class _Cells:
    """A clean block with the place of every cell."""

    def __init__(self, block: CleanBlock) -> None:
        self.block = block
        self.array = np.frombuffer(block.data, dtype=np.uint8)
        self.rows = block.line.size
        start = np.concatenate((np.zeros(1, dtype=np.intp), block.ends[:-1, -1] + 1)) if self.rows else block.line
        self._edges = np.column_stack((start - 1, block.ends))

    def span(self, column: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        return self._edges[:, column] + 1, self._edges[:, column + 1]

    def text(self, row: int, column: int) -> str:
        return self.raw(row, column).decode("utf-8", errors="replace").strip()

    def raw(self, row: int, column: int) -> bytes:
        return self.block.data[self._edges[row, column] + 1 : self._edges[row, column + 1]]

    def row_text(self, row: int) -> str:
        text = self.block.data[self._edges[row, 0] + 1 : self._edges[row, -1]]
        return shown(text.replace(b"\x1f", b","))

    def filled(self, column: int) -> Bools:
        """Which cells of a column hold anything but blanks."""
        start, end = self.span(column)
        if (end > start).all() and not (self.array[start] == 32).any():
            return np.ones(self.rows, dtype=np.bool_)
        start, end = trimmed(self.array, start, end)
        return end > start


class _Rows:
    """Turns blocks of one file into samples, remembering what runs from block to block."""

    def __init__(self, shape: Shape, reading: Reading) -> None:
        self._shape = shape
        self._options = reading.options
        self._reading = reading
        self._earliest = _micros(EARLIEST)
        self._latest = _micros(reading.now + LATEST_AHEAD)
        self._code = shape.quality_code
        self._address: dict[str, int] = {}
        self._verdicts: dict[str, int | str] = {}
        self._ignored = dict.fromkeys(shape.unknown, 0)
        self._newest_first: bool | None = None

    def read(self, block: LineBlock, rejects: list[Reject]) -> tuple[SampleBlock, list[HandCore], bytes]:
        if self._shape.layout is Layout.CORES:
            return self._cores(block, rejects)
        rows, left = clean(block, self._shape.delimiter, self._shape.width, rejects)
        if rows.line.size == 0:
            return nothing(), [], left
        cells = _Cells(rows)
        samples = self._long(cells, rejects) if self._shape.layout is Layout.LONG else self._wide(cells, rejects)
        return samples, [], left

    def ignored(self) -> list[Reject]:
        """One reject for each column nobody knows, with the number of its cells that were not taken."""
        line = max(self._shape.first_data_line - 1, 1)
        rejects = []
        for index, count in self._ignored.items():
            if count:
                column = self._shape.header[index] if self._shape.header else str(index + 1)
                cells = f"{count} value{'s' if count != 1 else ''} not taken"
                rejects.append(Reject(line, "column", column, f"{self._shape.unknown[index]} ({cells})"))
        return rejects

    # -- times -------------------------------------------------------------------------------------------------------

    def _times(
        self, cells: _Cells, series: NDArray[np.int32], names: Sequence[str], rejects: list[Reject]
    ) -> tuple[Int64s, Bools]:
        """UTC per row, and which rows have none; those are rejected here with their reason."""
        parsed = self._parsed(cells)
        bad = parsed.bad.copy()
        for row in np.flatnonzero(bad).tolist():
            rejects.append(self._bad_time(cells, row))
        naive = parsed.naive & ~bad
        day = 86_400_000_000
        utc = parsed.wall - parsed.offset
        implausible = ~bad & ((utc < self._earliest - day) | (utc > self._latest + day))
        naive &= ~implausible
        if naive.any():
            rows = np.flatnonzero(naive)
            last = {i: self._reading.last_repeated[n] for i, n in enumerate(names) if n in self._reading.last_repeated}
            if self._newest_first:
                last = {}  # what this file held before this block is newer, so it says nothing of what came before
            resolved = to_utc(parsed.wall[rows], series[rows], self._options.zone, last, self._newest_first)
            utc[rows] = resolved.utc
            self._newest_first = resolved.newest_first
            for row in rows[resolved.missing].tolist():
                reason = f"the clock in {self._options.zone} was put forward over this time: it never was"
                rejects.append(self._time_reject(cells, row, reason))
            bad[rows[resolved.missing]] = True
            for i in np.unique(series[rows]).tolist():
                self._reading.last_repeated.pop(names[i], None)
            self._reading.last_repeated.update({names[i]: moment for i, moment in resolved.last_repeated.items()})
        implausible = ~bad & ((utc < self._earliest) | (utc > self._latest))
        for row in np.flatnonzero(implausible).tolist():
            rejects.append(self._time_reject(cells, row, self._implausible(int(utc[row]), bool(parsed.naive[row]))))
        return utc, bad | implausible

    def _parsed(self, cells: _Cells) -> ParsedTimes:
        columns = self._shape.time_columns
        if len(columns) == 1:
            return parse_column(self._shape.time, cells.array, *cells.span(columns[0]))
        # Date and clock time apart: written side by side they are one cell.
        (start_a, end_a), (start_b, end_b) = (trimmed(cells.array, *cells.span(column)) for column in columns)
        lengths = (end_a - start_a) + (end_b - start_b) + 1
        ends = np.cumsum(lengths)
        starts = ends - lengths
        joined = np.full(int(ends[-1]), 32, dtype=np.uint8)
        for target, source, size in (
            (starts, start_a, end_a - start_a),
            (ends - (end_b - start_b), start_b, end_b - start_b),
        ):
            within = np.arange(int(size.sum())) - np.repeat(np.cumsum(size) - size, size)
            joined[np.repeat(target, size) + within] = cells.array[np.repeat(source, size) + within]
        return parse_column(self._shape.time, joined, starts, ends)

    def _bad_time(self, cells: _Cells, row: int) -> Reject:
        header = self._shape.header
        if header and [cells.text(row, i).lower() for i in range(len(header))] == [h.lower() for h in header]:
            return Reject(int(cells.block.line[row]), "line", cells.row_text(row), "the header once more")
        text = self._time_text(cells, row)
        try:
            parse_one(self._shape.time, text)
        except UnreadableTime as problem:
            return self._time_reject(cells, row, str(problem))
        raise AssertionError(f"{text!r} was read")  # pragma: no cover

    def _time_text(self, cells: _Cells, row: int) -> str:
        return " ".join(cells.text(row, column) for column in self._shape.time_columns)

    def _time_reject(self, cells: _Cells, row: int, reason: str) -> Reject:
        text = shown(self._time_text(cells, row).encode())
        return Reject(int(cells.block.line[row]), self._field(self._shape.time_columns[0], "time"), text, reason)

    def _implausible(self, utc: int, naive: bool) -> str:
        if utc < self._earliest:
            return f"lies before {EARLIEST.year}: a clock that was not set, or time_format is wrong"
        ahead = timedelta(microseconds=utc - self._latest) + LATEST_AHEAD
        minutes = int(ahead.total_seconds() // 60)
        cause = f"is {self._options.zone} the zone of this file's times?" if naive else "is the source's clock right?"
        return f"lies {minutes // 60} h {minutes % 60:02d} min in the future: {cause}"

    def _field(self, column: int, role: str) -> str:
        return (self._shape.header[column] if self._shape.header else "") or role

    # -- values ------------------------------------------------------------------------------------------------------

    def _values(
        self, cells: _Cells, column: int, frame: pd.DataFrame, wanted: Bools, rejects: list[Reject]
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
                rejects.append(
                    Reject(int(cells.block.line[row]), self._field(column, "value"), shown(raw.strip()), verdict)
                )
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

    def _frame(self, cells: _Cells, texts: Sequence[int], numbers: Sequence[int]) -> pd.DataFrame:
        """The wanted columns: numbers as float64, NaN where not understood; texts as they stand."""
        missing = dict.fromkeys(numbers, _MISSING_WORDS)
        try:
            return self._pandas(cells, texts, numbers, missing)
        except ValueError:
            pass
        # Some cell is no number: name such cells as missing for this block, and read it once more.
        odd = self._pandas(cells, numbers, (), {})
        for column in numbers:
            kinds = pd.Series(odd[column].unique(), dtype="str")
            unread = pd.to_numeric(kinds.str.replace(self._shape.decimal, ".", regex=False), errors="coerce").isna()
            missing[column] = [*_MISSING_WORDS, *kinds[unread]]
        try:
            return self._pandas(cells, texts, numbers, missing)
        except ValueError:
            pass
        frame = self._pandas(cells, [*texts, *numbers], (), {})
        for column in numbers:
            frame[column] = np.full(cells.rows, np.nan)
        return frame

    def _pandas(
        self, cells: _Cells, texts: Sequence[int], numbers: Sequence[int], missing: Mapping[int, Sequence[str]]
    ) -> pd.DataFrame:
        wanted = sorted({*texts, *numbers})
        # Texts as they stand: pandas' own categories would make numbers of tags like 007.
        types: dict[int, str] = {**dict.fromkeys(texts, "object"), **dict.fromkeys(numbers, "float64")}
        # pandas' stubs know columns by name only; without a header they are numbers.
        named: Any = {column: list(words) for column, words in missing.items()}
        frame = pd.read_csv(
            io.BytesIO(cells.block.data),
            sep=cells.block.delimiter.decode(),
            header=None,
            usecols=wanted,
            dtype=types,
            decimal=self._shape.decimal,
            quoting=3,
            keep_default_na=False,
            na_values=named,
            skip_blank_lines=False,
            engine="c",
        )
        if len(frame) != cells.rows:
            raise ValueError("rows were lost")
        return frame

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

    # -- layouts -----------------------------------------------------------------------------------------------------

    def _long(self, cells: _Cells, rejects: list[Reject]) -> SampleBlock:
        role = self._shape.role
        tag, value_column, quality_column = role.get("tag"), role["value"], role.get("quality")
        texts = [column for column in (tag, quality_column) if column is not None]
        frame = self._frame(cells, texts, [value_column])
        address, reason_of = self._addresses(cells, frame, tag)
        names = list(self._address)
        # A row is rejected for the first thing that is wrong with it, and once.
        utc, bad = self._times(cells, np.maximum(address, 0), names, rejects)
        for row in np.flatnonzero((address < 0) & ~bad).tolist():
            text = shown(cells.raw(row, tag or 0).strip())
            rejects.append(Reject(int(cells.block.line[row]), self._field(tag or 0, "tag"), text, reason_of[row]))
        bad |= address < 0
        value, missing, bad_value = self._values(cells, value_column, frame, ~bad, rejects)
        grade, reason = self._qualities(frame, quality_column, cells.rows)
        return _samples(names, address, utc, value, missing, grade, reason, ~(bad | bad_value))

    def _addresses(
        self, cells: _Cells, frame: pd.DataFrame, column: int | None
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
                self._verdicts[text] = unknown_tag(tag, self._options.tags)
            else:
                self._verdicts[text] = self._address.setdefault(tag, len(self._address))
        return self._verdicts[text]

    def _wide(self, cells: _Cells, rejects: list[Reject]) -> SampleBlock:
        columns = self._shape.wide
        for index in self._ignored:
            self._ignored[index] += int(cells.filled(index).sum())
        qualities = [column.quality for column in columns if column.quality is not None]
        utc, bad_time = self._times(cells, np.zeros(cells.rows, dtype=np.int32), ("",), rejects)
        if not columns:
            return nothing()
        frame = self._frame(cells, qualities, [column.index for column in columns])
        shape = (cells.rows, len(columns))
        value = np.empty(shape)
        missing, keep = np.zeros(shape, dtype=np.bool_), np.zeros(shape, dtype=np.bool_)
        grade, reason = np.zeros(shape, dtype=np.int16), np.zeros(shape, dtype=np.int16)
        for k, column in enumerate(columns):
            filled = cells.filled(column.index)
            value[:, k], missing[:, k], bad = self._values(cells, column.index, frame, filled & ~bad_time, rejects)
            keep[:, k] = filled & ~bad_time & ~bad
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

    def _cores(self, block: LineBlock, rejects: list[Reject]) -> tuple[SampleBlock, list[HandCore], bytes]:
        records, used = split_records(
            block.data, block.first_line, self._shape.delimiter, final=block.final, rejects=rejects
        )
        cores: list[HandCore] = []
        for record in records:
            try:
                if is_header(record, self._shape):
                    raise UnreadableCore(
                        "line",
                        self._shape.delimiter.join(record.fields).decode(errors="replace"),
                        "the header once more",
                    )
                cores.append(core_of(record, self._core_time(record.fields), self._shape, self._options))
            except UnreadableCore as problem:
                rejects.append(rejected(record, problem))
        return nothing(), cores, block.data[used:]

    def _core_time(self, fields: Sequence[bytes]) -> int:
        columns = self._shape.time_columns
        if max(columns) >= len(fields):
            return 0  # the row is short, and is rejected for that
        text = " ".join(fields[column].decode("utf-8", errors="replace").strip() for column in columns)
        try:
            wall, offset = parse_one(self._shape.time, text)
        except UnreadableTime as problem:
            raise UnreadableCore("time", text, str(problem)) from None
        utc = wall - (offset or 0)
        if not self._earliest - 10**11 <= utc <= self._latest + 10**11:
            raise UnreadableCore("time", text, self._implausible(utc, offset is None))
        if offset is None:
            # A person notes a core in no fixed order, so each stands alone: in the repeated hour, the first pass.
            resolved = to_utc(np.array([wall], dtype=np.int64), np.zeros(1, dtype=np.int32), self._options.zone)
            if resolved.missing[0]:
                raise UnreadableCore(
                    "time", text, f"the clock in {self._options.zone} was put forward over this time: it never was"
                )
            utc = int(resolved.utc[0])
        if not self._earliest <= utc <= self._latest:
            raise UnreadableCore("time", text, self._implausible(utc, offset is None))
        return utc


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


def _micros(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(microseconds=1)
