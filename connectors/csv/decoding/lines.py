"""From bytes in any encoding to blocks of whole lines in UTF-8.

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
#: Most lines handed on at once: a block of one-letter lines would unfold to a hundred times its size.
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


#: So many rejects of one block, and of one file, are listed; the others are counted.
MOST_LISTED = 10_000


class Rejects(list[Reject]):
    """Rejects of which only so many are kept; ``unlisted`` counts the others. A hostile file has no end of them."""

    def __init__(self, items: Iterable[Reject] = (), unlisted: int = 0) -> None:
        super().__init__()
        self.unlisted = unlisted
        self.extend(items)

    def append(self, reject: Reject) -> None:
        if len(self) < MOST_LISTED:
            super().append(reject)
        else:
            self.unlisted += 1

    def extend(self, rejects: Iterable[Reject]) -> None:
        for reject in rejects:
            self.append(reject)


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


def _with_byte_order(encoding: str, head: bytes) -> str:
    """A configured UTF-16 or UTF-32 goes by the byte order mark, if there is one, else by the place of the zero bytes."""
    name = codecs.lookup(encoding).name
    if name not in {"utf-16", "utf-32"} or sniff_encoding(head) == name:
        return encoding
    return f"{name}-be" if sniff_encoding(head) == "utf-16-be" or head.startswith(b"\0\0") else f"{name}-le"


class LineSource:
    """Reads a byte stream as blocks of whole lines in UTF-8; lines too long to be rows end up in ``rejects``."""

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
        self._lines = b""  # whole lines at hand, not yet handed on
        self._held_cr = b""
        self._skipping = False
        self.rejects: list[Reject] = []

    def unread(self, data: bytes, first_line: int) -> None:
        """Put lines back; they come again at the start of the next block."""
        if self._lines:
            self._lines = data + self._lines
        else:
            self._tail = data + self._tail
        self._next_line = first_line

    def __iter__(self) -> Iterator[LineBlock]:
        while True:
            # One block is read ahead, so that the last one is known for what it is.
            raw, self._head = self._head, self._stream.read(self._block_bytes) if self._head else b""
            final = not self._head
            data = self._normalised(raw, final)
            self._lines = self._cut(data, final)
            while True:
                block = self._few()
                last = not self._lines
                if block or (final and last):
                    # No record runs on over a line that is too long to be read.
                    yield self._numbered(block, last and (final or self._skipping))
                if not self._lines:
                    break
            if final and not self._tail:
                return

    def _few(self) -> bytes:
        """The next lines at hand, no more than are handed on at once."""
        end = len(self._lines)
        if self._lines.count(b"\n") > MAX_BLOCK_LINES:
            places = np.flatnonzero(np.frombuffer(self._lines, dtype=np.uint8) == ord("\n"))
            end = int(places[MAX_BLOCK_LINES - 1]) + 1
        block, self._lines = self._lines[:end], self._lines[end:]
        return block

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
            self.rejects.append(too_long(self._next_line + data.count(b"\n"), self._tail))
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


def too_long(line: int, text: bytes) -> Reject:
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
