"""Dead letters: records that cannot be stored, kept with a reason for people so that later records go through.

A record is a file ``*.record`` in the folder ``refused`` of a spool, ``*.reason.txt`` beside it says why it is there. Moved
one folder up, into the spool's own, a record is tried again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from service.storage.database.fsync import sync_folder

#: Limits for one source, in bytes and in files. The database refuses next to nothing.
MAX_BYTES = 64 << 20
MAX_RECORDS = 2000


_WHAT_TO_DO = """\
Nothing of this record is stored; what came before and after it is.

What to do: read above why. If a newer version of Underweir or a change at the source or the database puts it right, have the
record tried again: move
    {file}
one folder up, into
    {folder}
The running service takes it with its next look at the source. Stored, it is gone from there and this note with it; refused
again, it comes back here. If nobody needs it, delete it and this note.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeadLetters:
    """Count, folder and newest time of dead letters."""

    records: int
    folder: Path
    newest_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Entry:
    path: Path
    size: int
    at_ns: int


class DeadLetterFolder:
    """The dead letters of one spool."""

    def __init__(self, spool_folder: Path, *, max_bytes: int = MAX_BYTES, max_records: int = MAX_RECORDS) -> None:
        self._above = spool_folder
        self.folder = spool_folder / "refused"
        self._max_bytes = max_bytes
        self._max_records = max_records

    def put(self, payload: bytes, samples: int, reason: str) -> tuple[int, int]:
        """Keep a record and its reason, with what to do about it; when this returns both are on disk.

        Returns
        -------
        How many records, and samples in them, were given up for it: the oldest, where the folder is full.

        Raises
        ------
        OSError
            the disk does not take it; nothing is kept, nothing given up.
        """
        # Named by its content: put again after a crash it is the same file, not a second one.
        path = self.folder / f"{hashlib.sha256(payload).hexdigest()[:16]}-{samples}.record"
        self.folder.mkdir(exist_ok=True)
        try:
            advice = _WHAT_TO_DO.format(file=path.name, folder=self._above)
            _write(_reason_of(path), f"{reason}\n\n{advice}".encode("utf-8", "backslashreplace"))
            _write(path, payload)
        except OSError:
            if not path.exists():
                with contextlib.suppress(OSError):
                    _reason_of(path).unlink(missing_ok=True)
            raise
        sync_folder(self.folder)
        return self._make_room()

    def retry_candidates(self) -> list[Path]:
        """List the records that somebody moved into the spool's folder to have them tried again."""
        return sorted(self._above.glob("*.record"))

    def remove(self, moved: Path) -> None:
        """Delete a retried record, with its reason unless it is a dead letter again."""
        moved.unlink(missing_ok=True)
        there = self.folder / moved.name
        if not there.exists():
            _reason_of(there).unlink(missing_ok=True)

    def count(self) -> DeadLetters:
        """Count the dead letters."""
        kept = self._entries()
        newest = max((one.at_ns for one in kept), default=None)
        return DeadLetters(
            records=len(kept),
            folder=self.folder,
            newest_at=None if newest is None else datetime.fromtimestamp(newest // 1_000_000_000, UTC),
        )

    def _entries(self) -> list[_Entry]:
        """List the records, oldest first."""
        found = []
        for path in self.folder.glob("*.record"):
            with contextlib.suppress(FileNotFoundError):  # moved back or deleted this very moment
                stat = path.stat()
                found.append(_Entry(path=path, size=stat.st_size, at_ns=stat.st_mtime_ns))
        return sorted(found, key=lambda one: one.at_ns)

    def _make_room(self) -> tuple[int, int]:
        kept = self._entries()
        size = sum(one.size for one in kept)
        gone = samples = 0
        while len(kept) > 1 and (len(kept) > self._max_records or size > self._max_bytes):
            oldest = kept.pop(0)
            oldest.path.unlink(missing_ok=True)
            _reason_of(oldest.path).unlink(missing_ok=True)
            size -= oldest.size
            gone += 1
            samples += samples_of(oldest.path)
        return gone, samples


def samples_of(record: Path) -> int:
    """How many samples a record holds by its name; 0 where somebody named it otherwise."""
    count = record.stem.rpartition("-")[2]
    return int(count) if count.isdecimal() else 0


def _reason_of(record: Path) -> Path:
    return record.with_suffix(".reason.txt")


def _write(path: Path, content: bytes) -> None:
    """Write a file atomically and sync it to disk."""
    temporary = path.with_name(f"{path.name}.new")
    try:
        with temporary.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise
