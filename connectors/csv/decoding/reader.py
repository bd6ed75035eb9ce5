"""A byte stream in, columns of samples, hand cores and named rejects out. No files, no clock: those belong to the caller."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from connectors.base import HandCore, Reject, SampleBlock
from connectors.csv.decoding.cores import CoreRows
from connectors.csv.decoding.dialect import find_shape
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.lines import ByteStream, LineBlock, LineSource, Rejects
from connectors.csv.decoding.parts import BLOCK_BYTES, Chunk, no_samples
from connectors.csv.decoding.records import split_records
from connectors.csv.decoding.row_times import RowTimes
from connectors.csv.decoding.samples import SampleRows


@dataclass(slots=True)
class FileDecoder:
    """One file being read. ``last_repeated`` carries, from file to file, the newest time of each tag inside a repeated hour."""

    options: CsvFormat
    now: datetime
    name: str
    last_repeated: dict[str, int] = field(default_factory=dict)
    block_bytes: int = BLOCK_BYTES

    def chunks(self, stream: ByteStream) -> Iterator[Chunk]:
        """Read a stream to its end.

        Raises
        ------
        Malformed
            when the file as a whole cannot be understood; nothing has been yielded then.
        """
        source = LineSource(stream, self.options.encoding, self.block_bytes)
        reader: SampleRows | CoreRows | None = None
        for block in source:
            rejects = Rejects(source.rejects)
            source.rejects = []
            if reader is None:
                blank = len(block.data) - len(block.data.lstrip(b"\n"))
                block = LineBlock(block.data[blank:], block.first_line + blank, block.final)
                shape = find_shape(block.data, block.first_line, self.options, final=block.final, name=self.name)
                if shape is None:
                    # No row yet: blank lines, or lines that can be none.
                    delimiter = (self.options.delimiter or ",").encode()
                    split_records(block.data, block.first_line, delimiter, final=True, rejects=rejects)
                    if rejects:
                        yield Chunk(no_samples(), tuple(rejects), unlisted=rejects.unlisted)
                    continue
                rejects = Rejects([*shape.rejects, *rejects], rejects.unlisted)
                times = RowTimes(shape, self.now, self.last_repeated)
                cores_only = shape.layout is Layout.CORES
                reader = (CoreRows if cores_only else SampleRows)(shape, self.options, times)
                block = _from_line(block, shape.first_data_line)
            samples, cores, left = _read(reader, block, rejects)
            if left:
                first = block.first_line + block.data.count(b"\n") - left.count(b"\n")
                source.unread(left, first)
            rejects.sort(key=lambda reject: reject.line)
            if len(samples) or rejects or cores:
                yield Chunk(samples, tuple(rejects), tuple(cores), rejects.unlisted)
        last = Rejects([*source.rejects, *(reader.ignored() if isinstance(reader, SampleRows) else ())])
        if last:
            yield Chunk(no_samples(), tuple(last), unlisted=last.unlisted)


def _read(
    reader: SampleRows | CoreRows, block: LineBlock, rejects: list[Reject]
) -> tuple[SampleBlock, list[HandCore], bytes]:
    if isinstance(reader, CoreRows):
        cores, left = reader.read(block, rejects)
        return no_samples(), cores, left
    samples, left = reader.read(block, rejects)
    return samples, [], left


def _from_line(block: LineBlock, line: int) -> LineBlock:
    """The block without what stands before *line*: the header and what precedes it."""
    skipped = min(line - block.first_line, block.data.count(b"\n"))
    position = 0
    for _ in range(skipped):
        position = block.data.index(b"\n", position) + 1
    return LineBlock(block.data[position:], block.first_line + skipped, block.final)
