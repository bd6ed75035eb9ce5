"""A bounded queue of records on disk that survives the process being killed at any moment.

Records go into segment files, each record checksummed and synced before :meth:`Spool.append` returns. A record cut short
by a power failure is cut off at the next start; one damaged on disk is skipped and counted. When the spool is full the
oldest segment goes, and what it held is counted as lost.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from threading import RLock
from typing import BinaryIO

_MAGIC = b"UWR1"
#: Magic, CRC-32 of all that follows it, sequence number, how many samples, length of the payload.
_HEADER = struct.Struct("<4sIQII")
_CRC_FROM = 8


@dataclass(frozen=True, slots=True)
class Record:
    """One record as it was appended."""

    sequence: int
    samples: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolCounts:
    """What a spool holds, and what it has lost since the losses were last reported."""

    records: int = 0
    samples: int = 0
    size_bytes: int = 0
    lost_samples: int = 0
    lost_records: int = 0
    damaged: int = 0


@dataclass(slots=True)
class _Segment:
    path: Path
    #: (sequence, samples, offset, length of the payload), in order.
    entries: list[tuple[int, int, int, int]] = field(default_factory=list)
    size: int = 0


class Spool:
    """Records in a folder, first in first out; one process at a time."""

    def __init__(self, folder: Path, *, max_bytes: int, segment_bytes: int | None = None) -> None:
        self._folder = folder
        self._max_bytes = max_bytes
        self._segment_bytes = segment_bytes or max(4096, max_bytes // 16)
        self._segments: list[_Segment] = []
        self._writing: BinaryIO | None = None
        self._lock = RLock()
        self._damaged = 0
        folder.mkdir(parents=True, exist_ok=True)
        self._lost_samples, self._lost_records = self._read_losses()
        self._trimmed = self._read_place()
        self._next = self._trimmed + 1
        for path in sorted(folder.glob("*.segment")):
            self._load(path)

    def append(self, payload: bytes, samples: int) -> int:
        """Keep a record; when this returns it is on disk.

        Returns
        -------
        Its sequence number.

        Raises
        ------
        OSError
            when the disk takes no more even after the oldest records were given up; the record is counted as lost.
        """
        with self._lock:
            body = struct.pack("<QII", self._next, samples, len(payload)) + payload
            data = _MAGIC + struct.pack("<I", zlib.crc32(body)) + body
            while self._segments and self._size() + len(data) > self._max_bytes:
                self._give_up_oldest()
            while True:
                try:
                    self._write(data, samples, len(payload))
                    break
                except OSError:
                    if not any(segment.entries for segment in self._segments):
                        self._count_lost(1, samples)
                        raise
                    self._give_up_oldest()
            self._next += 1
            return self._next - 1

    def pending(self) -> Iterator[Record]:
        """Every record that is not trimmed, oldest first; records given up or trimmed meanwhile are passed over."""
        after = self._trimmed
        while True:
            with self._lock:
                record = self._read_after(max(after, self._trimmed))
            if record is None:
                return
            after = record.sequence
            yield record

    def trim(self, sequence: int) -> None:
        """Everything up to and including *sequence* is stored elsewhere for good."""
        with self._lock:
            if sequence <= self._trimmed:
                return
            self._trimmed = sequence
            while self._segments and (not self._segments[0].entries or self._segments[0].entries[-1][0] <= sequence):
                self._remove(self._segments.pop(0))
            # Not synced, and not insisted on where the disk is full: after a crash a few records may come again, and
            # storing twice changes nothing.
            with contextlib.suppress(OSError):
                self._replace("place", {"trimmed": sequence}, sync=False)

    def counts(self) -> SpoolCounts:
        """What is held and lost."""
        with self._lock:
            waiting = [e for s in self._segments for e in s.entries if e[0] > self._trimmed]
            return SpoolCounts(
                records=len(waiting),
                samples=sum(samples for _, samples, *_ in waiting),
                size_bytes=self._size(),
                lost_samples=self._lost_samples,
                lost_records=self._lost_records,
                damaged=self._damaged,
            )

    def losses_reported(self, counts: SpoolCounts) -> None:
        """The losses in *counts* are known elsewhere for good; later ones stay."""
        with self._lock:
            self._lost_samples -= counts.lost_samples
            self._lost_records -= counts.lost_records
            self._damaged -= counts.damaged
            with contextlib.suppress(OSError):  # the disk may be full; after a crash they are reported once more
                self._replace("losses", {"samples": self._lost_samples, "records": self._lost_records}, sync=True)

    def close(self) -> None:
        """Close the file being written; safe to call again."""
        with self._lock:
            if self._writing is not None:
                self._writing.close()
                self._writing = None

    def _write(self, data: bytes, samples: int, length: int) -> None:
        if self._writing is None or self._segments[-1].size >= self._segment_bytes:
            self.close()
            segment = _Segment(self._folder / f"{self._next:020d}.segment")
            self._writing = segment.path.open("xb", buffering=0)
            self._segments.append(segment)
            self._sync_folder()
        segment = self._segments[-1]
        start = segment.size
        try:
            view = memoryview(data)
            while view:
                view = view[self._writing.write(view) :]
            os.fsync(self._writing.fileno())
        except OSError:
            with contextlib.suppress(OSError):
                self._writing.seek(start)
                self._writing.truncate(start)
            raise
        segment.entries.append((self._next, samples, start, length))
        segment.size = start + len(data)

    def _read_after(self, sequence: int) -> Record | None:
        for segment in self._segments:
            for found, samples, start, length in segment.entries:
                if found > sequence:
                    with segment.path.open("rb") as file:
                        file.seek(start + _HEADER.size)
                        return Record(found, samples, file.read(length))
        return None

    def _load(self, path: Path) -> None:
        data = path.read_bytes()
        segment = _Segment(path)
        position, end = 0, 0
        while position + _HEADER.size <= len(data):
            magic, crc, sequence, samples, length = _HEADER.unpack_from(data, position)
            stop = position + _HEADER.size + length
            if magic == _MAGIC and stop <= len(data) and zlib.crc32(data[position + _CRC_FROM : stop]) == crc:
                segment.entries.append((sequence, samples, position, length))
                self._next = max(self._next, sequence + 1)
                position = end = stop
                continue
            found = data.find(_MAGIC, position + 1)
            if found < 0:
                break
            # Something readable follows, so this is damage and no record cut short at the end.
            self._damaged += 1
            position = found
        if end < len(data):
            # A record cut short: its append never returned, so nobody believes it to be kept.
            os.truncate(path, end)
        segment.size = end
        if segment.entries and segment.entries[-1][0] > self._trimmed:
            self._segments.append(segment)
        else:
            path.unlink()

    def _give_up_oldest(self) -> None:
        segment = self._segments.pop(0)
        if not self._segments:
            self.close()
        gone = [samples for sequence, samples, *_ in segment.entries if sequence > self._trimmed]
        self._remove(segment)
        if gone:
            self._count_lost(len(gone), sum(gone))

    def _count_lost(self, records: int, samples: int) -> None:
        self._lost_records += records
        self._lost_samples += samples
        with contextlib.suppress(OSError):
            self._replace("losses", {"samples": self._lost_samples, "records": self._lost_records}, sync=True)

    def _remove(self, segment: _Segment) -> None:
        if not self._segments:
            self.close()
        segment.path.unlink(missing_ok=True)

    def _size(self) -> int:
        return sum(segment.size for segment in self._segments)

    def _read_losses(self) -> tuple[int, int]:
        kept = self._read("losses")
        return int(kept.get("samples", 0)), int(kept.get("records", 0))

    def _read_place(self) -> int:
        return int(self._read("place").get("trimmed", 0))

    def _read(self, name: str) -> dict[str, int]:
        try:
            kept = json.loads((self._folder / f"{name}.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return kept if isinstance(kept, dict) else {}

    def _replace(self, name: str, content: dict[str, int], *, sync: bool) -> None:
        temporary = self._folder / f"{name}.new"
        with temporary.open("w", encoding="utf-8") as file:
            json.dump(content, file)
            if sync:
                file.flush()
                os.fsync(file.fileno())
        temporary.replace(self._folder / f"{name}.json")
        if sync:
            self._sync_folder()

    def _sync_folder(self) -> None:
        handle = os.open(self._folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
