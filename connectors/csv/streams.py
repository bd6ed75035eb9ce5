"""A dropped file as byte streams: plain, gzip or the members of a zip, with limits that no honest export reaches."""

from __future__ import annotations

import gzip
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import BinaryIO, cast

from connectors.csv.decoding.lines import ByteStream
from connectors.csv.decoding.parts import Limits
from connectors.errors import Malformed

_GZIP = b"\x1f\x8b"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")

#: What decompression may raise on damaged input.
DAMAGE = (
    EOFError,
    OSError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
    RuntimeError,
    NotImplementedError,
    ValueError,
)


@dataclass(frozen=True, slots=True)
class Member:
    """One text to read: the file itself, or one member of an archive, named for people only."""

    name: str
    stream: ByteStream


class Damaged(Exception):
    """The rest of a file cannot be decompressed; the message is the reason."""


class _Guarded:
    """Reads a decompressor and stops it when what comes out is out of proportion."""

    def __init__(self, stream: ByteStream, compressed: int, limits: Limits) -> None:
        self._stream = stream
        self._compressed = max(compressed, 1)
        self._limits = limits
        self._total = 0

    def read(self, size: int = -1, /) -> bytes:
        try:
            data = self._stream.read(size)
        except DAMAGE as exc:
            raise Damaged(f"the compressed data is damaged or cut off ({exc})") from exc
        self._total += len(data)
        if self._total > self._limits.max_bytes:
            raise Damaged(f"it decompresses to more than {self._limits.max_bytes} bytes")
        if self._total > self._limits.ratio_from and self._total > self._limits.max_ratio * self._compressed:
            raise Damaged(f"it decompresses to more than {self._limits.max_ratio} times its size, as no export does")
        return data


def members(file: BinaryIO, name: str, size: int, limits: Limits) -> Iterator[Member]:
    """The texts in an open file, one after the other; each must be read before the next is asked for.

    Raises
    ------
    Malformed
        when it is an archive that cannot be opened, or no archive of texts.
    """
    head = file.read(4)
    file.seek(0)
    if head.startswith(_GZIP):
        with gzip.GzipFile(fileobj=file, mode="rb") as stream:
            yield Member(name, _Guarded(stream, size, limits))
    elif head.startswith(_ZIP):
        yield from _zip_members(file, name, size, limits)
    else:
        yield Member(name, file)


def _zip_members(file: BinaryIO, name: str, size: int, limits: Limits) -> Iterator[Member]:
    with _archive(file, name, limits) as archive:
        entries = [entry for entry in archive.infolist() if not entry.is_dir() and not _hidden(entry.filename)]
        if any(entry.filename in {"[Content_Types].xml", "mimetype"} for entry in entries):
            raise Malformed(name, "this is a spreadsheet workbook, not a CSV file.", "Save it as CSV.")
        if not entries:
            raise Malformed(name, "the archive is empty.")
        if len(entries) > limits.max_members:
            raise Malformed(
                name, f"the archive has {len(entries)} members, more than {limits.max_members}.", "Split it."
            )
        for entry in sorted(entries, key=lambda item: item.filename):
            # The member's name is shown, never used as a path.
            shown = "".join(c if c.isprintable() else "?" for c in entry.filename)
            if entry.flag_bits & 0x1:
                raise Malformed(name, f"member {shown!r} is encrypted.", "Drop it without a password.")
            try:
                stream = archive.open(entry)
            except DAMAGE as exc:
                raise Malformed(name, f"member {shown!r} cannot be opened ({exc}).") from exc
            with stream:
                yield Member(shown, _Guarded(stream, size, limits))


def _hidden(name: str) -> bool:
    """Members that archivers add for themselves and no person put there."""
    return name.startswith("__MACOSX/") or name.rpartition("/")[2].startswith(".")


class _BoundedReads:
    """An archive's file while its list of members is read: what asks for more than such a list can be is refused."""

    def __init__(self, file: BinaryIO, most: int) -> None:
        self._file = file
        self.most: int | None = most

    def read(self, size: int = -1, /) -> bytes:
        if self.most is None:
            return self._file.read(size)
        data = b"" if size > self.most else self._file.read(self.most + 1 if size < 0 else size)
        if size > self.most or len(data) > self.most:
            raise Damaged(f"its list of members is longer than {self.most} bytes")
        return data

    def seek(self, offset: int, whence: int = 0, /) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def seekable(self) -> bool:
        return True


@contextmanager
def _archive(file: BinaryIO, name: str, limits: Limits) -> Iterator[zipfile.ZipFile]:
    bounded = _BoundedReads(file, limits.max_directory_bytes)
    try:
        archive = zipfile.ZipFile(cast(BinaryIO, bounded))
    except Damaged as exc:
        raise Malformed(name, f"the archive has too many members: {exc}.", "Split it.") from exc
    except DAMAGE as exc:
        raise Malformed(
            name, f"the archive cannot be opened ({exc}).", "It may have been cut off: drop it again."
        ) from exc
    bounded.most = None
    with archive:
        yield archive
