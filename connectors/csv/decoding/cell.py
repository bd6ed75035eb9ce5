"""Parses single cells that the fast path cannot: numbers and qualities."""

from __future__ import annotations

import math
import re
from enum import StrEnum

from connectors.base import SourceQuality, SourceReason

Quality = tuple[SourceQuality, SourceReason]

GOOD: Quality = (SourceQuality.GOOD, SourceReason.NONE)
UNCERTAIN: Quality = (SourceQuality.UNCERTAIN, SourceReason.SOURCE_UNCERTAIN)
BAD: Quality = (SourceQuality.BAD, SourceReason.SOURCE_BAD)
NO_NUMBER: Quality = (SourceQuality.BAD, SourceReason.NOT_A_NUMBER)

#: What programs write for a missing number. The source states it, so it becomes a bad reading, not a reject.
NO_VALUE = frozenset(
    (
        *("nan", "-nan", "qnan", "snan", "1.#qnan", "-1.#ind", "1.#ind", "1.#inf", "-1.#inf"),
        *("inf", "+inf", "-inf", "infinity", "+infinity", "-infinity"),
        *("null", "none", "nil", "n/a", "na", "#n/a", "#na", "#value!", "#num!", "#div/0!", "#ref!", "#null!"),
        *("-", "--", "---", "?", "*", "bad", "fault", "error", "no data", "nodata", "no value", "bad input"),
        *("not connected", "out of service", "i/o timeout", "comm fail"),
    )
)

_POINT = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_COMMA = re.compile(r"[+-]?(?:[0-9]+(?:,[0-9]*)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
_GROUPED_POINT = re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+\.[0-9]+")
_GROUPED_COMMA = re.compile(r"[+-]?[0-9]{1,3}(?:\.[0-9]{3})+,[0-9]+")
_LIKE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_NUMBER_THEN_TEXT = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?)\s*([^\W\d_].*|%|°.*)")


class UnreadableNumber(ValueError):
    """A value cell that cannot be read; the message is the reason."""


def parse_number(text: str, decimal: str, *, certain: bool) -> float | None:
    """The number in a value cell; None where the source says that there is none.

    Parameters
    ----------
    decimal : the file's decimal mark.
    certain : whether the mark was configured or found in the file, not only assumed.

    Notes
    -----
    The other mark is accepted only where it cannot be a thousands separator: a factor of 1000 is worse than a reject.

    >>> parse_number("2,41", ",", certain=True), parse_number("1,234.5", ".", certain=True), parse_number("NaN", ".", certain=True)
    (2.41, 1234.5, None)
    """
    text = text.strip().replace("\N{MINUS SIGN}", "-")
    if text.lower() in NO_VALUE:
        return None
    mine, other = (_POINT, _COMMA) if decimal == "." else (_COMMA, _POINT)
    if mine.fullmatch(text):
        return _finite(text.replace(",", "."))
    grouped = _GROUPED_POINT if decimal == "." else _GROUPED_COMMA
    if grouped.fullmatch(text):
        return _finite(text.replace(",", "") if decimal == "." else text.replace(".", "").replace(",", "."))
    if other.fullmatch(text):
        if not certain and not _LIKE_THOUSANDS.fullmatch(text):
            return _finite(text.replace(",", "."))
        mark = "comma" if decimal == "." else "point"
        raise UnreadableNumber(
            f"has a {mark} where this file's decimal mark is {decimal!r}; "
            f"if the {mark} is the decimal mark, set decimal for this connector"
        )
    trailing = _NUMBER_THEN_TEXT.fullmatch(text)
    if trailing:
        raise UnreadableNumber(
            f"text {trailing[2]!r} after the number; give the unit in the site file, not in the cell"
        )
    raise UnreadableNumber("not a number")


def _finite(text: str) -> float | None:
    value = float(text)
    return value if math.isfinite(value) else None


class QualityCode(StrEnum):
    """The notation of quality as numbers."""

    AUTO = "auto"  #: found out from the numbers
    SEVERITY = "severity"  #: 0 good, 1 uncertain, 2 bad
    CLASSIC = "classic"  #: OPC Data Access: 192 good, 64 uncertain, 0 bad, with substatus and limit bits
    STATUS = "status"  #: OPC UA StatusCode: severity in the two highest of 32 bits


_WORDS: dict[str, Quality] = {
    **dict.fromkeys(("", "good", "ok", "g", "valid", "true", "normal", "gut"), GOOD),
    **dict.fromkeys(("uncertain", "u", "questionable", "suspect", "doubtful", "stale", "substituted"), UNCERTAIN),
    **dict.fromkeys(("bad", "b", "invalid", "false", "failed", "error", "fault", "schlecht"), BAD),
    "underrange": (SourceQuality.BAD, SourceReason.UNDER_RANGE),
    "under range": (SourceQuality.BAD, SourceReason.UNDER_RANGE),
    "overrange": (SourceQuality.BAD, SourceReason.OVER_RANGE),
    "over range": (SourceQuality.BAD, SourceReason.OVER_RANGE),
    "manual": (SourceQuality.UNCERTAIN, SourceReason.MANUAL_HOLD),
    "hold": (SourceQuality.UNCERTAIN, SourceReason.MANUAL_HOLD),
    **dict.fromkeys(
        ("comm fail", "no communication", "not connected", "offline", "disconnected", "timeout"),
        (SourceQuality.BAD, SourceReason.NO_COMMUNICATION),
    ),
}
_HEX = re.compile(r"0[xX]([0-9a-fA-F]{1,8})|([0-9a-fA-F]{8})")
# Eight digits are a StatusCode in hexadecimal without its 0x: read as decimal, a bad 80000000 would pass for good.
_INTEGER = re.compile(r"(?![0-9]{8}$)[0-9]{1,10}(?:[.,]0+)?")

