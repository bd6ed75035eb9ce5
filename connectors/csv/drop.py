"""Connectors for files: a drop folder that is watched (:class:`CsvDrop`), and files named by hand (:class:`CsvFiles`).

A file appears, stays unchanged for a while (or is renamed in), is read, its rejects are written beside it, the service stores its
rows, and only then it is moved to ``processed``. An interruption leaves it in the folder to be read again.
"""

from __future__ import annotations

import contextlib
import fnmatch
import os
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from connectors.base import Delivery
from connectors.csv.decoding.format import CsvFormat, check_format
from connectors.csv.decoding.parts import BLOCK_BYTES, FileReader, Limits
from connectors.csv.delivery import FileDeliveries, GuardedReader, IsStored, Sidecar
from connectors.csv.folder import (
    FileSignature,
    Folder,
    is_temporary,
    open_folder,
    open_regular_file,
    open_subfolder,
    printable_name,
)
from connectors.csv.quarantine import REASON, REJECTED, reason_name, rejected_name, write_reason
from connectors.errors import ConnectorError, Malformed, Misconfigured, Unreachable

PATTERNS = ("*.csv", "*.txt", "*.tsv", "*.gz", "*.zip")
_WATCHED_AFTER_MOVE_S = 86_400.0
_CLEAR_EVERY_S = 3_600.0
#: After so long no further file is begun: the next poll scans the folder again, so that a file that came meanwhile has its turn.
MAX_POLL_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvDropConfig:
    """One ``[[connector]]`` of kind csv_drop. Only ``key`` and ``folder`` are needed.

    ``settle`` is how long a file must stay unchanged. ``processed`` and ``quarantine`` default to folders inside the drop
    folder. With ``keep`` files are left where they are, for shares that must not be altered; they are recognized by name,
    size and time, and their rejects go to ``quarantine``. Files in ``processed`` are deleted after ``processed_for``; None
    keeps them for ever, and files that were rejected or never read are always kept. ``attempts`` is where the service notes the
    file being read, see :class:`GuardedReader`.
    """

    key: str
    folder: Path
    format: CsvFormat = field(default_factory=CsvFormat)
    patterns: tuple[str, ...] = PATTERNS
    settle: timedelta = timedelta(seconds=5)
    processed: Path | None = None
    quarantine: Path | None = None
    keep: bool = False
    processed_for: timedelta | None = None
    limits: Limits = field(default_factory=Limits)
    block_bytes: int = BLOCK_BYTES
    attempts: Path | None = None


class _FileConnector:
    """What both connectors share.

    Parameters
    ----------
    reader : decodes the files; the connector only opens, names and moves them.
    now : the clock against which times in files are plausible.
    is_stored : asked with a file's SHA-256; a file stored already is delivered empty, and moved like any other.
    """

    def __init__(
        self,
        config: CsvDropConfig,
        *,
        reader: FileReader,
        now: Callable[[], datetime],
        is_stored: IsStored | None = None,
    ) -> None:
        check_format(config.format, config.key)
        self.key = config.key
        self._config = config
        self._reader = reader
        self._now = now
        self._is_stored = is_stored
        self._pending: dict[str, tuple[str, FileDeliveries]] = {}

    def close(self) -> None:
        """Stop the reader; no file is held open between polls."""
        self._reader.stop()
        self._pending.clear()

    def _deliveries(
        self,
        name: str,
        origin: str,
        sidecar: Sidecar | None,
        state: dict[str, Any],
        *,
        remember: bool = False,
        stopped: Callable[[], bool] = lambda: False,
    ) -> FileDeliveries:
        deliveries = FileDeliveries(
            source=self.key,
            origin=origin,
            format=self._config.format,
            reader=self._reader,
            now=self._now(),
            is_stored=self._is_stored,
            limits=self._config.limits,
            block_bytes=self._config.block_bytes,
            sidecar=sidecar,
            state=state,
            remember=remember,
            stopped=stopped,
        )
        self._pending[origin] = (name, deliveries)
        return deliveries


