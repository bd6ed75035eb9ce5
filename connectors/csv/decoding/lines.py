"""Decodes bytes in any encoding to blocks of whole lines in UTF-8, and splits lines into records by RFC 4180.

Line numbers are physical lines of the decompressed file, counted from 1; a line ends with LF, CRLF or a lone CR.
"""

from __future__ import annotations

import codecs
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from connectors.base import Reject

#: Longer than any row of a plant export; what is longer is a binary file or has lost its line ends.
MAX_LINE = 1 << 20
#: A block of one-letter lines would expand to a hundred times its size.
MAX_BLOCK_LINES = 1 << 18
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


#: Rejects listed per block and per file; the others are counted.
MAX_LISTED_REJECTS = 10_000


class Rejects(list[Reject]):
    """A bounded list of rejects; ``unlisted`` counts those beyond. A hostile file has no end of them."""

    def __init__(self, items: Iterable[Reject] = (), unlisted: int = 0) -> None:
        super().__init__()
        self.unlisted = unlisted
        self.extend(items)

    def append(self, reject: Reject) -> None:
        if len(self) < MAX_LISTED_REJECTS:
            super().append(reject)
        else:
            self.unlisted += 1

    def extend(self, rejects: Iterable[Reject]) -> None:
        for reject in rejects:
            self.append(reject)


def printable(text: bytes) -> str:
    """A piece of input to show to people: decoded, without control characters, at most ``_SHOWN`` characters."""
    decoded = text[: _SHOWN * 4].decode("utf-8", errors="replace")
    clean = "".join(c if c.isprintable() else " " for c in decoded[:_SHOWN])
    return clean + ("…" if len(decoded) > _SHOWN or len(text) > _SHOWN * 4 else "")


