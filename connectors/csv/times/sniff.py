"""Which pattern the times of a file follow."""

from __future__ import annotations

from collections.abc import Sequence

from connectors.csv.times.pattern import (
    EPOCH,
    EPOCH_MS,
    EPOCH_NS,
    EPOCH_US,
    ISO,
    TimePattern,
    UnreadableTime,
    parse_one,
    pattern_of,
)

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
