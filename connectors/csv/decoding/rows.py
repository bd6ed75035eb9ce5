"""Splits blocks of lines into rows of a known width, by array arithmetic where quotes allow, and reads columns of cells."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from connectors.base import Reject
from connectors.csv.decoding.lines import (
    MAX_LINE,
    LineBlock,
    line_too_long,
    printable,
    split_records,
    trim_fields,
    wrong_field_count,
)
from connectors.csv.times.columns import trim_cells
from connectors.csv.times.pattern import Bools

#: Separates fields once quotes are gone: the ASCII unit separator, which no export uses.
UNIT_SEPARATOR = b"\x1f"


@dataclass(frozen=True, slots=True)
class CleanBlock:
    """Rows of exactly ``width`` fields: without quotes and blank lines, LF after each row.

    ``line[i]`` is where row *i* began in the file; ``ends[i, k]`` where its field *k* ends in ``data``.
    """

    data: bytes
    delimiter: bytes
    width: int
    line: NDArray[np.int64]
    ends: NDArray[np.intp]


def split_rows(block: LineBlock, delimiter: bytes, width: int, rejects: list[Reject]) -> tuple[CleanBlock, bytes]:
    """The rows of exactly *width* fields in a block of lines, and the bytes left for the next block."""
    data = block.data
    if b'"' in data:
        bare = _strip_quotes(data, delimiter)
        if bare is None:
            return _split_quoted_rows(block, delimiter, width, rejects)
        data = bare
    array = np.frombuffer(data, dtype=np.uint8)
    structure = np.flatnonzero((array == 10) | (array == delimiter[0]))
    regular = _regular(array, structure, width)
    if regular is not None and b"\0" not in data:
        line = block.first_line + np.arange(regular.shape[0], dtype=np.int64)
        return CleanBlock(data, delimiter, width, line, regular), b""
    ends = structure[array[structure] == 10]
    starts = np.concatenate((np.zeros(1, dtype=ends.dtype), ends[:-1] + 1)) if ends.size else ends
    places = structure[array[structure] != 10]
    first_place = np.searchsorted(places, starts)
    count = np.searchsorted(places, ends) - first_place
    line = block.first_line + np.arange(ends.size, dtype=np.int64)
    odd = count != width - 1
    if b"\0" in data:
        odd[np.searchsorted(ends, np.flatnonzero(array == 0))] = True
    odd |= _odd_length(ends - starts, width)
    keep_row = ~odd
    cut_at = ends.copy()
    for row in np.flatnonzero(odd).tolist():
        text = data[starts[row] : ends[row]]
        if not text.replace(delimiter, b"").strip():
            continue
        if len(text) > MAX_LINE:
            rejects.append(line_too_long(int(line[row]), text))
        elif b"\0" in text:
            rejects.append(Reject(int(line[row]), "line", printable(text), "contains a NUL byte"))
        elif count[row] == width - 1:
            keep_row[row] = True
        elif count[row] >= width and not text.split(delimiter, width)[width].replace(delimiter, b"").strip():
            keep_row[row] = True
            cut_at[row] = places[first_place[row] + width - 1]
        else:
            rejects.append(
                Reject(int(line[row]), "line", printable(text), wrong_field_count(int(count[row]) + 1, width))
            )
    keep = np.repeat(keep_row, ends - starts + 1)
    for row in np.flatnonzero(keep_row & (cut_at < ends)).tolist():
        keep[cut_at[row] : ends[row]] = False
    return _block_of_rows(array[keep].tobytes(), delimiter, width, line[keep_row]), b""


def _regular(array: NDArray[np.uint8], structure: NDArray[np.intp], width: int) -> NDArray[np.intp] | None:
    """Where each field of each row ends, if every line is a row of *width* fields; else None."""
    if structure.size % width:
        return None
    ends = structure.reshape(-1, width)
    ended = array[structure].reshape(-1, width) == 10
    if not ended[:, -1].all() or ended[:, :-1].any():
        return None
    return None if _odd_length(np.diff(ends[:, -1], prepend=-1) - 1, width).any() else ends


def _odd_length(length: NDArray[np.intp], width: int) -> NDArray[np.bool_]:
    """Lines too long to be rows, or short enough to be blank but for delimiters: a time alone takes eight characters."""
    odd: NDArray[np.bool_] = (length < width + 8) | (length > MAX_LINE)
    return odd


def _block_of_rows(data: bytes, delimiter: bytes, width: int, line: NDArray[np.int64]) -> CleanBlock:
    array = np.frombuffer(data, dtype=np.uint8)
    structure = np.flatnonzero((array == 10) | (array == delimiter[0]))
    return CleanBlock(data, delimiter, width, line, structure.reshape(-1, width))


def _strip_quotes(data: bytes, delimiter: bytes) -> bytes | None:
    """The data without quotes, if every pair of quotes encloses one field on one line; else None."""
    array = np.frombuffer(data, dtype=np.uint8)
    quotes = np.flatnonzero(array == 34)
    if quotes.size % 2:
        return None
    opening, closing = quotes[0::2], quotes[1::2]
    separators = np.frombuffer(delimiter + b"\n", dtype=np.uint8)
    before = array[np.maximum(opening - 1, 0)]
    plain = np.isin(before, separators) | (opening == 0)
    after = array[np.minimum(closing + 1, array.size - 1)]
    plain &= np.isin(after, separators)
    if not plain.all():
        return None
    structure = np.flatnonzero((array == delimiter[0]) | (array == 10))
    if (np.searchsorted(quotes, structure) % 2).any():
        return None
    bare: bytes = array[array != 34].tobytes()
    return bare


def _split_quoted_rows(
    block: LineBlock, delimiter: bytes, width: int, rejects: list[Reject]
) -> tuple[CleanBlock, bytes]:
    records, used = split_records(block.data, block.first_line, delimiter, final=block.final, rejects=rejects)
    rows: list[bytes] = []
    line: list[int] = []
    for record in records:
        fields = trim_fields(record.fields, width)
        if fields is None:
            text = delimiter.join(record.fields)
            rejects.append(Reject(record.line, "line", printable(text), wrong_field_count(len(record.fields), width)))
            continue
        bare = [field.replace(b"\n", b" ").replace(UNIT_SEPARATOR, b" ") for field in fields]
        rows.append(UNIT_SEPARATOR.join(bare))
        line.append(record.line)
    data = b"".join(row + b"\n" for row in rows)
    return _block_of_rows(data, UNIT_SEPARATOR, width, np.array(line, dtype=np.int64)), block.data[used:]


#: Read as missing at once; every other cell that is no number is looked at by itself.
_MISSING = ["", "nan", "NaN", "NAN", "null", "NULL", "N/A", "#N/A"]


class Cells:
    """A clean block and the position of every cell."""

    def __init__(self, block: CleanBlock) -> None:
        self.array = np.frombuffer(block.data, dtype=np.uint8)
        self.line = block.line
        self.rows = block.line.size
        self._block = block
        start = np.concatenate((np.zeros(1, dtype=np.intp), block.ends[:-1, -1] + 1)) if self.rows else block.line
        self._edges = np.column_stack((start - 1, block.ends))

    def span(self, column: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Where the cells of a column begin and end in ``array``."""
        return self._edges[:, column] + 1, self._edges[:, column + 1]

    def raw(self, row: int, column: int) -> bytes:
        return self._block.data[self._edges[row, column] + 1 : self._edges[row, column + 1]]

    def text(self, row: int, column: int) -> str:
        return self.raw(row, column).decode("utf-8", errors="replace").strip()

    def row_text(self, row: int) -> str:
        """A row as text to show to people."""
        text = self._block.data[self._edges[row, 0] + 1 : self._edges[row, -1]]
        return printable(text.replace(self._block.delimiter, b",") if self._block.delimiter == b"\x1f" else text)

    def filled(self, column: int) -> Bools:
        """Which cells of a column are not blank."""
        start, end = self.span(column)
        if (end > start).all() and not (self.array[start] == 32).any():
            return np.ones(self.rows, dtype=np.bool_)
        start, end = trim_cells(self.array, start, end)
        return end > start

    def columns(self, texts: Sequence[int], numbers: Sequence[int], decimal: str) -> pd.DataFrame:
        """Columns as a frame: *numbers* as float64, NaN where unreadable; *texts* as they are."""
        missing = dict.fromkeys(numbers, _MISSING)
        try:
            return self._read(texts, numbers, missing, decimal)
        except ValueError:
            pass
        # Some cell is no number: declare such cells missing for this block, and read it once more.
        odd = self._read(numbers, (), {}, decimal)
        for column in numbers:
            kinds = pd.Series(odd[column].unique(), dtype="str")
            unread = pd.to_numeric(kinds.str.replace(decimal, ".", regex=False), errors="coerce").isna()
            missing[column] = [*_MISSING, *kinds[unread]]
        try:
            return self._read(texts, numbers, missing, decimal)
        except ValueError:
            pass
        frame = self._read([*texts, *numbers], (), {}, decimal)
        for column in numbers:
            frame[column] = np.full(self.rows, np.nan)
        return frame

    def _read(
        self, texts: Sequence[int], numbers: Sequence[int], missing: Mapping[int, Sequence[str]], decimal: str
    ) -> pd.DataFrame:
        # Texts as object: pandas' own inference would turn tags like 007 into numbers.
        types: dict[int, str] = {**dict.fromkeys(texts, "object"), **dict.fromkeys(numbers, "float64")}
        # pandas' stubs know columns by name only; without a header they are numbers.
        named: Any = {column: list(words) for column, words in missing.items()}
        frame = pd.read_csv(
            io.BytesIO(self._block.data),
            sep=self._block.delimiter.decode(),
            header=None,
            usecols=sorted(types),
            dtype=types,
            decimal=decimal,
            quoting=3,
            keep_default_na=False,
            na_values=named,
            skip_blank_lines=False,
            engine="c",
        )
        if len(frame) != self.rows:
            raise ValueError("rows were lost")
        return frame
