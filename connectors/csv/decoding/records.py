"""Lines split into records by RFC 4180, with a stray quote costing one line and not the file."""

from __future__ import annotations

from dataclasses import dataclass

from connectors.base import Reject
from connectors.csv.decoding.lines import MAX_LINE, shown, too_long

#: A quoted field may span lines (RFC 4180), but a stray quote must not swallow the rest of the file.
MAX_RECORD_LINES = 100
MAX_RECORD_BYTES = 1 << 16


@dataclass(frozen=True, slots=True)
class CsvRecord:
    """One row, split; ``line`` is where it begins."""

    line: int
    fields: list[bytes]


def split_records(
    data: bytes, first_line: int, delimiter: bytes, *, final: bool, rejects: list[Reject], limit: int | None = None
) -> tuple[list[CsvRecord], int]:
    """Split lines into records by RFC 4180, with a stray quote costing one line and not the file.

    Returns
    -------
    The records, and how many bytes of *data* were used: a record still open at the end is left for the next block.
    """
    records: list[CsvRecord] = []
    lines = data.split(b"\n")
    lines.pop()
    index = used = 0
    while index < len(lines) and (limit is None or len(records) < limit):
        line = lines[index]
        taken = 1
        if b'"' not in line:
            fields: list[bytes] | None = line.split(delimiter)
            problem = ""
        else:
            fields, taken, problem = _quoted_record(lines, index, delimiter)
            if fields is None and not problem:
                if not final and len(lines) - index < MAX_RECORD_LINES and len(data) - used < MAX_RECORD_BYTES:
                    return records, used
                problem = "a quote opened on this line is never closed"
        if len(line) > MAX_LINE:
            rejects.append(too_long(first_line + index, line))
            taken = 1
        elif fields is None:
            rejects.append(Reject(first_line + index, "line", shown(line), problem))
            taken = 1
        elif any(b"\0" in piece for piece in lines[index : index + taken]):
            rejects.append(Reject(first_line + index, "line", shown(line), "contains a NUL byte"))
        elif any(field.strip() for field in fields):
            records.append(CsvRecord(first_line + index, fields))
        used += sum(len(piece) + 1 for piece in lines[index : index + taken])
        index += taken
    return records, used


def _quoted_record(lines: list[bytes], index: int, delimiter: bytes) -> tuple[list[bytes] | None, int, str]:
    """Fields of the record that begins at a line, how many lines it took, and what is wrong with it.

    No fields and no problem: the record is still open where the lines, or the limits, end.
    """
    text = lines[index]
    taken = 1
    fields: list[bytes] = []
    position = 0
    while True:
        if text[position : position + 1] != b'"':
            end = text.find(delimiter, position)
            if end < 0:
                fields.append(text[position:])
                return fields, taken, ""
            fields.append(text[position:end])
            position = end + 1
            continue
        value = b""
        position += 1
        while True:
            close = text.find(b'"', position)
            if close < 0:
                if index + taken >= len(lines) or taken >= MAX_RECORD_LINES or len(text) > MAX_RECORD_BYTES:
                    return None, taken, ""
                text += b"\n" + lines[index + taken]
                taken += 1
                continue
            value += text[position:close]
            position = close + 1
            if text[position : position + 1] != b'"':
                break
            value += b'"'
            position += 1
        fields.append(value)
        following = text[position : position + 1]
        if not following:
            return fields, taken, ""
        if following != delimiter:
            return None, taken, "text stands after a closing quote"
        position += 1


def ragged(found: int, width: int) -> str:
    """The reason for a row with the wrong number of fields."""
    return f"has {found} field{'s' if found != 1 else ''} where this file has {width}"


def fitted(fields: list[bytes], width: int) -> list[bytes] | None:
    """The fields cut to *width* when what is over is empty; None when they do not fit."""
    if len(fields) < width or any(field.strip() for field in fields[width:]):
        return None
    return fields[:width]
