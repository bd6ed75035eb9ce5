"""The words of header rows, and what they stand for."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence

from connectors.csv.decoding.format import CsvFormat
from connectors.csv.decoding.kind import texts
from connectors.csv.decoding.records import CsvRecord
from connectors.errors import Malformed

WORDS: dict[str, tuple[str, ...]] = {
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
CORE_WORDS: dict[str, tuple[str, ...]] = {
    "tank": ("tank", "clarifier", "basin", "tank key", "tank name"),
    "time": WORDS["time"],
    "date": WORDS["date"],
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
_KNOWN_WORDS = frozenset(choice for words in (WORDS, CORE_WORDS) for choices in words.values() for choice in choices)
_TIME_WORDS = frozenset(WORDS["time"] + WORDS["date"])
_BEGINS_WITH_DIGIT = re.compile(r"[+-]?[.,]?[0-9]")
BRACKET = re.compile(r"[\[(]([^\])]*)[\])]")


def word(cell: str) -> str:
    """A header cell as a plain word: no unit in brackets, no case, no underscores.

    >>> word("Blanket_Thickness (ft)")
    'blanket thickness'
    """
    bare = BRACKET.sub(" ", cell.lstrip("\ufeff#").strip())
    return " ".join(bare.replace("_", " ").lower().split())


def bracketed(cell: str) -> str | None:
    """What stands in a header cell's brackets: its unit."""
    found = BRACKET.search(cell)
    return found[1].strip() or None if found else None


def roles_of(words: Sequence[str], known: Mapping[str, tuple[str, ...]]) -> dict[str, int]:
    """The column of each role that the words of a header name."""
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
        if item == where or word(item) == word(where):
            return index
    near = difflib.get_close_matches(where, names, n=1)
    hint = f"Did you mean {near[0]!r}?" if near else f"Its columns are: {', '.join(names) or 'not named'}."
    raise Malformed(name, f"no column {where!r} for {role}.", hint)


def known_words(record: CsvRecord, options: CsvFormat) -> int:
    """How many cells of a row are words of header rows, or names the site file uses."""
    ours = {
        *options.tags,
        *options.tag_of_column,
        *(item for item in options.columns.values() if isinstance(item, str)),
    }
    cells = texts(record.fields)
    if len(cells) < 2:
        return 0
    return sum(
        1 for cell in cells if word(cell) in _KNOWN_WORDS or cell in ours or BRACKET.sub("", cell).strip() in ours
    )


def may_be_header(record: CsvRecord) -> bool:
    """Whether a row could be a header in words we do not know: it names a time, or no cell of it begins with a digit."""
    cells = texts(record.fields)
    return any(word(cell) in _TIME_WORDS for cell in cells) or not any(_BEGINS_WITH_DIGIT.match(cell) for cell in cells)
