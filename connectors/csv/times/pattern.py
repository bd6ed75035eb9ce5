"""Time patterns: parses one cell by a pattern, and finds the pattern of a file."""

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
DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class TimePattern:
    """The notation of a file's times; ``name`` is for people."""

    name: str
    regex: re.Pattern[str]
    #: For epoch numbers: how many of the number's units make a second.
    per_second: int = 0


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


@lru_cache(maxsize=512)  # all patterns that sniffing tries, and those of sites
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
            if directive == "B":
                directive = "b"  # both are the month's name
            if directive in used and directive != "%":
                raise ValueError(f"time format {time_format!r}: %{directive} stands twice")
            used.add(directive)
            pieces.append(_DIRECTIVES[directive])
            position += 2
        else:
            pieces.append(" +" if character == " " else re.escape(character))
            position += 1
    if not (used & {"Y", "y"} and used & {"m", "b"} and "d" in used):
        raise ValueError(f"time format {time_format!r} gives no full date: it needs year, month and day")
    if "I" in used and "p" not in used:
        raise ValueError(f"time format {time_format!r}: %I needs %p to tell morning from afternoon")
    return TimePattern(time_format, re.compile("".join(pieces)))


def parse_time(pattern: TimePattern, text: str) -> tuple[int, int | None]:
    """Wall time and offset from UTC of one cell; the offset is None where the cell has none. [µs]

    >>> parse_time(ISO, "1970-01-02T00:00:00.5+01:00")
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
    seconds = _days(year, month, day) * DAY_S + hour * 3600 + minute * 60 + second
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


_USUAL_FORMATS = (
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
_CLOCK_FORMATS = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%I:%M:%S.%f %p")


def sniff_pattern(texts: Sequence[str]) -> TimePattern | None:
    """The pattern that parses most of *texts*, at least half of them; None when there is none.

    Raises
    ------
    UnreadableTime
        when day and month cannot be distinguished.
    """
    cells = [text.strip() for text in texts if text.strip()]
    if not cells:
        return None
    half = (len(cells) + 1) // 2
    if _count_readable(ISO, cells) >= half:
        return ISO
    for time_format in _USUAL_FORMATS:
        if _count_readable(pattern_of(time_format), cells) >= half:
            return pattern_of(time_format)
    numbers = [found for text in cells if (found := EPOCH.regex.fullmatch(text))]
    if len(numbers) >= half:
        return _epoch_of([len(found["E"]) for found in numbers])
    for separator in "/-.":
        for clock in _CLOCK_FORMATS:
            for year in ("%Y", "%y"):
                day_first = pattern_of(f"%d{separator}%m{separator}{year} {clock}")
                month_first = pattern_of(f"%m{separator}%d{separator}{year} {clock}")
                as_day, as_month = _count_readable(day_first, cells), _count_readable(month_first, cells)
                if max(as_day, as_month) < half:
                    continue
                if as_day == as_month:
                    raise UnreadableTime(
                        f"cannot tell day from month in times like {cells[0]!r}; set time_format to "
                        f"{day_first.name!r} or {month_first.name!r}"
                    )
                return day_first if as_day > as_month else month_first
    return None


def _count_readable(pattern: TimePattern, cells: Sequence[str]) -> int:
    return sum(1 for text in cells if _readable(pattern, text))


def _readable(pattern: TimePattern, text: str) -> bool:
    try:
        parse_time(pattern, text)
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
