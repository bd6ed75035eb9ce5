"""Which column of a file holds what."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from connectors.csv.decoding.format import MOST_NEAR, CsvFormat, Layout, unknown_tag
from connectors.csv.decoding.kind import NUMBER, is_date, is_time, kind_of
from connectors.csv.decoding.words import BRACKET, CORE_WORDS, WORDS, column_of, roles_of, word
from connectors.csv.times.pattern import (
    TimePattern,
)
from connectors.errors import Malformed

NO_TIMES = ("no column holds times that can be read.", "Set time_format, and the time column under columns.")


@dataclass(frozen=True, slots=True)
class WideColumn:
    """One tag's column in a wide file, and the column that holds its quality, if there is one."""

    index: int
    tag: str
    quality: int | None = None


_QUALITY_SUFFIX = re.compile(r"(.+?)[\s._\-:/]+(?:quality|qual|q|status|statuscode|status code)", re.IGNORECASE)


def layout_and_roles(
    names: Sequence[str], body: Sequence[Sequence[str]], options: CsvFormat, header: bool, name: str
) -> tuple[Layout, dict[str, int]]:
    """How values are laid out, and the column of each role.

    Raises
    ------
    Malformed
        when the layout asked for needs a column that the file does not have.
    """
    words = [word(item) for item in names]
    given = {role: column_of(role, where, names, name) for role, where in options.columns.items()}
    cores = {**roles_of(words, CORE_WORDS), **given}
    readings = {**roles_of(words, WORDS), **given}
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
    """The column that holds the time, or the two that hold its halves.

    Raises
    ------
    Malformed
        when no column holds times.
    """
    if "date" in role and "time" in role:
        # "Date" beside "Time" are two halves unless one of them holds the whole.
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
    """The tag columns of a wide file, its columns that are not read and why, and the tag of a file without tags."""
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
            unknown[index] = unknown_tag(tag, options, near=len(unknown) < MOST_NEAR)
        else:
            tags[index] = tag
    qualities = _quality_columns(names, tags, unknown)
    return tuple(WideColumn(i, tag, qualities.get(i)) for i, tag in tags.items()), unknown, None


def _quality_columns(names: Sequence[str], tags: dict[int, str], unknown: dict[int, str]) -> dict[int, int]:
    """Columns named like a tag's column with "quality" behind; taken out of *tags* and *unknown*."""
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
