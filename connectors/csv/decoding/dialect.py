"""Finds the dialect of a file from its first rows: delimiter, header, layout, decimal mark, time format."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from connectors.base import Reject
from connectors.csv.decoding.cell import QualityCode, sniff_quality_code
from connectors.csv.decoding.columns import (
    NO_TIMES,
    WideColumn,
    columns_of,
    count_known_headings,
    decode_fields,
    is_date,
    is_time,
    is_time_or_date,
    layout_and_roles,
    may_be_header,
    time_columns_of,
)
from connectors.csv.decoding.format import CsvFormat, Layout
from connectors.csv.decoding.lines import CsvRecord, printable, split_records
from connectors.csv.times.pattern import (
    TimePattern,
    UnreadableTime,
    pattern_of,
    sniff_pattern,
)
from connectors.errors import Malformed


@dataclass(frozen=True, slots=True)
class Dialect:
    """How to read one file; configured, or found out from its first rows."""

    layout: Layout
    delimiter: bytes
    decimal: str
    decimal_certain: bool
    width: int
    header: tuple[str, ...]
    header_line: int
    first_data_line: int
    time: TimePattern
    time_columns: tuple[int, ...]
    role: Mapping[str, int]
    wide: tuple[WideColumn, ...]
    unknown: Mapping[int, str]
    quality_code: QualityCode
    tag: str | None
    zone: str
    rejects: tuple[Reject, ...] = ()

    def field(self, column: int, role: str) -> str:
        """A column's name in a message: its heading, or else its role."""
        return (printable(self.header[column].encode()) if self.header else "") or role


#: A time column with UTC in its heading holds UTC, whatever the zone of the plant.
_SAYS_UTC = re.compile(r"(?<![a-z])(utc|gmt|zulu)(?![a-z])", re.IGNORECASE)
_DELIMITER_LINE = re.compile(rb'"?sep=([,;\t|])"?\n')
_UNDIVIDED = ("no line is divided by comma, semicolon, tab or bar.", "Is it a CSV file? If so, set delimiter.")
#: Five thousand tags, each with its quality, twice over.
MAX_COLUMNS = 20_000
_SAMPLE_ROWS = 200
_SAMPLE_BYTES = 128 << 10
_PREAMBLE = 40
_FEW_ROWS, _FEW_CELLS = 40, 20
_DELIMITERS = (b",", b";", b"\t", b"|")


def sniff_dialect(sample: bytes, first_line: int, options: CsvFormat, *, final: bool, name: str) -> Dialect | None:
    """The dialect of a file by its first lines; None when they hold no row at all.

    Raises
    ------
    Malformed
        when the file cannot be understood as a whole.
    """
    block = sample
    if len(sample) > _SAMPLE_BYTES and sample[:_SAMPLE_BYTES].strip():
        sample = sample[: sample.find(b"\n", _SAMPLE_BYTES) + 1]
        final = False
    directive = _DELIMITER_LINE.match(sample)
    if directive:
        # A first line "sep=;" names the delimiter, as in spreadsheets.
        sample, first_line = sample[directive.end() :], first_line + 1
        options = options if options.delimiter else replace(options, delimiter=directive[1].decode())
    delimiter = _delimiter(sample, first_line, options, final=final, name=name)
    unsplit: list[Reject] = []
    records, _ = split_records(sample, first_line, delimiter, final=final, rejects=unsplit, limit=_SAMPLE_ROWS)
    if not records:
        return None
    records = _reject_wide(records, delimiter, unsplit, name)
    pattern = pattern_of(options.time_format) if options.time_format else None
    header = _header(records, options, pattern)
    header_record = None if header is None else records[header]
    if header is None and not any(_has_time(record, pattern) for record in records[:_PREAMBLE]):
        raise Malformed(name, *NO_TIMES)
    rows = [decode_fields(record.fields) for record in records[0 if header is None else header + 1 :]]
    width = _width(rows, header_record)
    if width < 2:
        raise Malformed(name, *_UNDIVIDED)
    names = decode_fields(header_record.fields)[:width] if header_record else []
    names += [""] * (width - len(names))
    body = [row for row in rows if len(row) >= width]
    layout, role = layout_and_roles(names, body, options, header_record is not None, name)
    time_columns = time_columns_of(role, width, body, pattern, name)
    if pattern is None:
        pattern = _sniffed_time(time_columns, [*body, *_sample_rows(block, delimiter, width)], name)
    if header_record is not None:
        first_data_line = header_record.line + 1 + sum(item.count(b"\n") for item in header_record.fields)
    else:
        first_data_line = records[0].line
    before = [
        *(reject for reject in unsplit if reject.line < first_data_line),
        *_preamble(records[: header or 0], delimiter),
    ]
    wide, unknown, tag = columns_of(layout, role, names, time_columns, body, options, name)
    decimal, certain = _decimal(layout, role, wide, body, options, delimiter)
    quality = role.get("quality")
    code = options.quality_code
    if code is QualityCode.AUTO and quality is not None:
        code = sniff_quality_code({row[quality] for row in body})
    return Dialect(
        layout=layout,
        delimiter=delimiter,
        decimal=decimal,
        decimal_certain=certain,
        width=width,
        header_line=0 if header_record is None else header_record.line,
        first_data_line=first_data_line,
        header=tuple(names) if header_record else (),
        time=pattern,
        time_columns=time_columns,
        role=role,
        wide=wide,
        unknown=unknown,
        quality_code=code,
        tag=tag,
        zone="UTC" if any(_SAYS_UTC.search(names[column]) for column in time_columns) else options.zone,
        rejects=(*before, *_duplicate_headings(names, header_record)),
    )


