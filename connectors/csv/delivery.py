"""Turns one open file into deliveries: hash it, read it in parts, write its rejects before the last part is delivered."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, BinaryIO

from connectors.base import Delivery, Reject, block_of
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.parts import Chunk, FileOutcome, FileReader, Limits, ReadJob
from connectors.csv.folder import FileSignature, Folder, content_hash
from connectors.csv.quarantine import RejectedRows, write_reason
from connectors.errors import ReaderEnded, Unreachable

#: Whether a file with this SHA-256 [hex] is stored already.
IsStored = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Sidecar:
    """Where the rejects and the reason of a file are written: the folder, and the file's name in it."""

    folder: Callable[[], AbstractContextManager[Folder]]
    name: str


@dataclass(slots=True)
class FileDeliveries:
    """Reads one open file into deliveries.

    ``state`` is the connector's, kept from file to file; it changes with the last delivery only, so that reading a file again
    starts from the same state. ``signature`` and ``content_hash`` identify what was read; ``unreadable`` says why the file, or a
    part of it, could not be used.
    """

    source: str
    origin: str
    format: CsvFormat
    reader: FileReader
    now: datetime
    is_stored: IsStored | None
    limits: Limits
    block_bytes: int
    sidecar: Sidecar | None  #: None: rejects are only delivered, not written
    state: dict[str, Any]
    remember: bool = False
    stopped: Callable[[], bool] = lambda: False
    signature: FileSignature | None = None
    content_hash: str = ""
    unreadable: str | None = None
    _rejected: RejectedRows | None = None
    _before: dict[str, Any] = field(default_factory=dict)
    _rolled_back: bool = False
    _has_readable: bool = True
    _repeated: dict[str, int] = field(default_factory=dict)
    _size: int = 0

    def read(self, file: BinaryIO) -> Iterator[Delivery]:
        """Yield the file's deliveries.

        Raises
        ------
        Unreachable
            when the file changed meanwhile, or its rejects cannot be written; the last part has not been yielded then.
        ReaderEnded
            when reading it ended its reader after a part had been yielded; the last part has not been.
        """
        self._begin(file)
        if self._size > self.limits.max_file_bytes:
            yield self._unread_delivery(f"It has {self._size} bytes, more than {self.limits.max_file_bytes}. Split it.")
            return
        self.content_hash, size = content_hash(file, self.source, self.stopped)
        if self.is_stored is not None and self.is_stored(self.content_hash):
            yield self._delivery(Chunk(block_of([])), size, part=0, last=True)
            return
        self._rejected = RejectedRows()
        pending: Chunk | None = None
        part = 0
        try:
            for chunk in self._chunks(file, size):
                self._rejected.add(chunk.rejects, chunk.unlisted)
                if pending is not None:
                    yield self._delivery(pending, size, part=part, last=False)
                    part += 1
                pending = chunk
        except ReaderEnded as exc:
            if part:
                raise
            self._rejected = None
            yield self._unread_delivery(reader_ended_reason(exc))
            return
        if FileSignature.of(os.fstat(file.fileno())) != self.signature:
            raise Unreachable(
                self.source, f"{self.origin} changed while it was read.", "It is taken again when it rests."
            )
        # Written before the rows are stored: after a crash in between, the notes are there.
        self._write_notes()
        yield self._delivery(pending or Chunk(block_of([])), size, part=part, last=True)

    def _begin(self, file: BinaryIO) -> None:
        self.signature = FileSignature.of(os.fstat(file.fileno()))
        self._size = self.signature.size
        self._before = _copy(self.state)
        self._repeated = dict(self.state.get("repeated", {}))

    def _unread_delivery(self, reason: str) -> Delivery:
        """The delivery of a file that is not read; without a content hash, so that it is tried again should it come again."""
        self.unreadable = reason
        self._has_readable = False
        self.content_hash = hashlib.sha256(f"{self.origin}|{self.signature}".encode()).hexdigest()
        self._write_notes()
        chunk = Chunk(block_of([]), (Reject(0, "file", self.origin, reason.splitlines()[0]),))
        return replace(self._delivery(chunk, self._size, part=0, last=True), content_hash=None)

    def add_refused_rows(self, refused: Sequence[Reject], unlisted: int = 0) -> None:
        """Append the rows that the service refused to the rejects beside the file.

        Raises
        ------
        OSError
            when it cannot be written.
        """
        if self._rejected is None or self.sidecar is None or not refused:
            return
        self._rejected.add(refused, unlisted)
        with self.sidecar.folder() as folder:
            self._rejected.publish(folder, self.sidecar.name)

    def _write_notes(self) -> None:
        if self.sidecar is None:
            return
        try:
            with self.sidecar.folder() as folder:
                if self._rejected is not None and self._has_readable:
                    self._rejected.publish(folder, self.sidecar.name)
                write_reason(folder, self.sidecar.name, self.unreadable)
        except OSError as exc:
            raise Unreachable(
                self.source,
                f"the rejected rows of {self.origin} cannot be written ({exc}).",
                "Give the service write access.",
            ) from exc

    def roll_back(self) -> None:
        """Restore the state from before this file, of which nothing was stored."""
        self._rolled_back = True
        self.state.clear()
        self.state.update(_copy(self._before))

    def _chunks(self, file: BinaryIO, size: int) -> Iterator[Chunk]:
        job = ReadJob(
            source=self.source,
            origin=self.origin,
            size=size,
            format=self.format,
            now=self.now,
            repeated=self._repeated,
            limits=self.limits,
            block_bytes=self.block_bytes,
        )
        for item in self.reader.read(file, job):
            if isinstance(item, FileOutcome):
                self._has_readable, self.unreadable = item.any_readable, item.unreadable
                self._repeated = dict(item.repeated)
            else:
                yield item

    def _delivery(self, chunk: Chunk, size: int, *, part: int, last: bool) -> Delivery:
        if last and not self._rolled_back:
            self.state["repeated"] = dict(self._repeated)
            if self.remember and self.signature is not None:
                taken = self.state.setdefault("taken", {})
                taken[self.origin] = [self.signature.size, self.signature.modified_ns]
        return Delivery(
            origin=self.origin,
            samples=chunk.samples,
            rejects=chunk.rejects,
            unlisted=chunk.unlisted,
            cores=chunk.cores,
            laboratory=chunk.laboratory,
            state=_copy(self.state),
            content_hash=self.content_hash,
            size_bytes=size,
            part=part,
            last_part=last,
        )


