"""Decodes a byte stream to columns of samples, hand cores and rejects. No files, no clock: those belong to the caller."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from connectors.base import HandCore, LaboratoryValue, block_of
from connectors.csv.decoding.cores import CoreDecoder, LaboratoryDecoder
from connectors.csv.decoding.dialect import sniff_dialect
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.lines import ByteStream, LineBlock, LineReader, Rejects, split_records
from connectors.csv.decoding.parts import BLOCK_BYTES, Chunk
from connectors.csv.decoding.row_times import RowTimes
from connectors.csv.decoding.samples import SampleDecoder


@dataclass(slots=True)
class FileDecoder:
    """Decodes one file. ``last_repeated`` is, from file to file, the newest time of each tag inside a repeated hour."""

    options: CsvFormat
    now: datetime
    name: str
    last_repeated: dict[str, int] = field(default_factory=dict)
    block_bytes: int = BLOCK_BYTES

    def chunks(self, stream: ByteStream) -> Iterator[Chunk]:
        """Yield the chunks of a stream.

        Raises
        ------
        Malformed
            when the file as a whole cannot be understood; nothing has been yielded then.
        """
        source = LineReader(stream, self.options.encoding, self.block_bytes)
        reader: SampleDecoder | CoreDecoder | LaboratoryDecoder | None = None
        for block in source:
            rejects = Rejects(source.rejects)
            source.rejects = []
            if reader is None:
                blank = len(block.data) - len(block.data.lstrip(b"\n"))
                block = LineBlock(block.data[blank:], block.first_line + blank, block.final)
                dialect = sniff_dialect(block.data, block.first_line, self.options, final=block.final, name=self.name)
                if dialect is None:
                    # No row yet: blank lines, or lines that can be none.
                    delimiter = (self.options.delimiter or ",").encode()
                    split_records(block.data, block.first_line, delimiter, final=True, rejects=rejects)
                    if rejects:
                        yield Chunk(block_of([]), tuple(rejects), unlisted=rejects.unlisted)
                    continue
                rejects = Rejects([*dialect.rejects, *rejects], rejects.unlisted)
                times = RowTimes(dialect, self.now, self.last_repeated)
                decoder = _DECODERS.get(dialect.layout, SampleDecoder)
                reader = decoder(dialect, self.options, times)
                block = _from_line(block, dialect.first_data_line)
            samples, rows, left = reader.read(block, rejects)
            if left:
                first = block.first_line + block.data.count(b"\n") - left.count(b"\n")
                source.unread(left, first)
            rejects.sort(key=lambda reject: reject.line)
            if len(samples) or rejects or rows:
                yield Chunk(
                    samples,
                    tuple(rejects),
                    cores=tuple(row for row in rows if isinstance(row, HandCore)),
                    unlisted=rejects.unlisted,
                    laboratory=tuple(row for row in rows if isinstance(row, LaboratoryValue)),
                )
        last = Rejects([*source.rejects, *(reader.ignored() if isinstance(reader, SampleDecoder) else ())])
        if last:
            yield Chunk(block_of([]), tuple(last), unlisted=last.unlisted)


_DECODERS: dict[Layout, type[SampleDecoder | CoreDecoder | LaboratoryDecoder]] = {
    Layout.CORES: CoreDecoder,
    Layout.LABORATORY: LaboratoryDecoder,
}


def _from_line(block: LineBlock, line: int) -> LineBlock:
    """The block from *line* on, without header and preamble."""
    skipped = min(line - block.first_line, block.data.count(b"\n"))
    position = 0
    for _ in range(skipped):
        position = block.data.index(b"\n", position) + 1
    return LineBlock(block.data[position:], block.first_line + skipped, block.final)
