"""From bytes in any encoding to blocks of rows that each have the expected number of fields, and the lines that have not.

Line numbers are physical lines of the decompressed file, counted from 1; a line ends with LF, CRLF or a lone CR.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from connectors.base import Reject

#: Longer than any row of a plant export; what is longer is a binary file or has lost its line ends.
MAX_LINE = 1 << 20
#: A quoted field may span lines (RFC 4180), but a stray quote must not swallow the rest of the file.
MAX_RECORD_LINES = 100
MAX_RECORD_BYTES = 1 << 16
#: Separates fields once quotes are gone: the ASCII unit separator, which no export uses.
UNIT_SEPARATOR = b"\x1f"

_SHOWN = 200
_BOM = b"\xef\xbb\xbf"


class ByteStream(Protocol):
    """Anything with ``read``: a file, a decompressor, a buffer."""

    def read(self, size: int = -1, /) -> bytes: ...


@dataclass(frozen=True, slots=True)
class LineBlock:
    """Whole lines, each ended by LF; ``final`` when no record can run on into the next block."""

    data: bytes
    first_line: int
    final: bool


@dataclass(frozen=True, slots=True)
class Record:
    """One row, split; ``line`` is where it begins."""

    line: int
    fields: list[bytes]


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


def shown(text: bytes) -> str:
    """A piece of input fit to be shown: decoded, without control characters, not too long."""
    decoded = text[: _SHOWN * 4].decode("utf-8", errors="replace")
    printable = "".join(c if c.isprintable() else " " for c in decoded[:_SHOWN])
    return printable + ("…" if len(decoded) > _SHOWN or len(text) > _SHOWN * 4 else "")


def sniff_encoding(head: bytes) -> str:
    """The encoding of a file by its first bytes: a byte order mark, or UTF-16 by its zero bytes, else UTF-8.

    Notes
    -----
    ``utf-8`` here means: a line that is not valid UTF-8 is read as Windows-1252 (a superset of printable Latin-1).
    """
    for mark, name in (
        (codecs.BOM_UTF32_LE, "utf-32"),
        (codecs.BOM_UTF32_BE, "utf-32"),
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return name
    sample = head[:4096]
    pairs = len(sample) // 2
    if pairs >= 4:
        low, high = sample[0 : 2 * pairs : 2].count(0), sample[1 : 2 * pairs : 2].count(0)
        if high > 0.6 * pairs and low < 0.1 * pairs:
            return "utf-16-le"
        if low > 0.6 * pairs and high < 0.1 * pairs:
            return "utf-16-be"
    return "utf-8"


class LineSource:
    """Reads a byte stream as blocks of whole lines in UTF-8; lines too long to be rows end up in ``rejects``."""

    def __init__(self, stream: ByteStream, encoding: str | None, block_bytes: int) -> None:
        self._stream = stream
        self._block_bytes = block_bytes
        self._head = stream.read(block_bytes)
        self.encoding = encoding or sniff_encoding(self._head)
        self._lenient = encoding is None and self.encoding == "utf-8"
        self._plain = codecs.lookup(self.encoding).name in {"utf-8", "utf-8-sig", "ascii"}
        self._decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        self._next_line = 1
        self._tail = b""
        self._held_cr = b""
        self._skipping = False
        self.rejects: list[Reject] = []

    def unread(self, data: bytes, first_line: int) -> None:
        """Put lines back; they come again at the start of the next block."""
        self._tail = data + self._tail
        self._next_line = first_line

    def __iter__(self) -> Iterator[LineBlock]:
        while True:
            # One block is read ahead, so that the last one is known for what it is.
            raw, self._head = self._head, self._stream.read(self._block_bytes) if self._head else b""
            final = not self._head
            data = self._normalised(raw, final)
            block = self._cut(data, final)
            if block or final:
                # No record runs on over a line that is too long to be read.
                yield self._numbered(block, final or self._skipping)
            if final and not self._tail:
                return

    def _normalised(self, raw: bytes, final: bool) -> bytes:
        if not self._plain:
            raw = self._decoder.decode(raw, final).encode("utf-8", errors="replace")
        data = self._held_cr + raw
        self._held_cr = b""
        if data.endswith(b"\r") and not final:
            data, self._held_cr = data[:-1], b"\r"
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        return data

    def _cut(self, data: bytes, final: bool) -> bytes:
        """The whole lines at hand; the rest waits for the next block."""
        if self._skipping:
            end = data.find(b"\n")
            if end < 0:
                self._skipping = not final
                return b""
            self._skipping = False
            self._next_line += 1
            data = data[end + 1 :]
        data = self._tail + data
        self._tail = b""
        if final:
            return data if not data or data.endswith(b"\n") else data + b"\n"
        end = data.rfind(b"\n") + 1
        self._tail = data[end:]
        if len(self._tail) > MAX_LINE:
            self.rejects.append(_too_long(self._next_line + data.count(b"\n"), self._tail))
            self._tail, self._skipping = b"", True
        return data[:end]

    def _numbered(self, data: bytes, final: bool) -> LineBlock:
        first = self._next_line
        lines = data.count(b"\n")
        self._next_line += lines
        # Files joined end to end keep each one's byte order mark.
        data = data.removeprefix(_BOM)
        if b"\n" + _BOM in data:
            data = data.replace(b"\n" + _BOM, b"\n")
        if self._plain and not data.isascii():
            data = _repaired(data, lenient=self._lenient)
        return LineBlock(data, first, final)


def _too_long(line: int, text: bytes) -> Reject:
    return Reject(line, "line", shown(text), f"longer than {MAX_LINE} bytes; is this a text file with line ends?")


def _repaired(data: bytes, *, lenient: bool) -> bytes:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return b"\n".join(_valid_line(line, lenient) for line in data.split(b"\n"))
    return data


def _valid_line(line: bytes, lenient: bool) -> bytes:
    try:
        line.decode("utf-8")
    except UnicodeDecodeError:
        encoding = "cp1252" if lenient else "utf-8"
        return line.decode(encoding, errors="replace").encode("utf-8")
    return line


def split_records(
    data: bytes, first_line: int, delimiter: bytes, *, final: bool, rejects: list[Reject], limit: int | None = None
) -> tuple[list[Record], int]:
    """Split lines into records by RFC 4180, with a stray quote costing one line and not the file.

    Returns
    -------
    The records, and how many bytes of *data* were used: a record still open at the end is left for the next block.
    """
    records: list[Record] = []
    lines = data.split(b"\n")
    lines.pop()
    index = used = 0
    while index < len(lines) and (limit is None or len(records) < limit):
        line = lines[index]
        taken = 1
        if b'"' not in line:
            fields: list[bytes] | None = line.split(delimiter)
            problem = ""
        else:
            fields, taken, problem = _quoted_record(lines, index, delimiter)
            if fields is None and not problem:
                if not final and len(lines) - index < MAX_RECORD_LINES and len(data) - used < MAX_RECORD_BYTES:
                    return records, used
                problem = "a quote opened on this line is never closed"
        if len(line) > MAX_LINE:
            rejects.append(_too_long(first_line + index, line))
            taken = 1
        elif fields is None:
            rejects.append(Reject(first_line + index, "line", shown(line), problem))
            taken = 1
        elif any(b"\0" in piece for piece in lines[index : index + taken]):
            rejects.append(Reject(first_line + index, "line", shown(line), "contains a NUL byte"))
        elif any(field.strip() for field in fields):
            records.append(Record(first_line + index, fields))
        used += sum(len(piece) + 1 for piece in lines[index : index + taken])
        index += taken
    return records, used


def _quoted_record(lines: list[bytes], index: int, delimiter: bytes) -> tuple[list[bytes] | None, int, str]:
    """Fields of the record that begins at a line, how many lines it took, and what is wrong with it.

    No fields and no problem: the record is still open where the lines, or the limits, end.
    """
    text = lines[index]
    taken = 1
    fields: list[bytes] = []
    position = 0
    while True:
        if text[position : position + 1] != b'"':
            end = text.find(delimiter, position)
            if end < 0:
                fields.append(text[position:])
                return fields, taken, ""
            fields.append(text[position:end])
            position = end + 1
            continue
        value = b""
        position += 1
        while True:
            close = text.find(b'"', position)
            if close < 0:
                if index + taken >= len(lines) or taken >= MAX_RECORD_LINES or len(text) > MAX_RECORD_BYTES:
                    return None, taken, ""
                text += b"\n" + lines[index + taken]
                taken += 1
                continue
            value += text[position:close]
            position = close + 1
            if text[position : position + 1] != b'"':
                break
            value += b'"'
            position += 1
        fields.append(value)
        following = text[position : position + 1]
        if not following:
            return fields, taken, ""
        if following != delimiter:
            return None, taken, "text stands after a closing quote"
        position += 1


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
            rejects.append(_too_long(int(line[row]), text))
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


def ragged(found: int, width: int) -> str:
    """The reason for a row with the wrong number of fields."""
    return f"has {found} field{'s' if found != 1 else ''} where this file has {width}"


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


def fitted(fields: list[bytes], width: int) -> list[bytes] | None:
    """The fields cut to *width* when what is over is empty; None when they do not fit."""
    if len(fields) < width or any(field.strip() for field in fields[width:]):
        return None
    return fields[:width]
