"""Rows of a known width out of blocks of lines, by array arithmetic where quotes allow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from connectors.base import Reject
from connectors.csv.decoding.lines import MAX_LINE, LineBlock, shown, too_long
from connectors.csv.decoding.records import fitted, ragged, split_records

#: Separates fields once quotes are gone: the ASCII unit separator, which no export uses.
UNIT_SEPARATOR = b"\x1f"


@dataclass(frozen=True, slots=True)
class CleanBlock:
    """Rows of exactly ``width`` fields: no quotes to heed, no blank lines, LF after each row.

    ``line[i]`` is where row *i* began in the file; ``ends[i, k]`` where its field *k* ends in ``data``.
    """

    data: bytes
    delimiter: bytes
    width: int
    line: NDArray[np.int64]
    ends: NDArray[np.intp]


def clean(block: LineBlock, delimiter: bytes, width: int, rejects: list[Reject]) -> tuple[CleanBlock, bytes]:
    """Rows of exactly *width* fields out of a block of lines, and the bytes left for the next block."""
    data = block.data
    if b'"' in data:
        bare = _without_quotes(data, delimiter)
        if bare is None:
            return _clean_slowly(block, delimiter, width, rejects)
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
    odd |= _unusual(ends - starts, width)
    keep_row = ~odd
    cut_at = ends.copy()
    for row in np.flatnonzero(odd).tolist():
        text = data[starts[row] : ends[row]]
        if not text.replace(delimiter, b"").strip():
            continue
        if len(text) > MAX_LINE:
            rejects.append(too_long(int(line[row]), text))
        elif b"\0" in text:
            rejects.append(Reject(int(line[row]), "line", shown(text), "contains a NUL byte"))
        elif count[row] == width - 1:
            keep_row[row] = True
        elif count[row] >= width and not text.split(delimiter, width)[width].replace(delimiter, b"").strip():
            keep_row[row] = True
            cut_at[row] = places[first_place[row] + width - 1]
        else:
            rejects.append(Reject(int(line[row]), "line", shown(text), ragged(int(count[row]) + 1, width)))
    keep = np.repeat(keep_row, ends - starts + 1)
    for row in np.flatnonzero(keep_row & (cut_at < ends)).tolist():
        keep[cut_at[row] : ends[row]] = False
    return _clean_block(array[keep].tobytes(), delimiter, width, line[keep_row]), b""


def _regular(array: NDArray[np.uint8], structure: NDArray[np.intp], width: int) -> NDArray[np.intp] | None:
    """Where each field of each row ends, when every line is a row of *width* fields; else None."""
    if structure.size % width:
        return None
    ends = structure.reshape(-1, width)
    ended = array[structure].reshape(-1, width) == 10
    if not ended[:, -1].all() or ended[:, :-1].any():
        return None
    return None if _unusual(np.diff(ends[:, -1], prepend=-1) - 1, width).any() else ends


def _unusual(length: NDArray[np.intp], width: int) -> NDArray[np.bool_]:
    """Lines too long to be rows, or short enough to be blank but for delimiters: a time alone takes eight characters."""
    unusual: NDArray[np.bool_] = (length < width + 8) | (length > MAX_LINE)
    return unusual


def _clean_block(data: bytes, delimiter: bytes, width: int, line: NDArray[np.int64]) -> CleanBlock:
    array = np.frombuffer(data, dtype=np.uint8)
    structure = np.flatnonzero((array == 10) | (array == delimiter[0]))
    return CleanBlock(data, delimiter, width, line, structure.reshape(-1, width))


def _without_quotes(data: bytes, delimiter: bytes) -> bytes | None:
    """The data with its quotes dropped, when every quote plainly encloses one field on one line; else None."""
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


def _clean_slowly(block: LineBlock, delimiter: bytes, width: int, rejects: list[Reject]) -> tuple[CleanBlock, bytes]:
    records, used = split_records(block.data, block.first_line, delimiter, final=block.final, rejects=rejects)
    rows: list[bytes] = []
    line: list[int] = []
    for record in records:
        fields = fitted(record.fields, width)
        if fields is None:
            text = delimiter.join(record.fields)
            rejects.append(Reject(record.line, "line", shown(text), ragged(len(record.fields), width)))
            continue
        bare = [field.replace(b"\n", b" ").replace(UNIT_SEPARATOR, b" ") for field in fields]
        rows.append(UNIT_SEPARATOR.join(bare))
        line.append(record.line)
    data = b"".join(row + b"\n" for row in rows)
    return _clean_block(data, UNIT_SEPARATOR, width, np.array(line, dtype=np.int64)), block.data[used:]
