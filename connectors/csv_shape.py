"""What a file looks like: delimiter, header, layout, decimal mark and time format, given or told from its first rows."""

from __future__ import annotations

import codecs
import difflib
import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from connectors.base import Reject
from connectors.csv_cell import QualityCode, code_seen
from connectors.csv_lines import Record, shown, split_records
from connectors.csv_time import TimePattern, UnreadableTime, pattern_of, sniff
from connectors.errors import Malformed, Misconfigured


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


@dataclass(frozen=True, slots=True)
class WideColumn:
    """One tag's column in a wide file, and the column that holds its quality, if there is one."""

    index: int
    tag: str
    quality: int | None = None


@dataclass(frozen=True, slots=True)
class Shape:
    """How to read one file."""

    layout: Layout
    delimiter: bytes
    decimal: str
    decimal_certain: bool
    width: int
    first_data_line: int
    header: tuple[str, ...]
    time: TimePattern
    time_columns: tuple[int, ...]
    role: Mapping[str, int]
    wide: tuple[WideColumn, ...]
    unknown: Mapping[int, str]
    quality_code: QualityCode
    tag: str | None
    rejects: tuple[Reject, ...] = ()


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
            codecs.lookup(options.encoding)
        except LookupError:
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


_SAMPLE_ROWS = 200
_SAMPLE_BYTES = 128 << 10
_PREAMBLE = 40
_FEW_ROWS, _FEW_CELLS = 40, 20
_DELIMITERS = (b",", b";", b"\t", b"|")