def _delimiter(sample: bytes, first_line: int, options: CsvFormat, *, final: bool, name: str) -> bytes:
    if options.delimiter:
        return options.delimiter.encode()
    best: tuple[tuple[float, float, int], bytes] | None = None
    for candidate in _DELIMITERS:
        records, _ = split_records(sample, first_line, candidate, final=final, rejects=[], limit=_SAMPLE_ROWS)
        counts = Counter(len(record.fields) for record in records)
        counts.pop(1, None)
        if not counts:
            continue
        common, agreeing = counts.most_common(1)[0]
        few = [decode_fields(record.fields[:_FEW_CELLS]) for record in records[:_FEW_ROWS]]
        timed = sum(1 for cells in few if len(cells) > 1 and any(is_time_or_date(cell) for cell in cells))
        score = (timed / len(few), agreeing / len(records), common)
        if best is None or score > best[0]:
            best = (score, candidate)
    if best is None:
        if not sample.strip():
            return b","
        raise Malformed(name, *_UNDIVIDED)
    return best[1]


def _reject_wide(records: Sequence[CsvRecord], delimiter: bytes, rejects: list[Reject], name: str) -> list[CsvRecord]:
    """The rows of at most MAX_COLUMNS fields; examining every column of wider ones would take for ever."""
    records_kept = [record for record in records if len(record.fields) <= MAX_COLUMNS]
    for record in records:
        if len(record.fields) > MAX_COLUMNS:
            reason = f"has {len(record.fields)} fields, more than {MAX_COLUMNS}"
            rejects.append(Reject(record.line, "line", printable(delimiter.join(record.fields[:100])), reason))
    if not records_kept:
        raise Malformed(name, f"it has {len(records[0].fields)} columns, more than {MAX_COLUMNS}.", "Split it.")
    return records_kept


def _header(records: Sequence[CsvRecord], options: CsvFormat, pattern: TimePattern | None) -> int | None:
    """The index of the header row; None when there is none."""
    if options.header is False:
        return None
    first = records[:_PREAMBLE]
    known = [count_known_headings(record, options) for record in first]
    # Two known headings make a header, even below a preamble that contains a time.
    if max(known) >= 2:
        return known.index(max(known))
    # Else it is a line before the first time: the last one with a known heading, or the one just above; and where no time can
    # be read at all, the first line, if it has a known heading.
    timed = next((i for i, record in enumerate(first) if _has_time(record, pattern)), None)
    named = [i for i in range(timed if timed is not None else 1) if known[i]]
    if named:
        header = named[-1]
    elif timed or options.header:
        header = (timed or 1) - 1
    else:
        return None
    if len(first[header].fields) < 2:
        return None
    # A damaged row of readings must not be lost as a header.
    return header if options.header or may_be_header(first[header]) else None


