"""A folder that files are dropped into, and files named by hand.

A file's life: it appears, it rests (or is renamed in), it is read, its rejects are written beside it, its rows are stored by
the service, and only then is it moved to ``processed``. Whatever is interrupted leaves it in the folder to be read again.
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
from typing import Any, BinaryIO

from connectors.base import Delivery
from connectors.csv.attempts import Attempts
from connectors.csv.decoding.format import CsvFormat, checked
from connectors.csv.decoding.parts import BLOCK_BYTES, Chunk, FileOutcome, FileReader, Limits, ReadJob
from connectors.csv.delivery import AlreadyTaken, Beside, FileDeliveries
from connectors.csv.folder import FileSignature, Folder, is_temporary, open_regular, opened, told, within
from connectors.csv.quarantine import REASON, REJECTED, reason_name, rejected_name, tell_reason
from connectors.errors import ConnectorError, Malformed, Misconfigured, ReaderEnded, Unreachable

PATTERNS = ("*.csv", "*.txt", "*.tsv", "*.gz", "*.zip")
_WATCHED_AFTER_MOVE_S = 86_400.0
_CLEAR_EVERY_S = 3_600.0
#: After so long no further file is begun: the next poll looks at the folder anew, so that one that came meanwhile has its turn.
LONGEST_POLL_S = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvDropConfig:
    """One ``[[connector]]`` of kind csv_drop. Only ``key`` and ``folder`` are needed.

    ``settle`` is how long a file must rest unchanged. ``processed`` and ``quarantine`` default to folders inside the drop
    folder. With ``keep`` files are left where they are, for shares that must not be altered; they are known again by name,
    size and time, and their rejects go to ``quarantine``. Files in ``processed`` are deleted after ``processed_for``; None
    keeps them for ever, and what was rejected or never read is always kept. ``attempts`` is a file of the service's own in
    which stands what is being read, so that what ends the service again and again is read no more.
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


def _in_turns(ready: list[tuple[int, int, str]]) -> list[str]:
    """Names by time, account and name: the oldest first, and whoever drops thousands keeps no other account's file waiting for them.

    >>> _in_turns([(1, 7, "a"), (2, 7, "b"), (3, 7, "c"), (9, 8, "theirs")])
    ['a', 'theirs', 'b', 'c']
    """
    turns: Counter[int] = Counter()
    order = []
    for modified, account, name in sorted(ready):
        order.append((turns[account], modified, name))
        turns[account] += 1
    return [name for _, _, name in sorted(order)]


