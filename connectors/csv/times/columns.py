"""Parses a column of times.

The first cell of each layout is matched by the file's pattern; all others with digits and separators at the same places are
parsed by array arithmetic, which is exact and needs no object per row.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from connectors.csv.times.pattern import (
    DAY_S,
    SECOND,
    Bools,
    Bytes,
    Int64s,
    TimePattern,
    UnreadableTime,
    parse_time,
)

#: Beyond so many layouts or unreadable cells in one block of rows the rest is parsed cell by cell.
_LAYOUTS = 32
_UNREADABLE = 1000


@dataclass(frozen=True, slots=True)
class ParsedTimes:
    """Wall time and offset from UTC per row [µs]; rows without an offset of their own are ``naive``."""

    wall: Int64s
    offset: Int64s
    naive: Bools
    bad: Bools


_MONTH_LENGTH = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int32)
_BLANKS = np.frombuffer(b" \t", dtype=np.uint8)


def parse_times(pattern: TimePattern, data: Bytes, start: NDArray[np.intp], end: NDArray[np.intp]) -> ParsedTimes:
    """Parse the cells ``data[start[i]:end[i]]``, with the same result as :func:`parse_time` on each."""
    rows = start.size
    result = ParsedTimes(
        wall=np.zeros(rows, dtype=np.int64),
        offset=np.zeros(rows, dtype=np.int64),
        naive=np.zeros(rows, dtype=np.bool_),
        bad=np.zeros(rows, dtype=np.bool_),
    )
    start, end = trim_cells(data, start, end)
    width = end - start
    left = np.arange(rows)
    layouts = unreadable = 0
    while left.size and layouts < _LAYOUTS and unreadable < _UNREADABLE:
        first = int(left[0])
        text = _text(data, start[first], end[first])
        found = pattern.regex.fullmatch(text)
        if found is None or found.groupdict().get("b") is not None or not text.isascii():
            _parse_cell(pattern, text, first, result)
            left = left[1:]
            unreadable += 1
            continue
        layouts += 1
        alike = width[left] == width[first]
        candidates = left[alike]
        cells = data[start[candidates] + np.arange(int(width[first]))[:, None]]
        read = _read_layout(pattern, found, cells, candidates, result)
        if not read[0]:
            # The layout fits but a part is out of range: this cell has its own reason.
            _parse_cell(pattern, text, first, result)
            read[0] = True
        keep = np.ones(left.size, dtype=np.bool_)
        keep[np.flatnonzero(alike)[read]] = False
        left = left[keep]
    for row in left.tolist():
        _parse_cell(pattern, _text(data, start[row], end[row]), row, result)
    return result


def trim_cells(
    data: Bytes, start: NDArray[np.intp], end: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The cells without blanks around them; of more than eight some are kept, which only makes the cell slower to parse."""
    if data.size == 0:
        return start, end
    start, end = start.copy(), end.copy()
    last = data.size - 1
    for _ in range(8):
        blank = (start < end) & np.isin(data[np.minimum(start, last)], _BLANKS)
        if not blank.any():
            break
        start += blank
    for _ in range(8):
        blank = (start < end) & np.isin(data[np.maximum(end - 1, 0)], _BLANKS)
        if not blank.any():
            break
        end -= blank
    return start, end


def _text(data: Bytes, start: np.intp, end: np.intp) -> str:
    return data[start:end].tobytes().decode("utf-8", errors="replace")


def _parse_cell(pattern: TimePattern, text: str, row: int, result: ParsedTimes) -> None:
    try:
        wall, offset = parse_time(pattern, text)
    except UnreadableTime:
        result.bad[row] = True
        return
    result.wall[row] = wall
    result.offset[row] = offset or 0
    result.naive[row] = offset is None


