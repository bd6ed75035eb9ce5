"""Whatever is dropped gives rows or reasons: never a crash, never a silent loss."""

from __future__ import annotations

import io
import re
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from connectors.base import Reject, SampleBlock
from connectors.csv.decoding.dialect import sniff_dialect
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.parts import Chunk
from connectors.csv.decoding.reader import FileDecoder
from connectors.errors import Malformed

NOW = datetime(2026, 1, 1, tzinfo=UTC)

CELL = st.sampled_from(
    [
        "2025-03-01T00:00:00Z", "2025-03-01 00:00:07", "2025-11-02 01:30:00", "2025-03-09 02:30:00", "1740787200", "03.01.2025 10:00",
        "2031-01-01T00:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2025-02-30T00:00:00Z", "time", "tag", "value",
        "quality", "CL1", "CL2", "1", "2.5", "3,5", "-0", "1e999", "NaN", "", " ", "x", "=1+1", "GOOD", "192", "0x80000000", "ö",
        "\ufeff", "1.2.3", "#", "tank", "thickness (ft)", "\x1f", "\x0b", "\u2028", "1_0", "٣",
    ]
)  # fmt: skip
ROWS = st.lists(st.lists(CELL, min_size=1, max_size=5), max_size=12)


def read(data: bytes, options: CsvFormat, block_bytes: int = 1 << 20) -> list[Chunk]:
    return list(FileDecoder(options, NOW, "any.csv", block_bytes=block_bytes).chunks(io.BytesIO(data)))


def check_block(block: SampleBlock) -> None:
    rows = len(block)
    assert {block.address_index.size, block.value.size, block.quality.size, block.reason.size} == {rows}
    if rows:
        assert block.address_index.min() >= 0
        assert block.address_index.max() < len(block.addresses)


@settings(derandomize=True)
@given(st.binary(max_size=400), st.integers(min_value=1, max_value=64))
@example(b'"', 8)
@example(b"\xff\xfe", 8)
@example(b"\xff\xfea\x00", 8)
@example(b"\r", 1)
@example(b"a,b\r\n\x00,\x00", 3)
@example(b"PK\x03\x04", 4)
def test_any_bytes_at_all(data: bytes, block_bytes: int) -> None:
    try:
        chunks = read(data, CsvFormat(), block_bytes)
    except Malformed:
        return  # one reason for the whole file
    for chunk in chunks:
        check_block(chunk.samples)
        assert all(reject.reason and reject.line >= 1 for reject in chunk.rejects)


@settings(derandomize=True)
@given(
    ROWS,
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.integers(min_value=16, max_value=4096),
)
def test_every_line_that_is_not_blank_is_a_reading_or_a_reject(
    rows: list[list[str]], delimiter: str, ending: str, encoding: str, block_bytes: int
) -> None:
    text = ending.join(delimiter.join(row) for row in [["time", "tag", "value", "quality"], *rows])
    data = text.encode(encoding, errors="replace")
    options = CsvFormat(
        layout=Layout.LONG, header=True, delimiter=delimiter, time_format="iso", zone="America/New_York"
    )
    chunks = read(data, options, block_bytes)

    lines = re.split("\r\n|\r|\n", data.decode(encoding))
    filled = {number for number, line in enumerate(lines, start=1) if _filled(line, delimiter)}
    rejects = [reject for chunk in chunks for reject in chunk.rejects]
    rejected = [reject.line for reject in rejects]
    assert len(rejected) == len(set(rejected)), "a line is rejected once"
    assert set(rejected) <= filled
    samples = sum(len(chunk.samples) for chunk in chunks)
    assert samples + len(rejected) == len(filled) - 1  # the header


def _filled(line: str, delimiter: str) -> bool:
    # What the reader calls blank: nothing but delimiters and ASCII blanks, around which a mark may stand in joined files.
    return bool(line.removeprefix("\ufeff").encode().replace(delimiter.encode(), b"").strip())


@settings(derandomize=True)
@given(
    st.lists(
        st.lists(st.sampled_from(["", " ", "1", "2.5", "x", "NaN", "-7e3", "1,5"]), min_size=3, max_size=3), max_size=10
    ),
    st.integers(min_value=16, max_value=4096),
)
def test_every_filled_cell_of_a_wide_file_is_a_reading_or_a_reject(rows: list[list[str]], block_bytes: int) -> None:
    lines = ["time;CL1;CL2;OTHER"]
    lines += [f"2025-03-01T00:00:{second:02d}Z;{';'.join(row)}" for second, row in enumerate(rows)]
    options = CsvFormat(tags=frozenset({"CL1", "CL2"}))
    chunks = read("\n".join(lines).encode(), options, block_bytes)
    rejects = [reject for chunk in chunks for reject in chunk.rejects]

    known = sum(1 for row in rows for cell in row[:2] if cell.strip())
    samples = sum(len(chunk.samples) for chunk in chunks)
    assert samples + sum(1 for reject in rejects if reject.field != "column") == known
    unknown = sum(1 for row in rows if row[2].strip())
    assert [_not_taken(reject) for reject in rejects if reject.field == "column"] == ([unknown] if unknown else [])


def _not_taken(reject: Reject) -> int:
    found = re.search(r"\(([0-9]+) values? not taken\)", reject.reason)
    assert found is not None
    return int(found[1])


@settings(derandomize=True)
@given(ROWS, st.sampled_from([",", ";"]), st.booleans(), st.sampled_from([None, "epoch", "%d.%m.%Y %H:%M"]))
def test_sniffing_anything_gives_rows_or_one_reason(
    rows: list[list[str]], delimiter: str, quoted: bool, time_format: str | None
) -> None:
    cells = [[f'"{cell}"' if quoted else cell for cell in row] for row in rows]
    data = "\n".join(delimiter.join(row) for row in cells).encode()
    # A byte order mark at the beginning of a line is no content: files joined end to end keep theirs.
    bare = rows if quoted else [[row[0].removeprefix("\ufeff"), *row[1:]] if row else row for row in rows]
    filled = sum(1 for row in bare if any(cell.encode().strip() for cell in row))
    for layout in Layout:
        options = CsvFormat(layout=layout, time_format=time_format, zone="Europe/Amsterdam")
        try:
            chunks = read(data, options)
            shape = sniff_dialect(data + b"\n", 1, options, final=True, name="any.csv")
        except Malformed:
            continue
        for chunk in chunks:
            check_block(chunk.samples)
        if shape is not None and shape.layout is not Layout.WIDE:
            lines = {reject.line for chunk in chunks for reject in chunk.rejects if reject.line != shape.header_line}
            taken = sum(len(chunk.samples) + len(chunk.cores) for chunk in chunks)
            assert taken + len(lines) + bool(shape.header) == filled


@pytest.mark.parametrize("quotes", ['"', '""', '"""', '","', '"\n"', '"\r\n', 'a"b', '"a"b"', ',"'])
def test_a_stray_quote_costs_its_line_and_not_the_file(quotes: str) -> None:
    good = [f"2025-03-01T00:{i // 60:02d}:{i % 60:02d}Z,CL1,{i}.5" for i in range(200)]
    text = "\n".join(["time,tag,value", *good[:50], f"2025-03-01T01:00:00Z,CL{quotes},1", *good[50:]])
    chunks = read(text.encode(), CsvFormat(tags=frozenset({"CL1"})))
    taken = [value for chunk in chunks for value in chunk.samples.value.tolist()]
    assert taken == [i + 0.5 for i in range(200)]
    assert any(reject.line in (52, 53) for chunk in chunks for reject in chunk.rejects)
