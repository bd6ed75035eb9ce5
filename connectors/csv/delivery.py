"""One open file as deliveries: hashed first, read in parts, its rejects written before the last part is handed over."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, BinaryIO

from connectors.base import Delivery, Reject
from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.parts import Chunk, FileOutcome, FileReader, Limits, ReadJob, no_samples
from connectors.csv.folder import FileSignature, Folder, content_hash
from connectors.csv.quarantine import RejectedRows, tell_reason
from connectors.errors import ReaderEnded, Unreachable

#: Tells whether a file with this SHA-256 has been stored before.
AlreadyTaken = Callable[[str], bool]


@dataclass(frozen=True, slots=True)
class Beside:
    """Where what is told about a file goes: into a folder, under names made from the file's."""

    folder: Callable[[], AbstractContextManager[Folder]]
    name: str


@dataclass(slots=True)
class FileDeliveries:
    """Reads one open file into deliveries.

    ``state`` is what the connector keeps from file to file; it changes with the last delivery and no earlier, so a file that
    has to be read again meets it as it was. After that ``signature`` and ``content_hash`` tell what was read, and
    ``unreadable`` why it, or a part of it, could not be used.
    """

    source: str
    origin: str
    format: CsvFormat
    reader: FileReader
    now: datetime
    already_taken: AlreadyTaken | None
    limits: Limits
    block_bytes: int
    beside: Beside | None  #: None: rejects are told to whoever named the file, and nowhere else
    state: dict[str, Any]
    remember: bool = False
    stopped: Callable[[], bool] = lambda: False
    signature: FileSignature | None = None
    content_hash: str = ""
    unreadable: str | None = None
    _rejected: RejectedRows | None = None
    _before: dict[str, Any] = field(default_factory=dict)
    _withdrawn: bool = False
    _any_readable: bool = True
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
            yield self._unread(f"It has {self._size} bytes, more than {self.limits.max_file_bytes}. Split it.")
            return
        self.content_hash, size = content_hash(file, self.source, self.stopped)
        if self.already_taken is not None and self.already_taken(self.content_hash):
            yield self._delivery(Chunk(no_samples()), size, part=0, last=True)
            return
        self._rejected = RejectedRows()
        held: Chunk | None = None
        part = 0
        try:
            for chunk in self._chunks(file, size):
                self._rejected.add(chunk.rejects, chunk.unlisted)
                if held is not None:
                    yield self._delivery(held, size, part=part, last=False)
                    part += 1
                held = chunk
        except ReaderEnded as exc:
            if part:
                raise
            self._rejected = None
            yield self._unread(ended_reader(exc))
            return
        if FileSignature.of(os.fstat(file.fileno())) != self.signature:
            raise Unreachable(
                self.source, f"{self.origin} changed while it was read.", "It is taken again when it rests."
            )
        # Told before the rows are stored: should we die in between, the file is known for what it is.
        self._tell()
        yield self._delivery(held or Chunk(no_samples()), size, part=part, last=True)

    def _begin(self, file: BinaryIO) -> None:
        self.signature = FileSignature.of(os.fstat(file.fileno()))
        self._size = self.signature.size
        self._before = _copied(self.state)
        self._repeated = dict(self.state.get("repeated", {}))

    def _unread(self, reason: str) -> Delivery:
        """What is said of a file that is not read, not even for its hash: should it come again, it is looked at anew."""
        self.unreadable = reason
        self._any_readable = False
        self.content_hash = hashlib.sha256(f"{self.origin}|{self.signature}".encode()).hexdigest()
        self._tell()
        chunk = Chunk(no_samples(), (Reject(0, "file", self.origin, reason.splitlines()[0]),))
        return replace(self._delivery(chunk, self._size, part=0, last=True), content_hash=None)

    def add_refused(self, refused: Sequence[Reject], unlisted: int = 0) -> None:
        """Tell beside the file what the service refused, after the rows that could not be read.

        Raises
        ------
        OSError
            when it cannot be written.
        """
        if self._rejected is None or self.beside is None or not refused:
            return
        self._rejected.add(refused, unlisted)
        with self.beside.folder() as folder:
            self._rejected.publish(folder, self.beside.name)

    def _tell(self) -> None:
        if self.beside is None:
            return
        try:
            with self.beside.folder() as folder:
                if self._rejected is not None and self._any_readable:
                    self._rejected.publish(folder, self.beside.name)
                tell_reason(folder, self.beside.name, self.unreadable)
        except OSError as exc:
            raise Unreachable(
                self.source,
                f"the rejected rows of {self.origin} cannot be written ({exc}).",
                "Give the service write access.",
            ) from exc

    def withdraw(self) -> None:
        """Nothing of the file was stored: what is kept from file to file is as it was before this one."""
        self._withdrawn = True
        self.state.clear()
        self.state.update(_copied(self._before))

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
                self._any_readable, self.unreadable = item.any_readable, item.unreadable
                self._repeated = dict(item.repeated)
            else:
                yield item

    def _delivery(self, chunk: Chunk, size: int, *, part: int, last: bool) -> Delivery:
        if last and not self._withdrawn:
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
            state=_copied(self.state),
            content_hash=self.content_hash,
            size_bytes=size,
            part=part,
            last_part=last,
        )


def ended_reader(exc: ReaderEnded) -> str:
    """Why a file that ended its reader is not read again."""
    return f"{exc.problem} Nothing of it is stored. {exc.remedy}\nIf it is what it should be, drop it again, in smaller parts."


def _copied(state: Mapping[str, Any]) -> dict[str, Any]:
    return {key: dict(value) for key, value in state.items()}
