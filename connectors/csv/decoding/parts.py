"""What reading a file needs and gives: the seam between who opens a file and who decodes it, which may be another process."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import BinaryIO, Protocol

import numpy as np

from connectors.base import HandCore, Reject, SampleBlock
from connectors.csv.decoding.format import CsvFormat

#: 4 MB, about 100,000 rows: larger blocks are no faster and only cost memory.
BLOCK_BYTES = 4 << 20


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on compressed files. A day of one-second readings of a hundred tags is about 500 MB of text."""

    max_file_bytes: int = 8 << 30  #: of the file as it lies there
    max_bytes: int = 32 << 30
    #: Text of a constant signal shrinks about a hundredfold; deflate's own limit is about a thousandfold.
    max_ratio: int = 400
    ratio_from: int = 256 << 20
    max_members: int = 1000
    #: The list of members at an archive's end, which is read as a whole: a thousand names of four hundred letters.
    max_directory_bytes: int = 1 << 19


@dataclass(frozen=True, slots=True)
class ReadJob:
    """What is read, and how. ``size`` is of the open file [byte]; ``repeated`` as ``Reading.last_repeated``."""

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
    """A part of a file: what could be read of it, and what could not."""

    samples: SampleBlock
    rejects: tuple[Reject, ...] = ()
    cores: tuple[HandCore, ...] = ()
    unlisted: int = 0  #: rejects beyond those listed


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of a file: comes last, after its chunks. ``unreadable`` says why it, or a part of it, cannot be used."""

    unreadable: str | None = None
    any_readable: bool = True
    repeated: Mapping[str, int] = field(default_factory=dict)


class FileReader(Protocol):
    """Decodes files: in this process, or in one that can come to no harm."""

    def read(self, file: BinaryIO, job: ReadJob) -> Iterator[Chunk | FileOutcome]:
        """The chunks of an open file, and at last the outcome.

        Raises
        ------
        Unreachable
            when it cannot be read now.
        ReaderEnded
            when reading it ended the reader.
        """
        ...

    def stop(self) -> None:
        """Give up what is being read, and read nothing more; from any thread."""
        ...


def no_samples() -> SampleBlock:
    """An empty block."""
    return SampleBlock(
        addresses=(),
        address_index=np.zeros(0, dtype=np.int32),
        time_us=np.zeros(0, dtype=np.int64),
        value=np.zeros(0, dtype=np.float64),
        quality=np.zeros(0, dtype=np.int16),
        reason=np.zeros(0, dtype=np.int16),
    )
