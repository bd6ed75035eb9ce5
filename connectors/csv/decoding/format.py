"""What the site file says of a connector's CSV files."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Set
from dataclasses import dataclass, field
from enum import StrEnum
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from connectors.csv.decoding.cell import QualityCode
from connectors.csv.decoding.lines import shown
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


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvFormat:
    """What the site file says of a connector's files; whatever it does not say is told from each file itself.

    ``columns`` maps a role to a header name or a column number counted from 1: ``time``, ``date`` (where date and clock
    time stand apart), ``tag``, ``value``, ``quality``; for hand cores ``tank``, ``time``, ``thickness``, ``unit``,
    ``distance``, ``distance_unit``, ``arm``, ``replicate``, ``fluff``, ``surface``, ``by``, ``note``.
    ``tag_of_column`` maps a column of a wide file (name, or number as text) to the tag the site file knows.
    ``tag`` names the signal of files that hold only one. ``tags`` are the tags known to the site; none means all are taken.

    What becomes of a cell without a number: in a long file, and where a wide one says so in words (NaN, n/a, I/O timeout), it
    is a bad reading with its reason, because the source states that there is none; an empty cell of a wide file is no
    reading, because the tags of a row need not report together. Anything else that is no number is rejected.
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


def checked(options: CsvFormat, source: str) -> CsvFormat:
    """The format, if it asks for nothing impossible.

    Raises
    ------
    Misconfigured
        naming what is wrong and what would be right.
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


#: A near name is looked for so often in a file, and only for names as people write them: the search compares every letter.
MOST_NEAR, LONGEST_NEAR = 100, 100


def unknown_tag(tag: str, options: CsvFormat, *, near: bool = True) -> str:
    """The reason for a tag that the site does not know, with the near one.

    >>> unknown_tag("CL1.BLANKT", CsvFormat(tags=frozenset({"CL1.BLANKET"})))
    "no signal has the tag 'CL1.BLANKT'; did you mean 'CL1.BLANKET'?"
    """
    known = options.tags | options.tag_of_column.keys() if near else frozenset()
    return f"no signal has the tag {shown(tag.encode())!r}{_near(tag, known)}"


def unknown_tank(tank: str, known: frozenset[str]) -> str:
    """The reason for a tank that the site does not know, with the near one."""
    return f"no tank is called {shown(tank.encode())!r}{_near(tank, known)}"


def _near(text: str, known: Set[str]) -> str:
    if len(text) > LONGEST_NEAR:
        return ""
    folded = {item.lower(): item for item in sorted(known)}
    close = difflib.get_close_matches(text.lower(), folded, n=1)
    return f"; did you mean {folded[close[0]]!r}?" if close else ""
