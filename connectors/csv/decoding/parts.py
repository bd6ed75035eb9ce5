"""The interface between opening a file and decoding it, which may happen in another process: job, chunks and outcome."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import BinaryIO, Protocol

from connectors.base import HandCore, LaboratoryValue, Reject, SampleBlock
from connectors.csv.decoding.format import CsvFormat

#: 4 MB, about 100,000 rows: larger blocks are no faster and only cost memory.
BLOCK_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on compressed files. A day of one-second readings of a hundred tags is about 500 MB of text."""

    max_file_bytes: int = 8 << 30  #: of the file on disk
    max_bytes: int = 32 << 30
    #: Text of a constant signal shrinks about a hundredfold; deflate's own limit is about a thousandfold.
    max_ratio: int = 400
    ratio_from: int = 256 << 20
    max_members: int = 1000
    #: The list of members at an archive's end, which is read as a whole: a thousand names of four hundred letters.
    max_directory_bytes: int = 1 << 19


@dataclass(frozen=True, slots=True)
class ReadJob:
    """What to read, and how. ``size`` is that of the open file [byte]; ``repeated`` as ``FileDecoder.last_repeated``."""

    source: str
    origin: str
    size: int
    format: CsvFormat
    now: datetime
    repeated: Mapping[str, int] = field(default_factory=dict)
    limits: Limits = field(default_factory=Limits)
    block_bytes: int = BLOCK_BYTES


@dataclass(frozen=True, slots=True)
class Chunk:
    """A part of a file, decoded."""

    samples: SampleBlock
    rejects: tuple[Reject, ...] = ()
    cores: tuple[HandCore, ...] = ()
    unlisted: int = 0  #: rejects beyond those listed
    laboratory: tuple[LaboratoryValue, ...] = ()


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """The result for a whole file, after its chunks. ``unreadable`` says why it, or a part of it, cannot be used."""

    unreadable: str | None = None
    any_readable: bool = True
    repeated: Mapping[str, int] = field(default_factory=dict)


class FileReader(Protocol):
    """Decodes files, in this process or in a confined one."""

    def read(self, file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
        """Yield the chunks of an open file, then the outcome.

        Raises
        ------
        Unreachable
            when it cannot be read now.
        ReaderEnded
            when reading it ended the reader.
        """
        ...

    def stop(self) -> None:
        """Cancel the read under way and refuse others; from any thread."""
        ...