def sniff_encoding(head: bytes) -> str:
    """The encoding by the first bytes of a file: by byte order mark, or UTF-16 by its zero bytes, else UTF-8.

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


def _with_byte_order(encoding: str, head: bytes) -> str:
    """Resolve a configured UTF-16 or UTF-32 by its byte order mark, or else by the place of the zero bytes."""
    name = codecs.lookup(encoding).name
    if name not in {"utf-16", "utf-32"} or sniff_encoding(head) == name:
        return encoding
    return f"{name}-be" if sniff_encoding(head) == "utf-16-be" or head.startswith(b"\0\0") else f"{name}-le"


class LineReader:
    """Reads a byte stream as blocks of whole lines in UTF-8; lines that are too long go to ``rejects``."""

    def __init__(self, stream: ByteStream, encoding: str | None, block_bytes: int) -> None:
        self._stream = stream
        self._block_bytes = block_bytes
        self._head = stream.read(block_bytes)
        self.encoding = _with_byte_order(encoding, self._head) if encoding else sniff_encoding(self._head)
        self._lenient = encoding is None and self.encoding == "utf-8"
        self._plain = codecs.lookup(self.encoding).name in {"utf-8", "utf-8-sig", "ascii"}
        self._decoder = codecs.getincrementaldecoder(self.encoding)(errors="replace")
        self._next_line = 1
        self._tail = b""
        self._lines = b""  # whole lines, not yet yielded
        self._pending_cr = b""
        self._skipping = False
        self.rejects: list[Reject] = []

    def unread(self, data: bytes, first_line: int) -> None:
        """Push lines back; the next block starts with them."""
        if self._lines:
            self._lines = data + self._lines
        else:
            self._tail = data + self._tail
        self._next_line = first_line

    def __iter__(self) -> Iterator[LineBlock]:
        while True:
            # Read one block ahead, to know which is the last.
            raw, self._head = self._head, self._stream.read(self._block_bytes) if self._head else b""
            final = not self._head
            data = self._normalised(raw, final)
            self._lines = self._cut(data, final)
            while True:
                block = self._next_block()
                last = not self._lines
                if block or (final and last):
                    # No record runs on over a line that is too long to be read.
                    yield self._numbered(block, last and (final or self._skipping))
                if not self._lines:
                    break
            if final and not self._tail:
                return

    def _next_block(self) -> bytes:
        """At most MAX_BLOCK_LINES of the whole lines read."""
        end = len(self._lines)
        if self._lines.count(b"\n") > MAX_BLOCK_LINES:
            places = np.flatnonzero(np.frombuffer(self._lines, dtype=np.uint8) == ord("\n"))
            end = int(places[MAX_BLOCK_LINES - 1]) + 1
        block, self._lines = self._lines[:end], self._lines[end:]
        return block

    def _normalised(self, raw: bytes, final: bool) -> bytes:
        if not self._plain:
            raw = self._decoder.decode(raw, final).encode("utf-8", errors="replace")
        data = self._pending_cr + raw
        self._pending_cr = b""
        if data.endswith(b"\r") and not final:
            data, self._pending_cr = data[:-1], b"\r"
        if b"\r" in data:
            data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        return data

    def _cut(self, data: bytes, final: bool) -> bytes:
        """The whole lines of *data*; the rest is kept for the next block."""
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
            self.rejects.append(line_too_long(self._next_line + data.count(b"\n"), self._tail))
            self._tail, self._skipping = b"", True
        return data[:end]

    def _numbered(self, data: bytes, final: bool) -> LineBlock:
        first = self._next_line
        lines = data.count(b"\n")
        self._next_line += lines
        # Concatenated files keep each one's byte order mark.
        data = data.removeprefix(_BOM)
        if b"\n" + _BOM in data:
            data = data.replace(b"\n" + _BOM, b"\n")
        if self._plain and not data.isascii():
            data = _repaired(data, lenient=self._lenient)
        return LineBlock(data, first, final)


def line_too_long(line: int, text: bytes) -> Reject:
    return Reject(line, "line", printable(text), f"longer than {MAX_LINE} bytes; is this a text file with line ends?")


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


#: A quoted field may span lines (RFC 4180), but a stray quote must not swallow the rest of the file.
MAX_RECORD_LINES = 100
MAX_RECORD_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class CsvRecord:
    """One row, split into fields; ``line`` is where it begins."""

    line: int
    fields: list[bytes]


def split_records(
    data: bytes, first_line: int, delimiter: bytes, *, final: bool, rejects: list[Reject], limit: int | None = None
) -> tuple[list[CsvRecord], int]:
    """Split lines into records by RFC 4180, with a stray quote costing one line and not the file.

    Returns
    -------
    The records, and how many bytes of *data* were used: a record still open at the end is left for the next block.
    """
    records: list[CsvRecord] = []
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
            rejects.append(line_too_long(first_line + index, line))
            taken = 1
        elif fields is None:
            rejects.append(Reject(first_line + index, "line", printable(line), problem))
            taken = 1
        elif any(b"\0" in piece for piece in lines[index : index + taken]):
            rejects.append(Reject(first_line + index, "line", printable(line), "contains a NUL byte"))
        elif any(field.strip() for field in fields):
            records.append(CsvRecord(first_line + index, fields))
        used += sum(len(piece) + 1 for piece in lines[index : index + taken])
        index += taken
    return records, used


def _quoted_record(lines: list[bytes], index: int, delimiter: bytes) -> tuple[list[bytes] | None, int, str]:
    """The fields of the record that begins at a line, the number of its lines, and its problem.

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


def wrong_field_count(found: int, width: int) -> str:
    """The reason for a row with the wrong number of fields."""
    return f"has {found} field{'s' if found != 1 else ''} where this file has {width}"


def trim_fields(fields: list[bytes], width: int) -> list[bytes] | None:
    """The first *width* fields if all others are empty; None if the number of fields is wrong."""
    if len(fields) < width or any(field.strip() for field in fields[width:]):
        return None
    return fields[:width]
