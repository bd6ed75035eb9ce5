"""The format of a connector's CSV files, as the site file configures it."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from enum import StrEnum
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.lines import printable
from connectors.csv.times.pattern import (
    pattern_of,
)
from connectors.errors import Misconfigured


class Layout(StrEnum):
    """How values are laid out in a file."""

    AUTO = "auto"
    LONG = "long"  #: one value a row: time, tag, value, quality
    WIDE = "wide"  #: one time a row: time, then one column per tag
    CORES = "cores"  #: one hand core a row
    LABORATORY = "laboratory"  #: one laboratory value a row


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFormat:
    """The configured format of a connector's files; what is not configured is found out from each file.

    ``columns`` maps a role to a header name or a column number counted from 1: ``time``, ``date`` (where date and clock
    time stand apart), ``tag``, ``value``, ``quality``; for hand cores ``tank``, ``time``, ``thickness``, ``unit``,
    ``distance``, ``distance_unit``, ``arm``, ``replicate``, ``fluff``, ``surface``, ``by``, ``note``; for laboratory values
    ``kind``, ``value``, ``unit``, ``tank``, ``minute``, ``dilution``, ``stirred``, ``by``, ``note``.
    ``tag_of_column`` maps a column of a wide file (name, or number as text) to the tag the site file knows.
    ``tag`` names the signal of files that hold only one. ``tags`` are the tags known to the site; none means all are taken.

    A cell without a number is a bad reading in a long file, and in a wide one where it says so in words (NaN, n/a, I/O timeout):
    the source states that there is none. An empty cell of a wide file is no reading, because the tags of a row need not report
    together. Any other cell that is no number is rejected.
    """

    layout: Layout = Layout.AUTO
    columns: Mapping[str, str | int] = field(default_factory=dict)
    tag_of_column: Mapping[str, str] = field(default_factory=dict)
    ignored: frozenset[str] = frozenset()
    tag: str | None = None
    tags: frozenset[str] = frozenset()
    tanks: frozenset[str] = frozenset()
    delimiter: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    header: bool | None = None
    time_format: str | None = None
    zone: str = "UTC"
    quality_code: QualityCode = QualityCode.AUTO
    core_unit: str | None = None


def check_format(options: CsvFormat, source: str) -> CsvFormat:
    """The format, checked.

    Raises
    ------
    Misconfigured
        when it asks for something impossible.
    """
    if options.delimiter is not None and (
        len(options.delimiter) != 1 or options.delimiter in '"\r\n\0' or ord(options.delimiter) > 127
    ):
        raise Misconfigured(
            source, f"delimiter {options.delimiter!r} is not one ASCII character.", "Use ',', ';', '\\t' or '|'."
        )
    if options.decimal not in (None, ".", ","):
        raise Misconfigured(source, f"decimal {options.decimal!r} is no decimal mark.", "Use '.' or ','.")
    if options.encoding is not None:
        try:
            b"some".decode(options.encoding, errors="replace")
        except (LookupError, UnicodeError):
            raise Misconfigured(
                source, f"encoding {options.encoding!r} is not known.", "Use utf-8, utf-16 or cp1252."
            ) from None
    if options.time_format is not None:
        try:
            pattern_of(options.time_format)
        except ValueError as exc:
            raise Misconfigured(source, f"{exc}.") from None
    try:
        ZoneInfo(options.zone)
    except (ValueError, ZoneInfoNotFoundError, OSError):
        raise Misconfigured(
            source, f"zone {options.zone!r} is not known.", "Use an IANA name such as Europe/Amsterdam."
        ) from None
    return options


#: Suggestions per file, and the longest name to suggest for [characters]: the search compares every letter.
MAX_SUGGESTIONS, MAX_SUGGESTION_LENGTH = 100, 100


def unknown_tag(tag: str, options: CsvFormat, *, suggest: bool = True) -> str:
    """The reject reason for an unknown tag, with the most similar known one.

    >>> unknown_tag("CL1.BLANKT", CsvFormat(tags=frozenset({"CL1.BLANKET"})))
    "no signal has the tag 'CL1.BLANKT'; did you mean 'CL1.BLANKET'?"
    """
    known = options.tags | options.tag_of_column.keys() if suggest else frozenset()
    return f"no signal has the tag {printable(tag.encode())!r}{_suggestion(tag, known)}"


def unknown_tank(tank: str, known: frozenset[str]) -> str:
    """The reject reason for an unknown tank, with the most similar known one."""
    return f"no tank is called {printable(tank.encode())!r}{_suggestion(tank, known)}"


def _suggestion(text: str, known: Set[str]) -> str:
    if len(text) > MAX_SUGGESTION_LENGTH:
        return ""
    folded = {item.lower(): item for item in sorted(known)}
    close = difflib.get_close_matches(text.lower(), folded, n=1)
    return f"; did you mean {folded[close[0]]!r}?" if close else ""