class CsvDrop(_FileConnector):
    """Watches one folder.

    Parameters
    ----------
    clock : monotonic seconds, for how long a file has been unchanged.
    """

    def __init__(
        self,
        config: CsvDropConfig,
        *,
        reader: FileReader,
        now: Callable[[], datetime],
        is_stored: IsStored | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        guarded = GuardedReader(reader, config.attempts)
        super().__init__(config, reader=guarded, now=now, is_stored=is_stored)
        if not config.patterns:
            raise Misconfigured(config.key, "patterns is empty.", "Leave it out to take *.csv and the like.")
        self._clock = clock
        self._processed = config.processed or config.folder / "processed"
        self._quarantine = config.quarantine or config.folder / "quarantine"
        self._seen: dict[str, tuple[FileSignature, float]] = {}
        self._temporary: dict[int, FileSignature] = {}
        #: By folder and name: when it was moved there, and its former name.
        self._moved: dict[tuple[Path, str], tuple[FileSignature, float, str]] = {}
        self._cleared: float | None = None
        self._refused: dict[str, FileSignature] = {}  #: by name, files that could not be stored once
        self._abandoned: dict[str, FileSignature] = {}  #: files that could not be stored twice and must not be moved
        self._stopped = threading.Event()

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Deliver the files that are complete, oldest first, in turns of the accounts that own them.

        No file is begun after MAX_POLL_S; the rest waits for the next poll.

        Raises
        ------
        Unreachable
            when the folder cannot be listed, or a file could not be read now; other files have been delivered first.
        ReaderEnded
            when a file ended its reader after some of it was delivered; the next poll puts it into quarantine.
        """
        self._reclaim_grown_files()
        self._delete_old_processed()
        kept = {name: tuple(value) for name, value in state.get("taken", {}).items()}
        carried: dict[str, Any] = {"repeated": dict(state.get("repeated", {}))}
        ready, present = self._scan_ready(kept)
        if self._config.keep:
            carried["taken"] = {name: list(value) for name, value in kept.items() if name in present}
        problems: list[ConnectorError] = []
        began = self._clock()
        for name in ready:
            if self._stopped.is_set():
                return
            if self._clock() - began > MAX_POLL_S:
                break
            try:
                yield from self._deliver(name, carried)
            except Unreachable as exc:
                problems.append(exc)
                self._seen.pop(name, None)
        if problems:
            raise problems[0]

    def committed(self, delivery: Delivery) -> None:
        """Move a file whose last part is stored; one that changed meanwhile stays, to be taken again.

        Raises
        ------
        Unreachable
            when it cannot be moved; it is stored nevertheless, and a later poll tries again.
        """
        if not delivery.last_part:
            return
        name, done = self._pending.pop(delivery.origin, ("", None))
        if done is None:
            return
        try:
            done.add_refused_rows(delivery.refused, delivery.refused_unlisted)
            if self._config.keep:
                return
            self._seen.pop(name, None)
            with self._folder() as folder:
                status = folder.status(name)
                if status is None or FileSignature.of(status) != done.signature:
                    return  # somebody took it away, or goes on writing: what it held is stored
                self._move_finished(folder, name, done)
        except OSError as exc:
            raise Unreachable(
                self.key,
                f"{delivery.origin} is stored but cannot be moved ({exc}).",
                f"Give the service write access to {self._config.folder}.",
            ) from exc

    def quarantine(self, delivery: Delivery, why: str) -> None:
        """Handle a file that was read but can never be stored: try it once more at the next poll, then move it to quarantine.

        Raises
        ------
        Unreachable
            when it cannot be put there.
        """
        name, done = self._pending.pop(delivery.origin, ("", None))
        if done is None or done.signature is None:
            return
        done.roll_back()
        if self._refused.get(name) != done.signature:
            self._refused[name] = done.signature
            return
        reason = f"It was read, but cannot be stored: {why}\nNothing of it is stored. Once that is put right, delete this note and drop the file again."
        try:
            with self._folder() as folder:
                if self._config.keep:  # until it changes, or the service is started again
                    with open_subfolder(folder, self._quarantine, self.key) as quarantine:
                        write_reason(quarantine, name, reason)
                    self._abandoned[name] = done.signature
                    return
                del self._refused[name]
                self._seen.pop(name, None)
                if folder.status(name) is not None:
                    write_reason(folder, name, reason)
                    self._move_finished(folder, name, done)
        except OSError as exc:
            raise Unreachable(
                self.key,
                f"{delivery.origin} cannot be stored ({why}) and cannot be put into quarantine ({exc}).",
                f"Give the service write access to {self._quarantine}.",
            ) from exc

    def cancel(self) -> None:
        """Stop reading, from any thread; the file being read is read again after the next start."""
        self._stopped.set()
        self._reader.stop()

    def close(self) -> None:
        """Cancel the poll under way and stop the reader; no file is held open between polls."""
        self._stopped.set()
        super().close()

    def _scan_ready(self, kept: Mapping[str, tuple[int, ...]]) -> tuple[list[str], set[str]]:
        """Names of the files that are complete, in the order of reading, and of all files there are."""
        clock = self._clock()
        seen: dict[str, tuple[FileSignature, float]] = {}
        temporary: dict[int, FileSignature] = {}
        ready: list[tuple[int, int, str]] = []
        try:
            with self._folder() as folder:
                found = folder.scan()
        except OSError as exc:
            raise Unreachable(
                self.key,
                f"folder {self._config.folder} cannot be listed ({exc.strerror}).",
                "Does it exist, is the share mounted?",
            ) from exc
        for name, status in found:
            signature = FileSignature.of(status)
            if is_temporary(name):
                temporary[signature.inode] = signature
                continue
            if self._abandoned.get(name) == signature:
                continue
            if not self._wanted(name) or kept.get(printable_name(name)) == (signature.size, signature.modified_ns):
                continue
            before = self._seen.get(name)
            unchanged = before is not None and before[0] == signature
            since = before[1] if before is not None and unchanged else clock
            seen[name] = (signature, since)
            # Renamed in complete: unchanged since it had a temporary name.
            renamed = self._temporary.get(signature.inode) == signature
            if renamed or (unchanged and clock - since >= self._config.settle.total_seconds()):
                ready.append((signature.modified_ns, status.st_uid, name))
        self._seen = seen
        self._temporary = temporary
        return _take_turns(ready), {printable_name(name) for name, _ in found}

    def _wanted(self, name: str) -> bool:
        lowered = name.lower()
        if lowered.endswith((REJECTED, REASON)):
            return False
        return any(fnmatch.fnmatchcase(lowered, pattern.lower()) for pattern in self._config.patterns)

    def _deliver(self, name: str, carried: dict[str, Any]) -> Iterator[Delivery]:
        try:
            with self._folder() as folder:
                file = folder.open(name)
            with file:
                work = self._deliveries(
                    name,
                    printable_name(name),
                    Sidecar(self._notes, name),
                    carried,
                    remember=self._config.keep,
                    stopped=self._stopped.is_set,
                )
                yield from work.read(file)
        except Malformed:
            return  # it became a link or a pipe since the scan
        except Unreachable:
            if os.path.lexists(self._config.folder / name):
                raise
            self._seen.pop(name, None)  # somebody took it away since the scan

    def _folder(self) -> AbstractContextManager[Folder]:
        return open_folder(self._config.folder, self.key)

    @contextlib.contextmanager
    def _notes(self) -> Iterator[Folder]:
        """The folder for rejects and reasons: the drop folder, or the quarantine where the drop folder must not be altered."""
        with self._folder() as folder:
            if not self._config.keep:
                yield folder
                return
            with open_subfolder(folder, self._quarantine, self.key) as quarantine:
                yield quarantine

    def _move_finished(self, folder: Folder, name: str, done: FileDeliveries) -> None:
        with (
            open_subfolder(folder, self._processed, self.key) as processed,
            open_subfolder(folder, self._quarantine, self.key) as bad,
        ):
            path, new_name, signature = _move_finished(folder, name, done, processed, bad)
        self._moved[path, new_name] = (signature, self._clock(), name)

    def _reclaim_grown_files(self) -> None:
        """Move files back that grew after they were moved: their program still had them open and goes on writing."""
        clock = self._clock()
        for (path, moved), (signature, since, name) in list(self._moved.items()):
            try:
                with self._folder() as folder, open_subfolder(folder, path, self.key) as target:
                    status = target.status(moved)
                    if status is not None and status.st_size > signature.size and folder.status(name) is None:
                        target.move(moved, folder, name)
                        status = None
            except (OSError, Unreachable, Malformed):
                status = None
            if status is None or clock - since > _WATCHED_AFTER_MOVE_S:
                del self._moved[path, moved]

    def _delete_old_processed(self) -> None:
        """Delete processed files older than ``processed_for``."""
        clock = self._clock()
        if self._config.processed_for is None or (self._cleared is not None and clock - self._cleared < _CLEAR_EVERY_S):
            return
        self._cleared = clock
        until = self._now() - self._config.processed_for
        with contextlib.suppress(OSError, Unreachable), self._folder() as folder:
            if folder.path == self._processed.parent and folder.status(self._processed.name) is None:
                return
            with open_subfolder(folder, self._processed, self.key) as processed:
                for name, status in processed.scan():
                    noted = any(processed.status(note(name)) for note in (rejected_name, reason_name))
                    if noted or not self._wanted(name):
                        continue
                    # An export of old data was written long ago but moved just now; the move changes the second of the two.
                    if datetime.fromtimestamp(max(status.st_mtime, status.st_ctime), UTC) < until:
                        processed.remove(name)


class CsvFiles(_FileConnector):
    """Files named by hand, read once in the order given; moved only when ``move`` is asked for."""

    def __init__(
        self,
        config: CsvDropConfig,
        paths: Sequence[Path],
        *,
        reader: FileReader,
        now: Callable[[], datetime],
        is_stored: IsStored | None = None,
        move: bool = False,
    ) -> None:
        super().__init__(config, reader=reader, now=now, is_stored=is_stored)
        self._paths = tuple(paths)
        self._move = move

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Deliver each file.

        Raises
        ------
        Unreachable, Malformed
            when one of them cannot be opened; the others have been delivered first.
        ReaderEnded
            when a file ended its reader after some of it was delivered; nothing of it is stored.
        """
        carried: dict[str, Any] = {key: dict(value) for key, value in state.items()}
        problems: list[ConnectorError] = []
        for path in self._paths:
            try:
                yield from self._deliver(path, carried)
            except (Unreachable, Malformed) as exc:
                problems.append(exc)
        if problems:
            raise problems[0]

    def committed(self, delivery: Delivery) -> None:
        """Move the file, if that was asked for."""
        if not delivery.last_part or delivery.origin not in self._pending:
            return
        name, done = self._pending.pop(delivery.origin)
        path = Path(name)
        done.add_refused_rows(delivery.refused, delivery.refused_unlisted)
        if not self._move:
            return
        with open_folder(path.parent, self.key) as folder:
            status = folder.status(path.name)
            if status is None or FileSignature.of(status) != done.signature:
                return
            processed = self._config.processed or path.parent / "processed"
            quarantine = self._config.quarantine or path.parent / "quarantine"
            with (
                open_subfolder(folder, processed, self.key) as good,
                open_subfolder(folder, quarantine, self.key) as bad,
            ):
                _move_finished(folder, path.name, done, good, bad)

    def _deliver(self, path: Path, carried: dict[str, Any]) -> Iterator[Delivery]:
        # A person who names a link means the file it leads to.
        path = path.resolve()
        # Rejects are also shown to whoever named the file, so a folder that is not writable is no problem.
        writable = os.access(path.parent, os.W_OK)
        sidecar = Sidecar(lambda: open_folder(path.parent, self.key), path.name) if writable else None
        with open_regular_file(path, self.key) as file:
            yield from self._deliveries(str(path), printable_name(str(path)), sidecar, carried).read(file)


def _move_finished(
    folder: Folder, name: str, done: FileDeliveries, processed: Folder, quarantine: Folder
) -> tuple[Path, str, FileSignature]:
    """Move a finished file to *processed*, or to *quarantine* if it has a reason; its notes go first, so that they are never apart.

    Returns
    -------
    Its new folder, name and signature.
    """
    # A reason in quarantine without its file was moved just before the service was stopped.
    waits = quarantine.is_file(reason_name(name)) and quarantine.status(name) is None
    target = quarantine if folder.is_file(reason_name(name)) or waits else processed
    size = 0 if done.signature is None else done.signature.size
    new_name = target.free_name(name, done.content_hash, size)
    for note in (rejected_name, reason_name):
        if folder.is_file(note(name)):
            folder.move(note(name), target, note(new_name))
    folder.move(name, target, new_name)
    status = target.status(new_name)
    if status is None:
        raise FileNotFoundError(new_name)
    return target.path, new_name, FileSignature.of(status)


def _take_turns(ready: list[tuple[int, int, str]]) -> list[str]:
    """Names by time, account and name: the oldest first, in turns of the accounts, so that a crowd of files delays no other account's.

    >>> _take_turns([(1, 7, "a"), (2, 7, "b"), (3, 7, "c"), (9, 8, "theirs")])
    ['a', 'theirs', 'b', 'c']
    """
    turns: Counter[int] = Counter()
    order = []
    for modified, account, name in sorted(ready):
        order.append((turns[account], modified, name))
        turns[account] += 1
    return [name for _, _, name in sorted(order)]