class CsvDrop:
    """Watches one folder.

    Parameters
    ----------
    reader : decodes the files; this class only opens, names and moves them.
    now : the clock against which times in files are plausible.
    already_taken : asked with a file's SHA-256; a file known already is delivered empty, and moved like any other.
    clock : seconds that never run backwards, for how long a file has rested.
    """

    def __init__(
        self,
        config: CsvDropConfig,
        *,
        reader: FileReader,
        now: Callable[[], datetime],
        already_taken: AlreadyTaken | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        checked(config.format, config.key)
        if not config.patterns:
            raise Misconfigured(config.key, "patterns is empty.", "Leave it out to take *.csv and the like.")
        self.key = config.key
        self._config = config
        self._now = now
        self._already_taken = already_taken
        self._clock = clock
        self._processed = config.processed or config.folder / "processed"
        self._quarantine = config.quarantine or config.folder / "quarantine"
        self._seen: dict[str, tuple[FileSignature, float]] = {}
        self._temporary: dict[int, FileSignature] = {}
        self._pending: dict[str, tuple[str, FileDeliveries]] = {}
        self._moved: dict[
            tuple[Path, str], tuple[FileSignature, float, str]
        ] = {}  #: by folder and name: and its former name
        self._cleared: float | None = None
        self._refused: dict[str, FileSignature] = {}  #: by name, what could not be stored once
        self._given_up: dict[str, FileSignature] = {}  #: what could not be twice, and must be left where it is
        self._reader = _GuardedReader(reader, config)
        self._stopped = threading.Event()

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Deliver the files that have come to rest, oldest first, the accounts that own them taking turns.

        No file is begun after LONGEST_POLL_S; the rest waits for the next poll.

        Raises
        ------
        Unreachable
            when the folder cannot be listed, or a file could not be read now; other files have been delivered first.
        ReaderEnded
            when a file ended its reader after some of it was delivered; the next poll puts it into quarantine.
        """
        self._bring_back_grown()
        self._clear_processed()
        kept = {name: tuple(value) for name, value in state.get("taken", {}).items()}
        carried: dict[str, Any] = {"repeated": dict(state.get("repeated", {}))}
        ready, present = self._look(kept)
        if self._config.keep:
            carried["taken"] = {name: list(value) for name, value in kept.items() if name in present}
        problems: list[ConnectorError] = []
        began = self._clock()
        for name in ready:
            if self._stopped.is_set():
                return
            if self._clock() - began > LONGEST_POLL_S:
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
            done.add_refused(delivery.refused, delivery.refused_unlisted)
            if self._config.keep:
                return
            self._seen.pop(name, None)
            with self._folder() as folder:
                status = folder.status(name)
                if status is None or FileSignature.of(status) != done.signature:
                    return  # somebody took it away, or goes on writing: what it held is stored
                self._put_away(folder, name, done)
        except OSError as exc:
            raise Unreachable(
                self.key,
                f"{delivery.origin} is stored but cannot be moved ({exc}).",
                f"Give the service write access to {self._config.folder}.",
            ) from exc

    def quarantine(self, delivery: Delivery, why: str) -> None:
        """Told that a file was read but can never be stored: tried once more with the next poll, then put into quarantine.

        Raises
        ------
        Unreachable
            when it cannot be put there.
        """
        name, done = self._pending.pop(delivery.origin, ("", None))
        if done is None or done.signature is None:
            return
        done.withdraw()
        if self._refused.get(name) != done.signature:
            self._refused[name] = done.signature
            return
        reason = f"It was read, but cannot be stored: {why}\nNothing of it is stored. Once that is put right, delete this note and drop the file again."
        try:
            with self._folder() as folder:
                if self._config.keep:  # until it changes, or the service is started again
                    with within(folder, self._quarantine, self.key) as quarantine:
                        tell_reason(quarantine, name, reason)
                    self._given_up[name] = done.signature
                    return
                del self._refused[name]
                self._seen.pop(name, None)
                if folder.status(name) is not None:
                    tell_reason(folder, name, reason)
                    self._put_away(folder, name, done)
        except OSError as exc:
            raise Unreachable(
                self.key,
                f"{delivery.origin} cannot be stored ({why}) and cannot be put into quarantine ({exc}).",
                f"Give the service write access to {self._quarantine}.",
            ) from exc

    def give_up(self) -> None:
        """Let go of the file being read, and read no other: it is read anew after the next start. From any thread."""
        self._stopped.set()
        self._reader.stop()

    def close(self) -> None:
        """Let the reader end; no file is held open between polls."""
        self.give_up()
        self._pending.clear()

    def _look(self, kept: Mapping[str, tuple[int, ...]]) -> tuple[list[str], set[str]]:
        """Names of files at rest, in the order in which they are read, and of all files there are."""
        moment = self._clock()
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
            if self._given_up.get(name) == signature:
                continue
            if not self._wanted(name) or kept.get(told(name)) == (signature.size, signature.modified_ns):
                continue
            before = self._seen.get(name)
            unchanged = before is not None and before[0] == signature
            since = before[1] if before is not None and unchanged else moment
            seen[name] = (signature, since)
            # Renamed in, whole: unchanged since it was seen under a name that says it was being written.
            renamed = self._temporary.get(signature.inode) == signature
            if renamed or (unchanged and moment - since >= self._config.settle.total_seconds()):
                ready.append((signature.modified_ns, status.st_uid, name))
        self._seen = seen
        self._temporary = temporary
        return _in_turns(ready), {told(name) for name, _ in found}

    def _wanted(self, name: str) -> bool:
        lowered = name.lower()
        if lowered.endswith((REJECTED, REASON)):
            return False
        return any(fnmatch.fnmatchcase(lowered, pattern.lower()) for pattern in self._config.patterns)

    def _deliver(self, name: str, carried: dict[str, Any]) -> Iterator[Delivery]:
        work = FileDeliveries(
            source=self.key,
            origin=told(name),
            format=self._config.format,
            reader=self._reader,
            now=self._now(),
            already_taken=self._already_taken,
            limits=self._config.limits,
            block_bytes=self._config.block_bytes,
            beside=Beside(self._notes, name),
            state=carried,
            remember=self._config.keep,
            stopped=self._stopped.is_set,
        )
        try:
            with self._folder() as folder:
                file = folder.open(name)
            with file:
                self._pending[work.origin] = (name, work)
                yield from work.read(file)
        except Malformed:
            return  # it turned into a link or a pipe since the look: no file of ours
        except Unreachable:
            if os.path.lexists(self._config.folder / name):
                raise
            self._seen.pop(name, None)  # somebody took it away since the look

    def _folder(self) -> AbstractContextManager[Folder]:
        return opened(self._config.folder, self.key)

    @contextlib.contextmanager
    def _notes(self) -> Iterator[Folder]:
        """The folder that takes what is told about files: beside them, or apart where the folder must not be altered."""
        with self._folder() as folder:
            if not self._config.keep:
                yield folder
                return
            with within(folder, self._quarantine, self.key) as quarantine:
                yield quarantine

    def _put_away(self, folder: Folder, name: str, done: FileDeliveries) -> None:
        with within(folder, self._processed, self.key) as processed, within(folder, self._quarantine, self.key) as bad:
            path, new_name, signature = _put_away(folder, name, done, processed, bad)
        self._moved[path, new_name] = (signature, self._clock(), name)

    def _bring_back_grown(self) -> None:
        """A program that keeps its file open goes on writing after the move: such a file is taken once more."""
        moment = self._clock()
        for (path, moved), (signature, since, name) in list(self._moved.items()):
            try:
                with self._folder() as folder, within(folder, path, self.key) as target:
                    status = target.status(moved)
                    if status is not None and status.st_size > signature.size and folder.status(name) is None:
                        target.move(moved, folder, name)
                        status = None
            except (OSError, Unreachable, Malformed):
                status = None
            if status is None or moment - since > _WATCHED_AFTER_MOVE_S:
                del self._moved[path, moved]

    def _clear_processed(self) -> None:
        """Delete stored files that have been kept long enough."""
        moment = self._clock()
        if self._config.processed_for is None or (
            self._cleared is not None and moment - self._cleared < _CLEAR_EVERY_S
        ):
            return
        self._cleared = moment
        until = self._now() - self._config.processed_for
        with contextlib.suppress(OSError, Unreachable), self._folder() as folder:
            if folder.path == self._processed.parent and folder.status(self._processed.name) is None:
                return
            with within(folder, self._processed, self.key) as processed:
                for name, status in processed.scan():
                    noted = any(processed.status(note(name)) for note in (rejected_name, reason_name))
                    if noted or not self._wanted(name):
                        continue
                    # An export of old data was written long ago but moved just now; the move changes the second of the two.
                    if datetime.fromtimestamp(max(status.st_mtime, status.st_ctime), UTC) < until:
                        processed.remove(name)


class _GuardedReader:
    """Reads no file again that ended its reader, or the service with it."""

    def __init__(self, reader: FileReader, config: CsvDropConfig) -> None:
        self._reader = reader
        self._attempts = Attempts(config.attempts)
        self._ended: dict[str, tuple[FileSignature, ReaderEnded]] = {}

    def read(self, file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
        signature = FileSignature.of(os.fstat(file.fileno()))
        ended = self._ended.pop(job.origin, None)
        try:
            if ended is not None and ended[0] == signature:
                raise ended[1]
            self._attempts.begin(job, signature)
            yield from self._reader.read(file, job)
        except ReaderEnded as exc:
            self._ended[job.origin] = (signature, exc)
            raise
        finally:
            self._attempts.end()

    def stop(self) -> None:
        self._reader.stop()


class CsvFiles:
    """Files named by hand, read once in the order given; moved only when ``move`` is asked for."""

    def __init__(
        self,
        config: CsvDropConfig,
        paths: Sequence[Path],
        *,
        reader: FileReader,
        now: Callable[[], datetime],
        already_taken: AlreadyTaken | None = None,
        move: bool = False,
    ) -> None:
        checked(config.format, config.key)
        self.key = config.key
        self._config = config
        self._paths = tuple(paths)
        self._reader = reader
        self._now = now
        self._already_taken = already_taken
        self._move = move
        self._pending: dict[str, tuple[Path, FileDeliveries]] = {}

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
        path, done = self._pending.pop(delivery.origin)
        done.add_refused(delivery.refused, delivery.refused_unlisted)
        if not self._move:
            return
        with opened(path.parent, self.key) as folder:
            status = folder.status(path.name)
            if status is None or FileSignature.of(status) != done.signature:
                return
            processed = self._config.processed or path.parent / "processed"
            quarantine = self._config.quarantine or path.parent / "quarantine"
            with within(folder, processed, self.key) as good, within(folder, quarantine, self.key) as bad:
                _put_away(folder, path.name, done, good, bad)

    def close(self) -> None:
        """Let the reader end; no file is held open between polls."""
        self._reader.stop()
        self._pending.clear()

    def _deliver(self, path: Path, carried: dict[str, Any]) -> Iterator[Delivery]:
        # A person who names a link means the file it leads to.
        path = path.resolve()
        work = FileDeliveries(
            source=self.key,
            origin=told(str(path)),
            format=self._config.format,
            reader=self._reader,
            now=self._now(),
            already_taken=self._already_taken,
            limits=self._config.limits,
            block_bytes=self._config.block_bytes,
            # The rejects are told to whoever named the file anyway; a folder that cannot be written stops nothing.
            beside=Beside(lambda: opened(path.parent, self.key), path.name)
            if os.access(path.parent, os.W_OK)
            else None,
            state=carried,
        )
        with open_regular(path, self.key) as file:
            self._pending[work.origin] = (path, work)
            yield from work.read(file)


def _put_away(
    folder: Folder, name: str, done: FileDeliveries, processed: Folder, quarantine: Folder
) -> tuple[Path, str, FileSignature]:
    """Move a file that is done with, after what is told about it, so that they stay side by side whatever happens.

    Returns
    -------
    The folder it lies in now, under which name, and its signature there.
    """
    # A reason that waits in quarantine without its file was moved just before we were stopped.
    waits = quarantine.is_file(reason_name(name)) and quarantine.status(name) is None
    target = quarantine if folder.is_file(reason_name(name)) or waits else processed
    size = 0 if done.signature is None else done.signature.size
    new_name = target.place_for(name, done.content_hash, size)
    for note in (rejected_name, reason_name):
        if folder.is_file(note(name)):
            folder.move(note(name), target, note(new_name))
    folder.move(name, target, new_name)
    status = target.status(new_name)
    if status is None:
        raise FileNotFoundError(new_name)
    return target.path, new_name, FileSignature.of(status)
