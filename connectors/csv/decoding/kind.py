"""What a cell looks like at a glance."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from connectors.csv.times.pattern import (
    TimePattern,
    UnreadableTime,
)
from connectors.csv.times.sniff import sniff

_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{0,8}(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?")
NUMBER = re.compile(r"[+-]?[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?")
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?(?: ?[AaPp][Mm])?")


def texts(fields: Sequence[bytes]) -> list[str]:
    """Fields as text, without the blanks around them."""
    return [item.decode("utf-8", errors="replace").strip() for item in fields]


@lru_cache(maxsize=8192)
def is_time(cell: str, pattern: TimePattern | None = None) -> bool:
    """Whether a cell is a date with or without a clock time, or an epoch number; by *pattern* where it is given."""
    if len(cell) < 8 or _PLAIN_NUMBER.fullmatch(cell) or not any(character.isdigit() for character in cell):
        return False
    if pattern is not None:
        return pattern.regex.fullmatch(cell) is not None
    try:
        return sniff([cell]) is not None
    except UnreadableTime:
        return True  # day and month cannot be told apart, but a time it is


def is_date(cell: str) -> bool:
    """Whether a cell is a date that wants a clock time."""
    return is_time(f"{cell} 00:00:00")


def is_time_or_date(cell: str) -> bool:
    """Whether a cell is a time, whole or by half."""
    return is_time(cell) or is_date(cell)


def kind_of(cells: Sequence[str]) -> str:
    """What most cells of a column are: time, clock, number, text or empty."""
    filled = [cell for cell in cells if cell]
    if not filled:
        return "empty"
    for kind, matches in (
        ("time", is_time_or_date),
        ("clock", lambda cell: _CLOCK.fullmatch(cell) is not None),
        ("number", lambda cell: NUMBER.fullmatch(cell) is not None),
    ):
        if sum(map(matches, filled)) * 2 > len(filled):
            return kind
    return "text"
