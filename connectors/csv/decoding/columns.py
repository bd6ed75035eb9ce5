"""Finds which column of a file holds what, by headings and by what its cells look like."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from connectors.csv.decoding.format import MAX_SUGGESTIONS, CsvFormat, Layout, unknown_tag
from connectors.csv.decoding.lines import CsvRecord
from connectors.csv.times.pattern import (
    TimePattern,
    UnreadableTime,
    sniff_pattern,
)
from connectors.errors import Malformed

_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{0,8}(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?")
NUMBER = re.compile(r"[+-]?[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?")
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?(?: ?[AaPp][Mm])?")


def decode_fields(fields: Sequence[bytes]) -> list[str]:
    """Fields as stripped text."""
    return [item.decode("utf-8", errors="replace").strip() for item in fields]


@lru_cache(maxsize=8192)
def is_time(cell: str, pattern: TimePattern | None = None) -> bool:
    """Whether a cell is a date with or without a clock time, or an epoch number; by *pattern* where it is given."""
    if len(cell) < 8 or _PLAIN_NUMBER.fullmatch(cell) or not any(character.isdigit() for character in cell):
        return False
    if pattern is not None:
        return pattern.regex.fullmatch(cell) is not None
    try:
        return sniff_pattern([cell]) is not None
    except UnreadableTime:
        return True  # day and month cannot be told apart, but a time it is


def is_date(cell: str) -> bool:
    """Whether a cell is a date without a clock time."""
    return is_time(f"{cell} 00:00:00")


def is_time_or_date(cell: str) -> bool:
    """Whether a cell is a time or a date."""
    return is_time(cell) or is_date(cell)


def kind_of(cells: Sequence[str]) -> str:
    """The kind of most cells of a column: time, clock, number, text or empty."""
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


READING_HEADINGS: dict[str, tuple[str, ...]] = {
    "time": (
        "time", "timestamp", "time stamp", "datetime", "date time", "date/time", "date and time", "ts", "utc", "time utc",
        "utc time", "local time", "time local", "sample time", "taken", "taken at", "when", "zeit", "zeitstempel",
    ),
    "date": ("date", "day", "datum"),
    "tag": (
        "tag", "tagname", "tag name", "tag id", "name", "point", "point name", "signal", "signal name", "sensor", "channel",
        "variable", "item", "address", "parameter", "series", "messstelle",
    ),
    "value": ("value", "val", "reading", "measurement", "measured value", "pv", "v", "wert", "messwert"),
    "quality": ("quality", "qual", "q", "status", "state", "flag", "quality code", "status code", "statuscode", "qualität"),
}  # fmt: skip
CORE_HEADINGS: dict[str, tuple[str, ...]] = {
    "tank": ("tank", "clarifier", "basin", "tank key", "tank name"),
    "time": READING_HEADINGS["time"],
    "date": READING_HEADINGS["date"],
    "thickness": (
        "thickness",
        "core",
        "core thickness",
        "blanket",
        "blanket thickness",
        "sludge blanket",
        "reading",
        "value",
    ),
    "unit": ("unit", "units", "thickness unit", "uom"),
    "distance": ("distance from wall", "distance", "position", "from wall", "wall distance"),
    "distance_unit": ("distance unit", "position unit"),
    "arm": ("arm", "arm position", "arm angle", "arm degrees"),
    "replicate": ("replicate", "rep", "replicate number", "repeat"),
    "fluff": ("fluff", "fluff top", "top of fluff", "fluff height"),
    "surface": ("surface", "appearance", "surface words", "observations", "observation"),
    "by": ("by", "taken by", "operator", "who", "initials", "name"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks"),
}
LABORATORY_HEADINGS: dict[str, tuple[str, ...]] = {
    "time": READING_HEADINGS["time"],
    "date": READING_HEADINGS["date"],
    "tank": CORE_HEADINGS["tank"],
    "kind": ("kind", "test", "analysis", "analyte", "determination", *READING_HEADINGS["tag"]),
    "value": ("result", *READING_HEADINGS["value"]),
    "unit": CORE_HEADINGS["unit"],
    "minute": ("minute", "minutes", "min", "after"),
    "dilution": ("dilution", "dilution factor"),
    "stirred": ("stirred",),
    "by": (*CORE_HEADINGS["by"], "analyst"),
    "note": CORE_HEADINGS["note"],
}
_KNOWN_WORDS = frozenset(
    choice for words in (READING_HEADINGS, CORE_HEADINGS) for choices in words.values() for choice in choices
)
_TIME_WORDS = frozenset(READING_HEADINGS["time"] + READING_HEADINGS["date"])
_BEGINS_WITH_DIGIT = re.compile(r"[+-]?[.,]?[0-9]")
BRACKET = re.compile(r"[\[(]([^\])]*)[\])]")


def normalize_heading(cell: str) -> str:
    """A heading in lower case, without unit in brackets and underscores.

    >>> normalize_heading("Blanket_Thickness (ft)")
    'blanket thickness'
    """
    bare = BRACKET.sub(" ", cell.lstrip("\ufeff#").strip())
    return " ".join(bare.replace("_", " ").lower().split())


def unit_in_heading(cell: str) -> str | None:
    """The unit in a heading's brackets."""
    found = BRACKET.search(cell)
    return found[1].strip() or None if found else None


