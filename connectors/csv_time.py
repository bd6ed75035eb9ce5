"""Times as text: recognised once, then read by the column.

A pattern is a regular expression over one time cell. The first cell of each layout is matched by it; every further cell
with digits and separators at the same places is then read with array arithmetic, which is exact and needs no object per row.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Int64s = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]

SECOND = 1_000_000
_DAY_S = 86_400
#: More layouts or unreadable cells than this in one block of rows and the rest is read cell by cell.
_LAYOUTS = 32
_UNREADABLE = 1000


@dataclass(frozen=True, slots=True)
class TimePattern:
    """How the times of a file are written; ``name`` is for people."""

    name: str
    regex: re.Pattern[str]
    #: For epoch numbers: how many of the number's units make a second.
    per_second: int = 0


@dataclass(frozen=True, slots=True)
class ParsedTimes:
    """Wall time and offset from UTC per row [µs]; rows without an offset of their own are ``naive``."""

    wall: Int64s
    offset: Int64s
    naive: Bools
    bad: Bools


class UnreadableTime(ValueError):
    """A time cell that cannot be read; the message is the reason."""


_CLOCK = r"(?P<H>[0-9]{2}):(?P<M>[0-9]{2})(?::(?P<S>[0-9]{2})(?:[.,](?P<f>[0-9]{1,12}))?)?"
_ZONE = r"(?: ?(?P<z>Z|z|UTC|GMT|[+-][0-9]{2}(?::?[0-9]{2})?))?"
ISO = TimePattern(
    "ISO 8601",
    re.compile(
        r"(?:(?P<Y>[0-9]{4})(?P<s1>[-/])(?P<m>[0-9]{2})(?P=s1)(?P<d>[0-9]{2})(?:[Tt ]" + _CLOCK + _ZONE + r")?"
        r"|(?P<Y_>[0-9]{4})(?P<m_>[0-9]{2})(?P<d_>[0-9]{2})[Tt](?P<H_>[0-9]{2})(?P<M_>[0-9]{2})"
        r"(?:(?P<S_>[0-9]{2})(?:[.,](?P<f_>[0-9]{1,12}))?)?(?P<z_>Z|z|[+-][0-9]{2}(?:[0-9]{2})?)?)"
    ),
)
_EPOCH = r"(?P<sign>-)?(?P<E>[0-9]{1,18})(?:[.,](?P<f>[0-9]{1,12}))?"
EPOCH = TimePattern("epoch seconds", re.compile(_EPOCH), per_second=1)
EPOCH_MS = TimePattern("epoch milliseconds", re.compile(_EPOCH), per_second=1_000)
EPOCH_US = TimePattern("epoch microseconds", re.compile(_EPOCH), per_second=1_000_000)
EPOCH_NS = TimePattern("epoch nanoseconds", re.compile(_EPOCH), per_second=1_000_000_000)

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH_NAMES = (
    "january|february|march|april|may|june|july|august|september|october|november|december"
    "|jan|feb|mar|apr|jun|jul|aug|sep|oct|nov|dec"
)
_DIRECTIVES = {
    "Y": r"(?P<Y>[0-9]{4})",
    "y": r"(?P<y>[0-9]{2})",
    "m": r"(?P<m>[0-9]{1,2})",
    "d": r"(?P<d>[0-9]{1,2})",
    "H": r"(?P<H>[0-9]{1,2})",
    "I": r"(?P<I>[0-9]{1,2})",
    "M": r"(?P<M>[0-9]{1,2})",
    "S": r"(?P<S>[0-9]{1,2})",
    "f": r"(?P<f>[0-9]{1,12})",
    "p": r"(?P<p>[AaPp]\.?[Mm]\.?)",
    "z": r"(?P<z>Z|z|UTC|GMT|[+-][0-9]{2}(?::?[0-9]{2})?)",
    "b": rf"(?P<b>(?i:{_MONTH_NAMES}))",
    "B": rf"(?P<b>(?i:{_MONTH_NAMES}))",
    "%": "%",
}
_EXPANSIONS = {"T": "%H:%M:%S", "R": "%H:%M", "F": "%Y-%m-%d", "D": "%m/%d/%y"}


@lru_cache(maxsize=64)
def pattern_of(time_format: str) -> TimePattern:
    """The pattern for a configured format: ``iso``, ``epoch``, ``epoch_ms`` or strptime directives.

    Raises
    ------
    ValueError
        when the format cannot give a full date, or uses a directive that is not supported.

    >>> pattern_of("%d.%m.%Y %H:%M").regex.fullmatch("03.11.2024 01:30") is not None
    True
    """
    named = {
        "iso": ISO,
        "epoch": EPOCH,
        "epoch_s": EPOCH,
        "epoch_ms": EPOCH_MS,
        "epoch_us": EPOCH_US,
        "epoch_ns": EPOCH_NS,
    }
    if time_format in named:
        return named[time_format]
    text = re.sub(r"%([TRFD])", lambda found: _EXPANSIONS[found[1]], time_format)
    pieces: list[str] = []
    used: set[str] = set()
    position = 0
    while position < len(text):
        character = text[position]
        if character == "%":
            directive = text[position + 1 : position + 2]
            if directive not in _DIRECTIVES:
                raise ValueError(
                    f"time format {time_format!r}: %{directive} is not supported; "
                    f"use iso, epoch, epoch_ms or %{', %'.join(d for d in _DIRECTIVES if d != '%')}"
                )
            if directive in used and directive != "%":
                raise ValueError(f"time format {time_format!r}: %{directive} stands twice")
            used.add(directive)
            pieces.append(_DIRECTIVES[directive])
            position += 2
        else:
            pieces.append(" +" if character == " " else re.escape(character))
            position += 1
    if not (used & {"Y", "y"} and used & {"m", "b", "B"} and "d" in used):
        raise ValueError(f"time format {time_format!r} gives no full date: it needs year, month and day")
    if "I" in used and "p" not in used:
        raise ValueError(f"time format {time_format!r}: %I needs %p to tell morning from afternoon")
    return TimePattern(time_format, re.compile("".join(pieces)))


_SNIFFED = (
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M:%S.%f",
    "%d.%m.%Y %H:%M:%S,%f",
    "%d.%m.%Y %H:%M",
    "%d.%m.%y %H:%M:%S",
    "%d.%m.%y %H:%M",
    "%Y%m%d %H:%M:%S",
    "%Y%m%d%H%M%S",
    "%d-%b-%Y %H:%M:%S",
    "%d-%b-%Y %H:%M:%S.%f",
    "%d-%b-%y %H:%M:%S",
    "%d %b %Y %H:%M:%S",
    "%b %d %Y %H:%M:%S",
)
_SLASHED = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%I:%M:%S.%f %p")


def sniff(texts: Sequence[str]) -> TimePattern | None:
    """The pattern that reads most of *texts*, at least half of them; None when there is none.

    Raises
    ------
    UnreadableTime
        when the day cannot be told from the month.
    """
    cells = [text.strip() for text in texts if text.strip()]
    if not cells:
        return None
    half = (len(cells) + 1) // 2
    if _reads(ISO, cells) >= half:
        return ISO
    for time_format in _SNIFFED:
        if _reads(pattern_of(time_format), cells) >= half:
            return pattern_of(time_format)
    numbers = [found for text in cells if (found := EPOCH.regex.fullmatch(text))]
    if len(numbers) >= half:
        return _epoch_of([len(found["E"]) for found in numbers])
    for separator in "/-.":
        for clock in _SLASHED:
            for year in ("%Y", "%y"):
                day_first = pattern_of(f"%d{separator}%m{separator}{year} {clock}")
                month_first = pattern_of(f"%m{separator}%d{separator}{year} {clock}")
                as_day, as_month = _reads(day_first, cells), _reads(month_first, cells)
                if max(as_day, as_month) < half:
                    continue
                if as_day == as_month:
                    raise UnreadableTime(
                        f"cannot tell day from month in times like {cells[0]!r}; set time_format to "
                        f"{day_first.name!r} or {month_first.name!r}"
                    )
                return day_first if as_day > as_month else month_first
    return None


def _reads(pattern: TimePattern, cells: Sequence[str]) -> int:
    return sum(1 for text in cells if _readable(pattern, text))


def _readable(pattern: TimePattern, text: str) -> bool:
    try:
        parse_one(pattern, text)
    except UnreadableTime:
        return False
    return True


def _epoch_of(digits: Sequence[int]) -> TimePattern | None:
    """Seconds have 9 to 11 digits from 1973 to 5138; each thousandth adds three."""
    common = sorted(digits)[len(digits) // 2]
    for low, pattern in ((9, EPOCH), (12, EPOCH_MS), (15, EPOCH_US), (18, EPOCH_NS)):
        if low <= common <= low + 2:
            return pattern
    return None


def parse_one(pattern: TimePattern, text: str) -> tuple[int, int | None]:
    """Wall time and offset from UTC of one cell; offset None where the cell names none. [µs]

    >>> parse_one(ISO, "1970-01-02T00:00:00.5+01:00")
    (86400500000, 3600000000)
    """
    text = text.strip()
    found = pattern.regex.fullmatch(text)
    if found is None:
        if not text:
            raise UnreadableTime("the time is empty")
        raise UnreadableTime(f"not a time written as {pattern.name}")
    part = {name.rstrip("_"): value for name, value in found.groupdict().items() if value is not None}
    if pattern.per_second:
        return _epoch_micros(pattern, part), 0
    year = int(part["Y"]) if "Y" in part else _full_year(int(part["y"]))
    month = _MONTHS.index(part["b"][:3].lower()) + 1 if "b" in part else int(part["m"])
    return _wall(part, year, month), _zone_offset(part.get("z"))


def _epoch_micros(pattern: TimePattern, part: dict[str, str]) -> int:
    # Integers throughout: a float of today's epoch seconds resolves no better than 0.2 µs.
    digits = part["E"] + part.get("f", "").ljust(12, "0")
    micros = int(digits) * SECOND // (pattern.per_second * 10**12)
    if micros >= 2**62:
        raise UnreadableTime(f"beyond any calendar when read as {pattern.name}")
    return -micros if "sign" in part else micros


def _full_year(two_digits: int) -> int:
    # POSIX: 69 to 99 are 1969 to 1999.
    return two_digits + (1900 if two_digits >= 69 else 2000)


def _wall(part: dict[str, str], year: int, month: int) -> int:
    day, hour, minute, second = (int(part.get(name, "0")) for name in ("d", "H", "M", "S"))
    if "I" in part:
        hour = int(part["I"])
        if not 1 <= hour <= 12:
            raise UnreadableTime(f"hour {hour} does not exist on a twelve-hour clock")
        hour = hour % 12 + (12 if part["p"][0] in "Pp" else 0)
    if year == 0:
        raise UnreadableTime("year 0 does not exist")
    if not 1 <= month <= 12:
        raise UnreadableTime(f"month {month} does not exist")
    if not 1 <= day <= days_in_month(year, month):
        raise UnreadableTime(f"day {day} does not exist in {year:04d}-{month:02d}")
    # ISO 8601 writes the end of a day as 24:00:00, the first moment of the next.
    midnight = hour == 24 and minute == 0 and second == 0 and not int(part.get("f", "0"))
    if hour > 23 and not midnight:
        raise UnreadableTime(f"hour {hour} does not exist")
    if minute > 59:
        raise UnreadableTime(f"minute {minute} does not exist")
    if second > 59:
        raise UnreadableTime(f"second {second} cannot be placed on a 60-second clock")
    seconds = _days(year, month, day) * _DAY_S + hour * 3600 + minute * 60 + second
    return seconds * SECOND + int(part.get("f", "0").ljust(6, "0")[:6])


def _zone_offset(text: str | None) -> int | None:
    if text is None:
        return None
    if text[0] not in "+-":
        return 0
    digits = text[1:].replace(":", "")
    hours, minutes = int(digits[:2]), int(digits[2:] or "0")
    if hours > 23 or minutes > 59:
        raise UnreadableTime(f"offset {text} does not exist")
    return (hours * 3600 + minutes * 60) * SECOND * (-1 if text[0] == "-" else 1)


def days_in_month(year: int, month: int) -> int:
    """Length of a month of the Gregorian calendar."""
    if month == 2:
        return 29 if year % 4 == 0 and (year % 100 != 0 or year % 400 == 0) else 28
    return 30 if month in (4, 6, 9, 11) else 31


def _days(year: int, month: int, day: int) -> int:
    return int(np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "D").astype(np.int64))


_MONTH_LENGTH = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31], dtype=np.int32)


def parse_column(pattern: TimePattern, data: Bytes, start: NDArray[np.intp], end: NDArray[np.intp]) -> ParsedTimes:
    """Read the cells ``data[start[i]:end[i]]``, all of them, with the same result as :func:`parse_one` on each."""
    rows = start.size
    result = ParsedTimes(
        wall=np.zeros(rows, dtype=np.int64),
        offset=np.zeros(rows, dtype=np.int64),
        naive=np.zeros(rows, dtype=np.bool_),
        bad=np.zeros(rows, dtype=np.bool_),
    )
    start, end = trimmed(data, start, end)
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


def trimmed(data: Bytes, start: NDArray[np.intp], end: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The cells without the blanks around them; a cell with very many keeps some, which only makes it slower to read."""
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


_BLANKS = np.frombuffer(b" \t", dtype=np.uint8)


def _text(data: Bytes, start: np.intp, end: np.intp) -> str:
    return data[start:end].tobytes().decode("utf-8", errors="replace")


def _parse_cell(pattern: TimePattern, text: str, row: int, result: ParsedTimes) -> None:
    try:
        wall, offset = parse_one(pattern, text)
    except UnreadableTime:
        result.bad[row] = True
        return
    result.wall[row] = wall
    result.offset[row] = offset or 0
    result.naive[row] = offset is None


def _read_layout(
    pattern: TimePattern, found: re.Match[str], cells: Bytes, rows: NDArray[np.intp], result: ParsedTimes
) -> Bools:
    """Read those of *cells* (one per column) that are laid out like the match; returns which of them were read."""
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
    wall = (_civil_days(year, month, day) * _DAY_S + hour * 3600 + minute * 60 + second) * SECOND
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
        # Past this the product would not fit in 64 bits; such a cell goes the slow way, which says so.
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