#: OPC Data Access substatus (bits 7 to 2) that says more than good, uncertain or bad.
_CLASSIC_DETAIL: dict[int, SourceReason] = {
    0x08: SourceReason.NO_COMMUNICATION,  # not connected
    0x0C: SourceReason.INSTRUMENT_FAULT,  # device failure
    0x10: SourceReason.INSTRUMENT_FAULT,  # sensor failure
    0x18: SourceReason.NO_COMMUNICATION,  # communication failure
    0xD8: SourceReason.MANUAL_HOLD,  # local override
}
#: OPC UA StatusCodes (upper 16 bits) that say more than their severity.
_STATUS_DETAIL: dict[int, SourceReason] = {
    0x8005: SourceReason.NO_COMMUNICATION,  # BadCommunicationError
    0x800A: SourceReason.NO_COMMUNICATION,  # BadTimeout
    0x8031: SourceReason.NO_COMMUNICATION,  # BadNoCommunication
    0x808A: SourceReason.NO_COMMUNICATION,  # BadNotConnected
    0x808B: SourceReason.INSTRUMENT_FAULT,  # BadDeviceFailure
    0x808C: SourceReason.INSTRUMENT_FAULT,  # BadSensorFailure
    0x0096: SourceReason.MANUAL_HOLD,  # GoodLocalOverride
}


def parse_quality(text: str, code: QualityCode) -> Quality:
    """Quality and reason in a quality cell.

    Notes
    -----
    An unknown word is uncertain: the value is kept, and not believed blindly.
    In ``AUTO`` a bare 0 is uncertain too, because it means good in one notation and bad in another.

    >>> parse_quality("192", QualityCode.AUTO)[0].name, parse_quality("0x80000000", QualityCode.AUTO)[0].name
    ('GOOD', 'BAD')
    """
    word = text.strip().lower()
    if word in _WORDS:
        return _WORDS[word]
    if _INTEGER.fullmatch(word):
        value = int(re.split(r"[.,]", word)[0])
        if code is QualityCode.SEVERITY:
            return _severity(value)
        if code is QualityCode.CLASSIC:
            return _classic(value)
        if code is QualityCode.STATUS or 0xFFFF < value <= 0xFFFFFFFF:
            return _status(value)
        if value in (1, 2):
            return _severity(value)
        return _classic(value) if value else UNCERTAIN
    found = _HEX.fullmatch(word)
    if found:
        return _status(int(found[1] or found[2], 16))
    return UNCERTAIN


def sniff_quality_code(texts: set[str]) -> QualityCode:
    """The notation of a file's numbers; AUTO while they do not show it."""
    numbers = {int(re.split(r"[.,]", word)[0]) for text in texts if _INTEGER.fullmatch(word := text.strip())}
    if any(value > 0xFFFF for value in numbers):
        return QualityCode.STATUS
    if any(0xFF >= value >= 0x40 for value in numbers):
        return QualityCode.CLASSIC
    if numbers & {1, 2} and numbers <= {0, 1, 2}:
        return QualityCode.SEVERITY
    return QualityCode.AUTO


def _severity(value: int) -> Quality:
    return {0: GOOD, 1: UNCERTAIN, 2: BAD}.get(value, UNCERTAIN)


def _classic(value: int) -> Quality:
    value &= 0xFF  # the upper byte is the vendor's own
    detail = _CLASSIC_DETAIL.get(value & 0xFC)
    limit = {1: SourceReason.UNDER_RANGE, 2: SourceReason.OVER_RANGE}.get(value & 0x03)
    match value >> 6:
        case 3:
            return (SourceQuality.GOOD, detail or SourceReason.NONE)
        case 1:
            return (SourceQuality.UNCERTAIN, limit or SourceReason.SOURCE_UNCERTAIN)
        case _:
            return (SourceQuality.BAD, detail or limit or SourceReason.SOURCE_BAD)


def _status(value: int) -> Quality:
    detail = _STATUS_DETAIL.get(value >> 16)
    match value >> 30:
        case 0:
            return (SourceQuality.GOOD, detail or SourceReason.NONE)
        case 1:
            return (SourceQuality.UNCERTAIN, detail or SourceReason.SOURCE_UNCERTAIN)
        case _:
            return (SourceQuality.BAD, detail or SourceReason.SOURCE_BAD)
