"""Spool: a bounded first-in, first-out queue of records on disk that survives kill -9 at any moment.

Records go into segment files, each record checksummed and synced before :meth:`Spool.append` returns. A record cut short
by a power failure is cut off at the next start; one damaged on disk is skipped and counted. When the spool is full the
oldest segment goes, and what it held is counted as lost.

While the disk takes nothing, records wait in memory, up to a bound, and go to disk as soon as it does; those alone do not
survive a kill.
"""

from __future__ import annotations

import contextlib
import json
import os
import struct
import zlib
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from threading import RLock
from typing import BinaryIO

from service.storage.database.fsync import sync_folder
from service.storage.readings.dead_letter import DeadLetterFolder

_MAGIC = b"UWR1"
#: Magic, CRC-32 of all that follows it, sequence number, how many samples, length of the payload.
_HEADER = struct.Struct("<4sIQII")
_CRC_FROM = 8
#: Records in memory while the disk is full. At a hundred values a second that is a quarter of an hour.
MEMORY_BYTES = 4 << 20
#: Size of the file of losses, written from the beginning: a full disk takes it all the same.
_LOSSES_BYTES = 64


@dataclass(frozen=True, slots=True)
class SpoolRecord:
    """One record as it was appended."""

    sequence: int
    samples: int
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class SpoolCounts:
    """Contents of a spool, and losses since they were last acknowledged."""

    records: int = 0
    samples: int = 0
    size_bytes: int = 0
    in_memory: int = 0  #: records among them that the disk does not take now
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

    def __init__(
        self, folder: Path, *, max_bytes: int, segment_bytes: int | None = None, memory_bytes: int = MEMORY_BYTES
    ) -> None:
        self._folder = folder
        self._max_bytes = max_bytes
        self._memory_bytes = memory_bytes
        self._memory: deque[SpoolRecord] = deque()  #: newer than everything on disk
        self._segment_bytes = segment_bytes or max(4096, max_bytes // 16)
        self._segments: list[_Segment] = []
        self._writing: BinaryIO | None = None
        self._lock = RLock()
        self._damaged = 0
        folder.mkdir(parents=True, exist_ok=True)
        self.dead_letters = DeadLetterFolder(folder)
        self._lost_samples, self._lost_records = self._read_losses()
        self._write_losses(sync=False)
        self._trimmed = self._read_trimmed()
        self._next = self._trimmed + 1
        for path in sorted(folder.glob("*.segment")):
            self._load(path)

    def append(self, payload: bytes, samples: int) -> int:
        """Append a record; on return it is on disk, or in memory if the disk is full (see the counts).

        Returns
        -------
        Its sequence number.

        Notes
        -----
        What waits in memory longer than its bound costs the oldest records first, which are counted as lost.
        """
        with self._lock:
            record = SpoolRecord(self._next, samples, payload)
            self._next += 1
            self._memory.append(record)
            while not self._flush() and self._memory_size() > self._memory_bytes:
                if any(segment.entries for segment in self._segments):
                    self._drop_oldest()
                else:
                    self._count_lost(1, self._memory.popleft().samples)
            return record.sequence

    def pending(self) -> Iterator[SpoolRecord]:
        """Yield every record not trimmed, oldest first; records dropped or trimmed meanwhile are skipped."""
        after = self._trimmed
        while True:
            with self._lock:
                record = self._read_after(max(after, self._trimmed))
            if record is None:
                return
            after = record.sequence
            yield record

    def trim(self, sequence: int) -> None:
        """Drop everything up to and including *sequence*: it is stored elsewhere for good."""
        with self._lock:
            if sequence <= self._trimmed:
                return
            self._trimmed = sequence
            while self._memory and self._memory[0].sequence <= sequence:
                self._memory.popleft()
            while self._segments and (not self._segments[0].entries or self._segments[0].entries[-1][0] <= sequence):
                self._remove(self._segments.pop(0))
            # Not synced, and not insisted on where the disk is full: after a crash a few records may come again, and
            # storing twice changes nothing.
            with contextlib.suppress(OSError):
                self._write_trimmed()

    def put_dead_letter(self, payload: bytes, samples: int, reason: str) -> None:
        """Keep a dead letter with its reason; the record it comes from is trimmed afterwards as any other.

        Raises
        ------
        OSError
            the disk does not take it; the record must stay where it is.
        """
        with self._lock:
            gone, lost = self.dead_letters.put(payload, samples, reason)
            if gone:
                self._count_lost(gone, lost)

    def flush(self) -> None:
        """Write to disk what waits in memory, as far as the disk takes it; nothing to do unless it was full."""
        with self._lock:
            self._flush()

    def counts(self) -> SpoolCounts:
        """Count what is held and lost."""
        with self._lock:
            waiting = [e[1] for s in self._segments for e in s.entries if e[0] > self._trimmed]
            waiting += [record.samples for record in self._memory]
            return SpoolCounts(
                records=len(waiting),
                samples=sum(waiting),
                size_bytes=self._size(),
                in_memory=len(self._memory),
                lost_samples=self._lost_samples,
                lost_records=self._lost_records,
                damaged=self._damaged,
            )

    def acknowledge_losses(self, counts: SpoolCounts) -> None:
        """Subtract the losses in *counts*, which are stored elsewhere for good; later ones stay."""
        with self._lock:
            self._lost_samples -= counts.lost_samples
            self._lost_records -= counts.lost_records
            self._damaged -= counts.damaged
            self._write_losses()

    def close(self) -> None:
        """Close the file being written; what the disk does not take even now is counted as lost. Safe to call again."""
        with self._lock:
            if not self._flush():
                self._count_lost(len(self._memory), sum(record.samples for record in self._memory))
                self._memory.clear()
            self._close_file()

    def _flush(self) -> bool:
        """Write to disk what waits in memory, oldest first; False while the disk refuses."""
        while self._memory:
            try:
                self._write(self._memory[0])
            except OSError:
                return False
            self._memory.popleft()
        return True

    def _close_file(self) -> None:
        if self._writing is not None:
            self._writing.close()
            self._writing = None

    def _write(self, record: SpoolRecord) -> None:
        body = struct.pack("<QII", record.sequence, record.samples, len(record.payload)) + record.payload
        data = _MAGIC + struct.pack("<I", zlib.crc32(body)) + body
        while self._segments and self._size() + len(data) > self._max_bytes:
            self._drop_oldest()
        if self._writing is None or self._segments[-1].size >= self._segment_bytes:
            self._close_file()
            segment = _Segment(self._folder / f"{record.sequence:020d}.segment")
            self._writing = segment.path.open("xb", buffering=0)
            self._segments.append(segment)
            sync_folder(self._folder)
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
        segment.entries.append((record.sequence, record.samples, start, len(record.payload)))
        segment.size = start + len(data)

    def _read_after(self, sequence: int) -> SpoolRecord | None:
        for segment in self._segments:
            for found, samples, start, length in segment.entries:
                if found > sequence:
                    with segment.path.open("rb") as file:
                        file.seek(start + _HEADER.size)
                        return SpoolRecord(found, samples, file.read(length))
        return next((record for record in self._memory if record.sequence > sequence), None)

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
            # A torn record: its append never returned, so no caller counts on it.
            os.truncate(path, end)
        segment.size = end
        if segment.entries and segment.entries[-1][0] > self._trimmed:
            self._segments.append(segment)
        else:
            path.unlink()

    def _drop_oldest(self) -> None:
        segment = self._segments.pop(0)
        gone = [samples for sequence, samples, *_ in segment.entries if sequence > self._trimmed]
        self._remove(segment)
        if gone:
            self._count_lost(len(gone), sum(gone))

    def _count_lost(self, records: int, samples: int) -> None:
        self._lost_records += records
        self._lost_samples += samples
        self._write_losses()

    def _remove(self, segment: _Segment) -> None:
        if not self._segments:
            self._close_file()
        with contextlib.suppress(
            OSError
        ):  # a disk that can only be read: after a restart it comes again, which harms nothing
            segment.path.unlink(missing_ok=True)

    def _size(self) -> int:
        return sum(segment.size for segment in self._segments)

    def _memory_size(self) -> int:
        return sum(len(record.payload) for record in self._memory)

    def _write_losses(self, *, sync: bool = True) -> None:
        """Overwrite in place, and small enough to be written whole: no new disk block is needed."""
        content = json.dumps({"samples": self._lost_samples, "records": self._lost_records}).encode("ascii")
        with contextlib.suppress(OSError):  # after a crash they are reported once more, or not at all
            handle = os.open(self._folder / "losses.json", os.O_WRONLY | os.O_CREAT, 0o666)
            try:
                os.pwrite(handle, content.ljust(_LOSSES_BYTES), 0)
                if sync:
                    os.fsync(handle)
            finally:
                os.close(handle)

    def _read_losses(self) -> tuple[int, int]:
        kept = self._read("losses")
        return int(kept.get("samples", 0)), int(kept.get("records", 0))

    def _read_trimmed(self) -> int:
        return int(self._read("place").get("trimmed", 0))

    def _read(self, name: str) -> dict[str, int]:
        try:
            kept = json.loads((self._folder / f"{name}.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return kept if isinstance(kept, dict) else {}

    def _write_trimmed(self) -> None:
        temporary = self._folder / "place.new"
        temporary.write_text(json.dumps({"trimmed": self._trimmed}), "utf-8")
        temporary.replace(self._folder / "place.json")
