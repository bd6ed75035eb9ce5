"""Decodes one open file, plain, gzip or zip, with limits on decompression that no honest export reaches."""

from __future__ import annotations

import gzip
import lzma
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import BinaryIO, cast

from connectors.base import Reject, block_of
from connectors.csv.decoding.lines import ByteStream
from connectors.csv.decoding.parts import Chunk, FileOutcome, Limits, ReadJob
from connectors.csv.decoding.reader import FileDecoder
from connectors.errors import ConnectorError, Malformed, Unreachable

#: Problems of an archive's members that are listed one by one.
_MAX_PROBLEMS = 50


def read_file(file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
    """Yield the chunks of all members, then the outcome; a member or file that cannot be read becomes a reject.

    Raises
    ------
    Unreachable
        when the file cannot be read now.
    """
    repeated = dict(job.repeated)
    problems: list[str] = []
    readable = 0
    try:
        for member in open_members(file, job.origin, job.size, job.limits):
            inside = member.name if member.name != job.origin else ""
            try:
                reading = FileDecoder(job.format, job.now, member.name, repeated, job.block_bytes)
                for chunk in reading.chunks(member.stream):
                    yield _name_member(chunk, inside)
                readable += 1
            except Malformed as exc:
                problems.append(_reason(exc))
                yield Chunk(block_of([]), (Reject(0, "file", inside or job.origin, problems[-1]),))
            except DamagedArchive as exc:
                readable += 1  # what came before the damage stands
                problems.append(str(exc))
                yield Chunk(block_of([]), (Reject(0, "file", inside or job.origin, str(exc)),))
    except Malformed as exc:
        problems.append(_reason(exc))
        yield Chunk(block_of([]), (Reject(0, "file", job.origin, problems[-1]),))
    except OSError as exc:
        raise Unreachable(job.source, f"{job.origin} cannot be read ({exc}).") from exc
    unreadable = "\n".join(_first(problems)) or None
    if problems and readable:
        unreadable = f"Only a part of this file could be read; that part was stored.\n{unreadable}"
    yield FileOutcome(unreadable, readable > 0, repeated)


def _first(problems: list[str]) -> list[str]:
    more = len(problems) - _MAX_PROBLEMS
    return problems if more <= 0 else [*problems[:_MAX_PROBLEMS], f"and {more} more parts that could not be read"]


def _reason(exc: ConnectorError) -> str:
    return f"{exc.problem} {exc.remedy}".strip()


def _name_member(chunk: Chunk, member: str) -> Chunk:
    """Add the archive member's name to the reasons of the rejects."""
    if not member or not chunk.rejects:
        return chunk
    rejects = tuple(Reject(r.line, r.field, r.text, f"{r.reason} (in {member})") for r in chunk.rejects)
    return replace(chunk, rejects=rejects)


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
    """One text to read: the file itself, or a member of an archive. ``name`` is shown to people, never used as a path."""

    name: str
    stream: ByteStream


class DamagedArchive(Exception):
    """The rest of a file cannot be decompressed; the message is the reason."""


class _LimitedStream:
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
            raise DamagedArchive(f"the compressed data is damaged or cut off ({exc})") from exc
        self._total += len(data)
        if self._total > self._limits.max_bytes:
            raise DamagedArchive(f"it decompresses to more than {self._limits.max_bytes} bytes")
        if self._total > self._limits.ratio_from and self._total > self._limits.max_ratio * self._compressed:
            raise DamagedArchive(
                f"it decompresses to more than {self._limits.max_ratio} times its size, as no export does"
            )
        return data


def open_members(file: BinaryIO, name: str, size: int, limits: Limits) -> Iterator[Member]:
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
            yield Member(name, _LimitedStream(stream, size, limits))
    elif head.startswith(_ZIP):
        yield from _zip_members(file, name, size, limits)
    else:
        yield Member(name, file)


def _zip_members(file: BinaryIO, name: str, size: int, limits: Limits) -> Iterator[Member]:
    with _archive(file, name, limits) as archive:
        if not all(entry.filename for entry in archive.infolist()):
            raise Malformed(name, "a member of the archive has no name.", "It may be damaged: drop it again.")
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
            shown = "".join(c if c.isprintable() else "?" for c in entry.filename)
            if entry.flag_bits & 0x1:
                raise Malformed(name, f"member {shown!r} is encrypted.", "Drop it without a password.")
            try:
                stream = archive.open(entry)
            except DAMAGE as exc:
                raise Malformed(name, f"member {shown!r} cannot be opened ({exc}).") from exc
            with stream:
                yield Member(shown, _LimitedStream(stream, size, limits))


def _hidden(name: str) -> bool:
    """Whether an archiver added this member for itself."""
    return name.startswith("__MACOSX/") or name.rpartition("/")[2].startswith(".")


class _BoundedReads:
    """An archive's file that refuses large reads while zipfile reads the list of members, until ``limit`` is None."""

    def __init__(self, file: BinaryIO, limit: int) -> None:
        self._file = file
        self.limit: int | None = limit

    def read(self, size: int = -1, /) -> bytes:
        if self.limit is None:
            return self._file.read(size)
        data = b"" if size > self.limit else self._file.read(self.limit + 1 if size < 0 else size)
        if size > self.limit or len(data) > self.limit:
            raise DamagedArchive(f"its list of members is longer than {self.limit} bytes")
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
    except DamagedArchive as exc:
        raise Malformed(name, f"the archive has too many members: {exc}.", "Split it.") from exc
    except DAMAGE as exc:
        raise Malformed(
            name, f"the archive cannot be opened ({exc}).", "It may have been cut off: drop it again."
        ) from exc
    bounded.limit = None
    with archive:
        yield archive
