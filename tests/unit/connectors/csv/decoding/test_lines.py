"""Records and lines, by RFC 4180 and beyond it."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from connectors.base import Reject
from connectors.csv.decoding.lines import MAX_LINE, CsvRecord, LineBlock, LineReader, sniff_encoding, split_records
from connectors.csv.decoding.rows import split_rows


def split(text: str, delimiter: str = ",") -> tuple[list[tuple[int, list[str]]], list[Reject]]:
    rejects: list[Reject] = []
    data = text.replace("\r\n", "\n").encode()
    data += b"" if data.endswith(b"\n") or not data else b"\n"
    records, used = split_records(data, 1, delimiter.encode(), final=True, rejects=rejects)
    assert used == len(data)
    return [(record.line, [field.decode() for field in record.fields]) for record in records], rejects


# The examples of RFC 4180, section 2, rules 1 to 7 (from memory).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [(1, ["aaa", "bbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
        ("aaa,bbb,ccc\r\nzzz,yyy,xxx", [(1, ["aaa", "bbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
        ('"aaa","bbb","ccc"\r\nzzz,yyy,xxx', [(1, ["aaa", "bbb", "ccc"]), (2, ["zzz", "yyy", "xxx"])]),
        ('"aaa","b\r\nbb","ccc"\r\nzzz,yyy,xxx', [(1, ["aaa", "b\nbb", "ccc"]), (3, ["zzz", "yyy", "xxx"])]),
        ('"aaa","b""bb","ccc"', [(1, ["aaa", 'b"bb', "ccc"])]),
        ("a, b ,c", [(1, ["a", " b ", "c"])]),
        ('"a,b",,""', [(1, ["a,b", "", ""])]),
    ],
)
def test_rfc_4180(text: str, expected: list[tuple[int, list[str]]]) -> None:
    assert split(text) == (expected, [])


@settings(derandomize=True)
@given(
    st.lists(
        st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\r\0"), max_size=6), min_size=2, max_size=4),
        max_size=6,
    ),
    st.sampled_from(",;\t|"),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_what_the_standard_library_writes_is_read(rows: list[list[str]], delimiter: str, quoting: int) -> None:
    text = io.StringIO()
    csv.writer(text, delimiter=delimiter, quoting=quoting, lineterminator="\n").writerows(rows)  # type: ignore[arg-type]
    records, rejects = split(text.getvalue(), delimiter)
    assert rejects == []
    assert [fields for _, fields in records] == [row for row in rows if any(cell.encode().strip() for cell in row)]


@pytest.mark.parametrize(
    ("text", "lines", "reason"),
    [
        ('a,"b\nc,d\n', [2], "a quote opened on this line is never closed"),
        ('a,"b"c\nd,e\n', [2], "text stands after a closing quote"),
        ('a,b"c\nd,e\n', [1, 2], ""),
        ("a,\0\nd,e\n", [2], "contains a NUL byte"),
        (f"a,{'x' * MAX_LINE}\nd,e\n", [2], "longer than"),
    ],
)
def test_lines_that_are_no_records(text: str, lines: list[int], reason: str) -> None:
    records, rejects = split(text)
    assert [line for line, _ in records] == lines
    assert [(reject.line, reason in reject.reason) for reject in rejects] == ([(1, True)] if reason else [])
    assert all(len(reject.text) <= 201 for reject in rejects)


def test_a_record_open_at_the_end_of_a_block_waits_for_the_next() -> None:
    data = b'a,b\nc,"d\n'
    rejects: list[Reject] = []
    records, used = split_records(data, 1, b",", final=False, rejects=rejects)
    assert (records, data[used:], rejects) == ([CsvRecord(1, [b"a", b"b"])], b'c,"d\n', [])


def cleaned(text: str, width: int, delimiter: bytes = b",") -> tuple[list[tuple[int, list[bytes]]], list[int]]:
    rejects: list[Reject] = []
    block, left = split_rows(LineBlock(text.encode(), 1, True), delimiter, width, rejects)
    assert left == b""
    rows = block.data.split(b"\n")[:-1]
    assert block.ends.shape == (len(rows), width)
    return [(int(n), row.split(block.delimiter)) for n, row in zip(block.line, rows, strict=True)], [
        r.line for r in rejects
    ]


ROW = "2025-03-01,b,c"


@pytest.mark.parametrize(
    ("text", "rows", "rejected"),
    [
        (f"{ROW}\n{ROW}\n", [1, 2], []),
        (f"{ROW}\n\n , ,\n,,\n{ROW}\n", [1, 5], []),
        (f"{ROW},\n{ROW},,\n{ROW}, \n{ROW},x\n", [1, 2, 3], [4]),
        (f"{ROW}\n2025-03-01,b\n{ROW}\n", [1, 3], [2]),
        (f"{ROW}\n2025-03-01,\0,b\n{ROW}\n", [1, 3], [2]),
        ('"2025-03-01","b","c"\n', [1], []),
        ('"2025-03-01","b,","c"\n2025-03-01,"b\n2","c"\n2025-03-01,"b""","c"\n', [1, 2, 4], []),
        ('2025-03-01,"b,","c"\n2025-03-01,"b\n', [1], [2]),
        ('2025-03-01,"b"",c\n2025-03-01,b",c\n', [1], []),
    ],
)
def test_rows_of_one_width(text: str, rows: list[int], rejected: list[int]) -> None:
    found, lines = cleaned(text, 3)
    assert [line for line, _ in found] == rows
    assert {len(fields) for _, fields in found} <= {3}
    assert lines == rejected