def _read_layout(
    pattern: TimePattern, found: re.Match[str], cells: Bytes, rows: NDArray[np.intp], result: ParsedTimes
) -> Bools:
    """Parse those of *cells* (one per column) that are laid out like the match; returns which were parsed."""
    text = found.string
    template = np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    digit = cells - np.uint8(48)
    is_number = np.zeros(template.size, dtype=np.bool_)
    spans: dict[str, tuple[int, int]] = {}
    for name, value in found.groupdict().items():
        if value is None:
            continue
        key = name.rstrip("_")
        low, high = found.span(name)
        spans[key] = (low, high)
        if key in {"Y", "y", "m", "d", "H", "I", "M", "S", "f", "E"}:
            is_number[low:high] = True
        elif key == "z" and value[0] in "+-":
            is_number[low + 1 : high] = [character != ":" for character in value[1:]]
    ok: Bools = np.ones(cells.shape[1], dtype=np.bool_)
    for position in range(template.size):
        column = digit[position]
        ok &= column <= 9 if is_number[position] else cells[position] == template[position]

    def number(name: str) -> Int64s:
        if name not in spans:
            return np.zeros(cells.shape[1], dtype=np.int64)
        return _digits(digit, *spans[name])

    if pattern.per_second:
        return _store_epoch(pattern, spans, digit, ok, rows, result)
    year = number("Y")
    if "y" in spans:
        short = number("y")
        year = short + np.where(short >= 69, 1900, 2000)
    month, day, hour, minute, second = number("m"), number("d"), number("H"), number("M"), number("S")
    if "I" in spans:
        hour = number("I")
        ok &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if found["p"][0] in "Pp" else 0)
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    length = _MONTH_LENGTH[np.clip(month, 0, 12)] + (leap & (month == 2))
    ok &= (year >= 1) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= length)
    ok &= (hour <= 23) & (minute <= 59) & (second <= 59)
    wall = (_civil_days(year, month, day) * DAY_S + hour * 3600 + minute * 60 + second) * SECOND
    if "f" in spans:
        low, high = spans["f"]
        kept = min(high - low, 6)
        wall += _digits(digit, low, low + kept) * 10 ** (6 - kept)
    offset = np.zeros(cells.shape[1], dtype=np.int64)
    if "z" in spans and found.string[spans["z"][0]] in "+-":
        low, high = spans["z"]
        hours = _digits(digit, low + 1, low + 3)
        minutes = _digits(digit, high - 2, high) if high - low > 3 else np.zeros_like(hours)
        ok &= (hours <= 23) & (minutes <= 59)
        offset = (hours * 3600 + minutes * 60) * (SECOND if text[low] == "+" else -SECOND)
    good = rows[ok]
    result.wall[good] = wall[ok]
    result.offset[good] = offset[ok]
    result.naive[good] = "z" not in spans
    return ok


def _store_epoch(
    pattern: TimePattern,
    spans: dict[str, tuple[int, int]],
    digit: Bytes,
    ok: Bools,
    rows: NDArray[np.intp],
    result: ParsedTimes,
) -> Bools:
    low, high = spans["E"]
    whole = _digits(digit, low, high)
    if pattern.per_second <= SECOND:
        scale = SECOND // pattern.per_second
        # Beyond this the product would not fit in 64 bits; such a cell is parsed alone, which says so.
        ok &= whole < 2**62 // scale
        micros = np.where(ok, whole, 0) * scale
        if "f" in spans and scale > 1:
            low, high = spans["f"]
            places = len(str(scale)) - 1
            kept = min(high - low, places)
            micros += _digits(digit, low, low + kept) * 10 ** (places - kept)
    else:
        micros = whole // (pattern.per_second // SECOND)
    good = rows[ok]
    result.wall[good] = (-micros if "sign" in spans else micros)[ok]
    return ok


def _digits(digit: Bytes, low: int, high: int) -> Int64s:
    value = np.zeros(digit.shape[1], dtype=np.int64)
    for position in range(low, high):
        value *= 10
        value += digit[position]
    return value


def _civil_days(year: Int64s, month: Int64s, day: Int64s) -> Int64s:
    """Days since 1970-01-01 in the proleptic Gregorian calendar, by integer arithmetic on years that begin in March."""
    shifted = year - (month <= 2)
    era = shifted // 400
    of_era = shifted - era * 400
    of_year = (153 * ((month + 9) % 12) + 2) // 5 + day - 1
    days: Int64s = era * 146_097 + of_era * 365 + of_era // 4 - of_era // 100 + of_year - 719_468
    return days