def _has_time(record: CsvRecord, pattern: TimePattern | None) -> bool:
    cells = decode_fields(record.fields)
    return len(cells) > 1 and any(is_time(cell, pattern) or is_date(cell) for cell in cells)


def _width(rows: Sequence[Sequence[str]], header: CsvRecord | None) -> int:
    """The number of fields of a row: that of the header, or else of most rows; empty last columns do not count."""
    if header is not None:
        width = len(header.fields)
        while width > 2 and not header.fields[width - 1].strip() and all(not any(row[width - 1 :]) for row in rows):
            width -= 1
        return width
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    while width > 2 and all(not any(row[width - 1 :]) for row in rows):
        width -= 1
    return width


def _sniffed_time(columns: tuple[int, ...], body: Sequence[Sequence[str]], name: str) -> TimePattern:
    cells = [" ".join(row[column] for column in columns) for row in body]
    if not any(cell.strip() for cell in cells):
        return pattern_of("iso")
    try:
        found = sniff_pattern(cells)
    except UnreadableTime as problem:
        raise Malformed(name, f"{problem}.") from None
    if found is None:
        example = next(cell for cell in cells if cell.strip())
        raise Malformed(
            name, f"times like {printable(example.encode())!r} cannot be read.", "Set time_format for this connector."
        )
    return found


def _sample_rows(block: bytes, delimiter: bytes, width: int) -> list[list[str]]:
    """Some rows from all over a block: a day past the twelfth, further down, distinguishes day from month."""
    if len(block) <= _SAMPLE_BYTES:
        return []
    lines = []
    for at in range(0, len(block), max(len(block) // _SAMPLE_ROWS, 1)):
        begin = block.find(b"\n", at) + 1
        lines.append(block[begin : block.find(b"\n", begin)])
    rows = [decode_fields(line.replace(b'"', b"").split(delimiter)) for line in lines]
    return [row for row in rows if len(row) == width]


def _preamble(records: Sequence[CsvRecord], delimiter: bytes) -> list[Reject]:
    reason = "stands before the table"
    return [Reject(record.line, "line", printable(delimiter.join(record.fields)), reason) for record in records]


def _duplicate_headings(names: Sequence[str], header: CsvRecord | None) -> list[Reject]:
    if header is None:
        return []
    seen: set[str] = set()
    rejects = []
    for item in names:
        if item and item in seen:
            rejects.append(Reject(header.line, item, item, "two columns have this name; the first one is read"))
        seen.add(item)
    return rejects


def _decimal(
    layout: Layout,
    role: Mapping[str, int],
    wide: Sequence[WideColumn],
    body: Sequence[Sequence[str]],
    options: CsvFormat,
    delimiter: bytes,
) -> tuple[str, bool]:
    if options.decimal:
        return options.decimal, True
    if layout is Layout.WIDE:
        columns = [column.index for column in wide]
    else:
        columns = [role[r] for r in ("value", "thickness", "fluff", "distance") if r in role]
    cells = [row[column] for row in body for column in columns]
    commas = sum(
        1
        for cell in cells
        if re.fullmatch(r"[+-]?(?:[0-9]{1,3}(?:\.[0-9]{3})+|[0-9]*),[0-9]+(?:[eE][+-]?[0-9]+)?", cell)
    )
    points = sum(
        1
        for cell in cells
        if re.fullmatch(r"[+-]?(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)\.[0-9]+(?:[eE][+-]?[0-9]+)?", cell)
    )
    if commas == points:
        # Programs that write a decimal comma need another delimiter, and the semicolon is theirs.
        return ("," if delimiter == b";" else "."), False
    return ("," if commas > points else "."), True