@settings(derandomize=True)
@given(
    st.lists(st.text(st.sampled_from('ab,"\n'), max_size=12), max_size=8),
    st.lists(st.sampled_from(['"2025-03-01","b","c"', ROW, '2025-03-01,"b,b",c']), max_size=4),
)
def test_the_fast_way_splits_as_the_careful_way(garbage: list[str], good: list[str]) -> None:
    lines = "\n".join([*good, *garbage, *good]) + "\n"
    rejects: list[Reject] = []
    records, _ = split_records(lines.encode(), 1, b",", final=True, rejects=rejects)
    expected = []
    for record in records:
        fields = [field.replace(b"\n", b" ") for field in record.fields]
        if len(fields) >= 3 and not any(field.strip() for field in fields[3:]):
            expected.append((record.line, fields[:3]))
        else:
            rejects.append(Reject(record.line, "", "", ""))
    found, rejected = cleaned(lines, 3)
    assert [(line, [f.replace(b"\x1f", b" ") for f in fields]) for line, fields in found] == expected
    assert sorted(rejected) == sorted(reject.line for reject in rejects)


def lines_of(
    data: bytes, encoding: str | None = None, block_bytes: int = 7
) -> tuple[list[tuple[int, bytes]], list[Reject]]:
    source = LineReader(io.BytesIO(data), encoding, block_bytes)
    found = []
    for block in source:
        for offset, line in enumerate(block.data.split(b"\n")[:-1]):
            found.append((block.first_line + offset, line))
    return found, source.rejects


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(encoding: str, ending: str) -> None:
    texts = ["time,tag", "", "1,Höhe €", "2,b"]
    data = ending.join(texts).encode(encoding)
    assert lines_of(data, block_bytes=17)[0] == [(i, text.encode()) for i, text in enumerate(texts, start=1)]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_configured_utf16_needs_no_byte_order_mark(encoding: str) -> None:
    for text in ("time,tag\n1,a\n", ""):
        lines = [line for _, line in lines_of(text.encode(encoding), "utf-16", 64)[0]]
        assert lines == text.encode().splitlines()


def test_a_line_that_is_no_utf8_is_read_as_windows_1252() -> None:
    data = "time,Höhe\n".encode() + "1,€ Größe\n".encode("cp1252") + b"2,\x81\n"
    assert [line.decode() for _, line in lines_of(data)[0]] == ["time,Höhe", "1,€ Größe", "2,\ufffd"]
    assert lines_of("1,ö\n".encode("cp1252"), "utf-8")[0] == [(1, "1,\ufffd".encode())]


def test_files_joined_end_to_end_keep_no_byte_order_mark() -> None:
    part = "\ufefftime,tag\n1,a\n".encode()
    assert [line for _, line in lines_of(part * 2)[0]] == [b"time,tag", b"1,a"] * 2


def test_a_line_without_end_is_rejected_and_the_next_one_read() -> None:
    data = b"a,b\n" + b"x" * (3 * MAX_LINE) + b"\nc,d\n"
    found, rejects = lines_of(data, block_bytes=MAX_LINE // 2)
    assert found == [(1, b"a,b"), (3, b"c,d")]
    assert [(reject.line, len(reject.text) <= 201) for reject in rejects] == [(2, True)]


@settings(derandomize=True)
@given(
    st.lists(st.sampled_from([b"a", b"\n", b"\r", b"\r\n", b"\xef\xbb\xbf", b'"', b"\xff"]), max_size=30),
    st.integers(1, 5),
)
def test_line_numbers_do_not_depend_on_the_blocks(pieces: list[bytes], block_bytes: int) -> None:
    data = b"".join(pieces)
    assert lines_of(data, "cp1252", block_bytes) == lines_of(data, "cp1252", 1000)


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (b"", "utf-8"),
        (b"time,tag\n", "utf-8"),
        ("time,tag\n".encode("utf-16-le"), "utf-16-le"),
        ("time,tag\n".encode("utf-16-be"), "utf-16-be"),
        (b"\0" * 100, "utf-8"),
    ],
)
def test_sniffed_encodings(data: bytes, encoding: str) -> None:
    assert sniff_encoding(data) == encoding