def roles_of(words: Sequence[str], known: Mapping[str, tuple[str, ...]]) -> dict[str, int]:
    """The column of each role, by the normalized headings *words*."""
    roles: dict[str, int] = {}
    for role, choices in known.items():
        for choice in choices:
            if choice in words and words.index(choice) not in roles.values():
                roles[role] = words.index(choice)
                break
    return roles


def column_of(role: str, where: str | int, names: Sequence[str], name: str) -> int:
    """The column that the site file names or numbers for a role.

    Raises
    ------
    Malformed
        when this file has no such column.
    """
    if isinstance(where, int):
        if not 1 <= where <= len(names):
            raise Malformed(
                name, f"column {where} for {role} does not exist: the file has {len(names)}.", "Columns count from 1."
            )
        return where - 1
    for index, item in enumerate(names):
        if item == where or normalize_heading(item) == normalize_heading(where):
            return index
    near = difflib.get_close_matches(where, names, n=1)
    hint = f"Did you mean {near[0]!r}?" if near else f"Its columns are: {', '.join(names) or 'not named'}."
    raise Malformed(name, f"no column {where!r} for {role}.", hint)


def count_known_headings(record: CsvRecord, options: CsvFormat) -> int:
    """How many cells of a row are known headings, or names that the site file uses."""
    ours = {
        *options.tags,
        *options.tag_of_column,
        *(item for item in options.columns.values() if isinstance(item, str)),
    }
    cells = decode_fields(record.fields)
    if len(cells) < 2:
        return 0
    return sum(
        1
        for cell in cells
        if normalize_heading(cell) in _KNOWN_WORDS or cell in ours or BRACKET.sub("", cell).strip() in ours
    )


def may_be_header(record: CsvRecord) -> bool:
    """Whether a row could be a header of unknown headings: it names a time, or no cell begins with a digit."""
    cells = decode_fields(record.fields)
    return any(normalize_heading(cell) in _TIME_WORDS for cell in cells) or not any(
        _BEGINS_WITH_DIGIT.match(cell) for cell in cells
    )


NO_TIMES = ("no column holds times that can be read.", "Set time_format, and the time column under columns.")


@dataclass(frozen=True, slots=True)
class WideColumn:
    """The column of one tag in a wide file, and its quality column, if there is one."""

    index: int
    tag: str
    quality: int | None = None


_QUALITY_SUFFIX = re.compile(r"(.+?)[\s._\-:/]+(?:quality|qual|q|status|statuscode|status code)", re.IGNORECASE)


def layout_and_roles(
    names: Sequence[str], body: Sequence[Sequence[str]], options: CsvFormat, header: bool, name: str
) -> tuple[Layout, dict[str, int]]:
    """The layout of a file, and the column of each role.

    Raises
    ------
    Malformed
        when the layout asked for needs a column that the file does not have.
    """
    headings = [normalize_heading(item) for item in names]
    given = {role: column_of(role, where, names, name) for role, where in options.columns.items()}
    cores = {**roles_of(headings, CORE_HEADINGS), **given}
    readings = {**roles_of(headings, READING_HEADINGS), **given}
    layout = options.layout
    if layout is Layout.AUTO:
        if header and {"tank", "thickness"} <= cores.keys() and not {"tag", "value"} <= readings.keys():
            layout = Layout.CORES
        elif {"tag", "value"} <= readings.keys():
            layout = Layout.LONG
        elif not header:
            layout = Layout.LONG if _looks_long(body, options) else Layout.WIDE
        else:
            layout = Layout.WIDE
    if layout is Layout.CORES:
        missing = [role for role in ("tank", "thickness") if role not in cores]
        if missing:
            raise Malformed(name, f"no column for {' and '.join(missing)} of a hand core.", "Name it under columns.")
        return layout, cores
    if layout is Layout.LABORATORY:
        roles = {**roles_of(headings, LABORATORY_HEADINGS), **given}
        missing = [role for role in ("kind", "value") if role not in roles]
        if missing:
            raise Malformed(
                name, f"no column for {' and '.join(missing)} of a laboratory value.", "Name it under columns."
            )
        return layout, roles
    if layout is Layout.LONG and not {"tag", "value"} <= readings.keys():
        readings = {**_positions(body, options, readings), **readings}
        if "value" not in readings or ("tag" not in readings and options.tag is None):
            raise Malformed(
                name, "no columns for tag and value.", "Name them under columns, or set the layout to wide."
            )
    return layout, readings


def _looks_long(body: Sequence[Sequence[str]], options: CsvFormat) -> bool:
    """Without a header: long rows have a text that is no number, right beside a number."""
    return "tag" in _positions(body, options, {}) or (options.tag is not None and bool(body) and len(body[0]) == 2)