def reader_ended_reason(exc: ReaderEnded) -> str:
    """Why a file that ended its reader is not read again."""
    return f"{exc.problem} Nothing of it is stored. {exc.remedy}\nIf it is what it should be, drop it again, in smaller parts."


def _copy(state: Mapping[str, Any]) -> dict[str, Any]:
    return {key: dict(value) for key, value in state.items()}


#: The service may be killed, or lose its power, while it reads a good file: once, twice, but hardly the same file three times.
MAX_ATTEMPTS = 3


class GuardedReader:
    """Reads no file again that ended its reader, or ended the service ``MAX_ATTEMPTS`` times.

    The file being read is noted in *note*, which outlives the process; None: not noted. The note is not flushed to disk: after a
    power cut one attempt more does no harm. Reads one file at a time.
    """

    def __init__(self, reader: FileReader, note: Path | None) -> None:
        self._reader = reader
        self._note = note
        self._ended: dict[str, tuple[FileSignature, ReaderEnded]] = {}

    def read(self, file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
        """As :meth:`FileReader.read`."""
        signature = FileSignature.of(os.fstat(file.fileno()))
        ended = self._ended.pop(job.origin, None)
        try:
            if ended is not None and ended[0] == signature:
                raise ended[1]
            self._count_attempt(job, signature)
            yield from self._reader.read(file, job)
        except ReaderEnded as exc:
            self._ended[job.origin] = (signature, exc)
            raise
        finally:
            if self._note is not None:
                with suppress(OSError):
                    self._note.unlink()

    def stop(self) -> None:
        """As :meth:`FileReader.stop`."""
        self._reader.stop()

    def _count_attempt(self, job: ReadJob, signature: FileSignature) -> None:
        if self._note is None:
            return
        file = [job.origin, signature.size, signature.modified_ns]
        attempts = 0
        with suppress(OSError, ValueError, TypeError):
            noted, count = json.loads(self._note.read_text("utf-8"))
            attempts = int(count) if noted == file else 0
        if attempts >= MAX_ATTEMPTS:
            raise ReaderEnded(
                job.source,
                f"{job.origin}: the service ended {attempts} times while it read this file.",
                "It may be made to do harm, or larger than this machine can bear.",
            )
        with suppress(OSError):  # a full disk is no reason not to read
            self._note.parent.mkdir(parents=True, exist_ok=True)
            draft = self._note.with_suffix(".new")
            draft.write_text(json.dumps([file, attempts + 1]), "utf-8")
            draft.replace(self._note)