_WORDS: dict[str, tuple[str, ...]] = {
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
_CORE_WORDS: dict[str, tuple[str, ...]] = {
    "tank": ("tank", "clarifier", "basin", "tank key", "tank name"),
    "time": _WORDS["time"],
    "date": _WORDS["date"],
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
    "fluff": ("fluff", "fluff thickness", "fluff layer"),
    "surface": ("surface", "appearance", "surface words", "observations", "observation"),
    "by": ("by", "taken by", "operator", "who", "initials", "name"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks"),
}
_BRACKET = re.compile(r"[\[(]([^\])]*)[\])]")
_QUALITY_SUFFIX = re.compile(r"(.+?)[\s._\-:/]+(?:quality|qual|q|status|statuscode|status code)", re.IGNORECASE)


def word(cell: str) -> str:
    """A header cell as a plain word: no unit in brackets, no case, no underscores.

    >>> word("Blanket_Thickness (ft)")
    'blanket thickness'
    """
    bare = _BRACKET.sub(" ", cell.lstrip("\ufeff#").strip())
    return " ".join(bare.replace("_", " ").lower().split())


def bracketed(cell: str) -> str | None:
    """What stands in a header cell's brackets: its unit."""
    found = _BRACKET.search(cell)
    return found[1].strip() or None if found else None


def find_shape(sample: bytes, first_line: int, options: CsvFormat, *, final: bool, name: str) -> Shape | None:
    """The shape of a file by its first lines; None when they hold no row at all.

    Raises
    ------
    Malformed
        when the file cannot be understood as a whole.
    """
    if len(sample) > _SAMPLE_BYTES and sample[:_SAMPLE_BYTES].strip():
        sample = sample[: sample.find(b"\n", _SAMPLE_BYTES) + 1]
        final = False
    delimiter = _delimiter(sample, first_line, options, final=final, name=name)
    unsplit: list[Reject] = []
    records, _ = split_records(sample, first_line, delimiter, final=final, rejects=unsplit, limit=_SAMPLE_ROWS)
    if not records:
        return None
    pattern = _configured_time(options, name)
    start, header = _header(records, options, pattern)
    rows = [_texts(record.fields) for record in records[start:]]
    header_record = records[start - 1] if header else None
    width = _width(rows, header_record)
    names = _texts(header_record.fields)[:width] if header_record else []
    names += [""] * (width - len(names))
    body = [row for row in rows if len(row) >= width]
    layout, role = _layout_and_roles(names, body, options, bool(header), name)
    time_columns = _time_columns(role, width, body, pattern, name)
    if pattern is None:
        pattern = _sniffed_time(time_columns, body, name)
    if header_record:
        first_data_line = header_record.line + 1 + sum(item.count(b"\n") for item in header_record.fields)
    else:
        first_data_line = records[start].line
    before = [
        *(reject for reject in unsplit if reject.line < first_data_line),
        *_preamble(records[: start - 1] if header else records[:start], delimiter),
    ]
    wide, unknown, tag = _columns(layout, role, names, time_columns, body, options, name)
    decimal, certain = _decimal(layout, role, wide, body, options, delimiter)
    quality = role.get("quality")
    code = options.quality_code
    if code is QualityCode.AUTO and quality is not None:
        code = code_seen({row[quality] for row in body})
    return Shape(
        layout=layout,
        delimiter=delimiter,
        decimal=decimal,
        decimal_certain=certain,
        width=width,
        first_data_line=first_data_line,
        header=tuple(names) if header_record else (),
        time=pattern,
        time_columns=time_columns,
        role=role,
        wide=wide,
        unknown=unknown,
        quality_code=code,
        tag=tag,
        rejects=(*before, *_twice(names, header_record)),
    )


def _texts(fields: Sequence[bytes]) -> list[str]:
    return [item.decode("utf-8", errors="replace").strip() for item in fields]


def _delimiter(sample: bytes, first_line: int, options: CsvFormat, *, final: bool, name: str) -> bytes:
    if options.delimiter:
        return options.delimiter.encode()
    best: tuple[tuple[float, float, int], bytes] | None = None
    for candidate in _DELIMITERS:
        records, _ = split_records(sample, first_line, candidate, final=final, rejects=[], limit=_SAMPLE_ROWS)
        counts = Counter(len(record.fields) for record in records)
        counts.pop(1, None)
        if not counts:
            continue
        common, agreeing = counts.most_common(1)[0]
        few = [_texts(record.fields[:_FEW_CELLS]) for record in records[:_FEW_ROWS]]
        timed = sum(1 for cells in few if len(cells) > 1 and any(_is_time_or_date(cell) for cell in cells))
        score = (timed / len(few), agreeing / len(records), common)
        if best is None or score > best[0]:
            best = (score, candidate)
    if best is None:
        if not sample.strip():
            return b","
        raise Malformed(
            name, "no line is divided by comma, semicolon, tab or bar.", "Is it a CSV file? If so, set delimiter."
        )
    return best[1]


def _configured_time(options: CsvFormat, name: str) -> TimePattern | None:
    return pattern_of(options.time_format) if options.time_format else None


_PLAIN_NUMBER = re.compile(r"[+-]?[0-9]{0,8}(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?")


@lru_cache(maxsize=8192)
def _is_time(cell: str, pattern: TimePattern | None = None) -> bool:
    if len(cell) < 8 or _PLAIN_NUMBER.fullmatch(cell) or not any(character.isdigit() for character in cell):
        return False
    if pattern is not None:
        return pattern.regex.fullmatch(cell) is not None
    try:
        return sniff([cell]) is not None
    except UnreadableTime:
        return True  # day and month cannot be told apart, but a time it is


def _is_date(cell: str) -> bool:
    return _is_time(f"{cell} 00:00:00")


def _header(records: Sequence[Record], options: CsvFormat, pattern: TimePattern | None) -> tuple[int, bool]:
    """Index of the first record after the header, or of the first one with a time; and whether there is a header."""
    timed = len(records)
    for index, record in enumerate(records[:_PREAMBLE]):
        cells = _texts(record.fields)
        if len(cells) > 1 and any(_is_time(cell, pattern) or _is_date(cell) for cell in cells):
            timed = index
            break
    if options.header is False or timed == 0:
        return (0 if timed == len(records) else timed), False
    # Of the lines before the first time the header is the one with the most words we know; else the line just above, or,
    # where no time can be read at all, the first line.
    before = records[: min(timed, _PREAMBLE)]
    known = [_known_words(record, options) for record in before]
    if max(known) > 0:
        return len(known) - known[::-1].index(max(known)), True
    return (timed if timed < len(records) else 1), True


_KNOWN_WORDS = frozenset(choice for words in (_WORDS, _CORE_WORDS) for choices in words.values() for choice in choices)


def _known_words(record: Record, options: CsvFormat) -> int:
    ours = {
        *options.tags,
        *options.tag_of_column,
        *(item for item in options.columns.values() if isinstance(item, str)),
    }
    cells = _texts(record.fields)
    return sum(1 for cell in cells if word(cell) in _KNOWN_WORDS or cell in ours) if len(cells) > 1 else 0


def _width(rows: Sequence[Sequence[str]], header: Record | None) -> int:
    """How many fields a row has: as many as the header names, else as many as most rows have; empty last columns do not count."""
    if header is not None:
        width = len(header.fields)
        while width > 2 and not header.fields[width - 1].strip() and all(not any(row[width - 1 :]) for row in rows):
            width -= 1
        return width
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    while width > 2 and all(not any(row[width - 1 :]) for row in rows):
        width -= 1
    return width


def _layout_and_roles(
    names: Sequence[str], body: Sequence[Sequence[str]], options: CsvFormat, header: bool, name: str
) -> tuple[Layout, dict[str, int]]:
    words = [word(item) for item in names]
    given = {role: _column(role, where, names, name) for role, where in options.columns.items()}
    cores = {**_roles(words, _CORE_WORDS), **given}
    readings = {**_roles(words, _WORDS), **given}
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


def _column(role: str, where: str | int, names: Sequence[str], name: str) -> int:
    if isinstance(where, int):
        if not 1 <= where <= len(names):
            raise Malformed(
                name, f"column {where} for {role} does not exist: the file has {len(names)}.", "Columns count from 1."
            )
        return where - 1
    for index, item in enumerate(names):
        if item == where or word(item) == word(where):
            return index
    near = difflib.get_close_matches(where, names, n=1)
    hint = f"Did you mean {near[0]!r}?" if near else f"Its columns are: {', '.join(names) or 'not named'}."
    raise Malformed(name, f"no column {where!r} for {role}.", hint)


def _roles(words: Sequence[str], known: Mapping[str, tuple[str, ...]]) -> dict[str, int]:
    roles: dict[str, int] = {}
    for role, choices in known.items():
        for choice in choices:
            if choice in words and words.index(choice) not in roles.values():
                roles[role] = words.index(choice)
                break
    return roles


def _looks_long(body: Sequence[Sequence[str]], options: CsvFormat) -> bool:
    """Without a header: long rows have a text that is no number, right beside a number."""
    return "tag" in _positions(body, options, {}) or (options.tag is not None and bool(body) and len(body[0]) == 2)


def _positions(body: Sequence[Sequence[str]], options: CsvFormat, given: Mapping[str, int]) -> dict[str, int]:
    if not body:
        return {}
    width = min(len(row) for row in body)
    columns = {column: [row[column] for row in body] for column in range(width) if column not in given.values()}
    kinds = {column: _kind(cells) for column, cells in columns.items()}
    free = [column for column in columns if kinds[column] not in ("time", "clock")]
    roles: dict[str, int] = {}
    tags = [c for c in free if (options.tags & set(columns[c]) if options.tags else kinds[c] == "text")]
    if tags:
        roles["tag"] = tags[0]
        free.remove(tags[0])
    numbers = {column: sum(1 for cell in columns[column] if _NUMBER.fullmatch(cell)) for column in free}
    if numbers and max(numbers.values()) > 0:
        roles["value"] = max(numbers, key=lambda column: (numbers[column], -column))
        after = [column for column in free if column > roles["value"]]
        if after:
            roles["quality"] = after[0]
    return roles


_NUMBER = re.compile(r"[+-]?[0-9.,]*[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?")
_CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,][0-9]+)?)?(?: ?[AaPp][Mm])?")