def _positions(body: Sequence[Sequence[str]], options: CsvFormat, given: Mapping[str, int]) -> dict[str, int]:
    if not body:
        return {}
    width = min(len(row) for row in body)
    columns = {column: [row[column] for row in body] for column in range(width) if column not in given.values()}
    kinds = {column: kind_of(cells) for column, cells in columns.items()}
    free = [column for column in columns if kinds[column] not in ("time", "clock")]
    roles: dict[str, int] = {}
    tags = [c for c in free if (options.tags & set(columns[c]) if options.tags else kinds[c] == "text")]
    if tags:
        roles["tag"] = tags[0]
        free.remove(tags[0])
    numbers = {column: sum(1 for cell in columns[column] if NUMBER.fullmatch(cell)) for column in free}
    if numbers and max(numbers.values()) > 0:
        roles["value"] = max(numbers, key=lambda column: (numbers[column], -column))
        after = [column for column in free if column > roles["value"]]
        if after:
            roles["quality"] = after[0]
    return roles


def time_columns_of(
    role: Mapping[str, int], width: int, body: Sequence[Sequence[str]], pattern: TimePattern | None, name: str
) -> tuple[int, ...]:
    """The column of the time, or the two of date and clock time.

    Raises
    ------
    Malformed
        when no column holds times.
    """
    if "date" in role and "time" in role:
        # "Date" beside "Time" are two halves unless one of them holds date and clock time.
        halves = (role["date"], role["time"])
        whole = [
            c for c in reversed(halves) if body and all(is_time(row[c], pattern) and ":" in row[c] for row in body[:20])
        ]
        return (whole[0],) if whole else halves
    if "date" in role or "time" in role:
        best = role["time" if "time" in role else "date"]
    elif not body:
        return (0,)
    else:
        counts = [sum(is_time(row[column], pattern) or is_date(row[column]) for row in body) for column in range(width)]
        best = max(range(width), key=lambda column: (counts[column], -column))
        if counts[best] == 0:
            raise Malformed(name, *NO_TIMES)
    if pattern is None and any(is_date(row[best]) for row in body) and not any(":" in row[best] for row in body):
        clocks = [c for c in range(width) if c not in role.values() and kind_of([row[c] for row in body]) == "clock"]
        if clocks:
            return (best, clocks[0])
    return (best,)


def columns_of(
    layout: Layout,
    role: Mapping[str, int],
    names: Sequence[str],
    time_columns: tuple[int, ...],
    body: Sequence[Sequence[str]],
    options: CsvFormat,
    name: str,
) -> tuple[tuple[WideColumn, ...], dict[int, str], str | None]:
    """The tag columns of a wide file, its unread columns with the reason, and the tag of a file without tags."""
    if layout is not Layout.WIDE:
        return (), {}, options.tag
    stem = re.split(r"[.]csv|[.]txt|[.]tsv|[.]gz|[.]zip", name, maxsplit=1, flags=re.IGNORECASE)[0]
    only = options.tag or (stem if stem in options.tags else None)
    if only and "value" in role:
        return (WideColumn(role["value"], only, role.get("quality")),), {}, only
    tags: dict[int, str] = {}
    unknown: dict[int, str] = {}
    for index, item in enumerate(names):
        if index in time_columns or item in options.ignored:
            continue
        tag = options.tag_of_column.get(item) or options.tag_of_column.get(str(index + 1)) or item
        if options.tags and tag not in options.tags and BRACKET.sub("", tag).strip() in options.tags:
            tag = BRACKET.sub("", tag).strip()  # "CL1.BLANKET [m]" is CL1.BLANKET with its unit
        if not tag:
            unknown[index] = "this column has no name; give its number as the address of a signal, or ignore it"
        elif tag in tags.values():
            unknown[index] = "another column is read for this tag already"
        elif options.tags and tag not in options.tags and item.strip():
            unknown[index] = unknown_tag(tag, options, suggest=len(unknown) < MAX_SUGGESTIONS)
        else:
            tags[index] = tag
    qualities = _quality_columns(names, tags, unknown)
    return tuple(WideColumn(i, tag, qualities.get(i)) for i, tag in tags.items()), unknown, None


def _quality_columns(names: Sequence[str], tags: dict[int, str], unknown: dict[int, str]) -> dict[int, int]:
    """The quality column of each tag's column, by its name with a suffix; removed from *tags* and *unknown*."""
    by_name = {written.lower(): index for index, tag in tags.items() for written in (tag, names[index])}
    found: dict[int, int] = {}
    for index, item in enumerate(names):
        suffix = _QUALITY_SUFFIX.fullmatch(item)
        owner = by_name.get(suffix[1].lower()) if suffix else None
        if owner is not None and owner != index and owner not in found:
            found[owner] = index
            tags.pop(index, None)
            unknown.pop(index, None)
    return found