def _kind(cells: Sequence[str]) -> str:
    filled = [cell for cell in cells if cell]
    if not filled:
        return "empty"
    for kind, matches in (
        ("time", _is_time_or_date),
        ("clock", lambda cell: _CLOCK.fullmatch(cell) is not None),
        ("number", lambda cell: _NUMBER.fullmatch(cell) is not None),
    ):
        if sum(map(matches, filled)) * 2 > len(filled):
            return kind
    return "text"


def _is_time_or_date(cell: str) -> bool:
    return _is_time(cell) or _is_date(cell)


def _time_columns(
    role: Mapping[str, int], width: int, body: Sequence[Sequence[str]], pattern: TimePattern | None, name: str
) -> tuple[int, ...]:
    if "date" in role and "time" in role:
        # "Date" beside "Time" are two halves unless one of them holds the whole.
        halves = (role["date"], role["time"])
        whole = [
            c
            for c in reversed(halves)
            if body and all(_is_time(row[c], pattern) and ":" in row[c] for row in body[:20])
        ]
        return (whole[0],) if whole else halves
    if "date" in role or "time" in role:
        best = role["time" if "time" in role else "date"]
    elif not body:
        return (0,)
    else:
        counts = [
            sum(_is_time(row[column], pattern) or _is_date(row[column]) for row in body) for column in range(width)
        ]
        best = max(range(width), key=lambda column: (counts[column], -column))
        if counts[best] == 0:
            raise Malformed(
                name, "no column holds times that can be read.", "Set time_format, and the time column under columns."
            )
    if pattern is None and any(_is_date(row[best]) for row in body) and not any(":" in row[best] for row in body):
        clocks = [c for c in range(width) if c not in role.values() and _kind([row[c] for row in body]) == "clock"]
        if clocks:
            return (best, clocks[0])
    return (best,)


def _sniffed_time(columns: tuple[int, ...], body: Sequence[Sequence[str]], name: str) -> TimePattern:
    cells = [" ".join(row[column] for column in columns) for row in body]
    if not any(cell.strip() for cell in cells):
        return pattern_of("iso")
    try:
        found = sniff(cells)
    except UnreadableTime as problem:
        raise Malformed(name, f"{problem}.") from None
    if found is None:
        example = next(cell for cell in cells if cell.strip())
        raise Malformed(
            name, f"times like {shown(example.encode())!r} cannot be read.", "Set time_format for this connector."
        )
    return found


def _preamble(records: Sequence[Record], delimiter: bytes) -> list[Reject]:
    reason = "stands before the table"
    return [Reject(record.line, "line", shown(delimiter.join(record.fields)), reason) for record in records]


def _twice(names: Sequence[str], header: Record | None) -> list[Reject]:
    if header is None:
        return []
    seen: set[str] = set()
    rejects = []
    for item in names:
        if item and item in seen:
            rejects.append(Reject(header.line, item, item, "two columns have this name; the first one is read"))
        seen.add(item)
    return rejects


def _columns(
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
        if options.tags and tag not in options.tags and _BRACKET.sub("", tag).strip() in options.tags:
            tag = _BRACKET.sub("", tag).strip()  # "CL1.BLANKET [m]" is CL1.BLANKET with its unit
        if not tag:
            if any(row[index] for row in body if index < len(row)):
                unknown[index] = "this column has no name; map its number to a tag"
        elif tag in tags.values():
            unknown[index] = "another column is read for this tag already"
        elif options.tags and tag not in options.tags and item.strip():
            unknown[index] = unknown_tag(tag, options.tags)
        else:
            tags[index] = tag
    qualities = _quality_columns(names, tags, unknown)
    return tuple(WideColumn(i, tag, qualities.get(i)) for i, tag in tags.items()), unknown, None


def _quality_columns(names: Sequence[str], tags: dict[int, str], unknown: dict[int, str]) -> dict[int, int]:
    """Columns named like a tag's column with "quality" behind; taken out of *tags* and *unknown*."""
    by_name = {names[index].lower(): index for index in tags}
    found: dict[int, int] = {}
    for index, item in enumerate(names):
        suffix = _QUALITY_SUFFIX.fullmatch(item)
        owner = by_name.get(suffix[1].lower()) if suffix else None
        if owner is not None and owner != index and owner not in found:
            found[owner] = index
            tags.pop(index, None)
            unknown.pop(index, None)
    return found


def unknown_tag(tag: str, known: frozenset[str]) -> str:
    """The reason for a tag that the site does not know, with the near one.

    >>> unknown_tag("CL1.BLANKT", frozenset({"CL1.BLANKET"}))
    "no signal has the tag 'CL1.BLANKT'; did you mean 'CL1.BLANKET'?"
    """
    return f"no signal has the tag {tag!r}{_near(tag, known)}"


def unknown_tank(tank: str, known: frozenset[str]) -> str:
    """The reason for a tank that the site does not know, with the near one."""
    return f"no tank is called {tank!r}{_near(tank, known)}"


def _near(text: str, known: frozenset[str]) -> str:
    folded = {item.lower(): item for item in sorted(known)}
    close = difflib.get_close_matches(text.lower(), folded, n=1)
    return f"; did you mean {folded[close[0]]!r}?" if close else ""


def _decimal(
    layout: Layout,
    role: Mapping[str, int],
    wide: Sequence[WideColumn],
    body: Sequence[Sequence[str]],
    options: CsvFormat,
    delimiter: bytes,
) -> tuple[str, bool]:
    if options.decimal:
        return options.decimal, True
    if layout is Layout.WIDE:
        columns = [column.index for column in wide]
    else:
        columns = [role[r] for r in ("value", "thickness", "fluff", "distance") if r in role]
    cells = [row[column] for row in body for column in columns]
    commas = sum(
        1
        for cell in cells
        if re.fullmatch(r"[+-]?(?:[0-9]{1,3}(?:\.[0-9]{3})+|[0-9]*),[0-9]+(?:[eE][+-]?[0-9]+)?", cell)
    )
    points = sum(
        1
        for cell in cells
        if re.fullmatch(r"[+-]?(?:[0-9]{1,3}(?:,[0-9]{3})+|[0-9]*)\.[0-9]+(?:[eE][+-]?[0-9]+)?", cell)
    )
    if commas == points:
        # Programs that write a decimal comma need another delimiter, and the semicolon is theirs.
        return ("," if delimiter == b";" else "."), False
    return ("," if commas > points else "."), True
