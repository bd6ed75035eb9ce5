"""Slips of the pen: what a person most likely meant by a line the reader stumbles over."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.site.reading.finding import Finding, Severity

ASSIGNMENT = re.compile(r"""\s*["']?(?P<key>[A-Za-z0-9_-]+)["']?\s*(?:=|:)\s*(?P<value>.*?)\s*(?:\#.*)?$""")
HEADING = re.compile(r"\s*\[")

_SPACED_KEY = re.compile(r"""\s*(?P<key>[A-Za-z][A-Za-z0-9_-]*(?:[ \t]+[A-Za-z0-9_-]+)+)\s*=\s*(?P<rest>.*)$""")
_BROKEN_HEADING = re.compile(r"\s*[\[\s]+(?P<name>[A-Za-z_-]+)[\]\s]*(?:\#.*)?$")

#: What word processors and web pages put in place of plain signs.
_FANCY = {
    **dict.fromkeys("“”„‟«»", '"'),
    **dict.fromkeys("‘’‚‛", "'"),
    **dict.fromkeys("–—−", "-"),
    **dict.fromkeys("\u00a0\u2007\u202f", " "),
    **dict.fromkeys("\u200b\ufeff\u2060", ""),
}
_TO_PLAIN = str.maketrans(_FANCY)

#: A table in braces must end on its line; people like to spread it out.
_LONGEST_BRACES = 30


@dataclass(frozen=True)
class Slip:
    """One line that cannot be read, and how it was most likely meant."""

    finding: Finding
    repair: str | None  #: the line as it was most likely meant, to be able to read on
    rows: int = 1  #: how many lines it takes the place of


@dataclass(frozen=True)
class _Reading:
    problem: str
    remedy: str = ""  #: empty: the repair says it all
    repair: str | None = None
    rows: int = 1


def slip(message: str, rows: list[str], line: int, column: int | None) -> Slip:
    """What is wrong with line *line* of *rows*, of which the reader says *message*."""
    row = rows[line - 1]
    match = ASSIGNMENT.match(row)
    key = match["key"] if match else ""
    read = _fancy(row) or _twice(message, row, key)
    if read is None and match is not None:
        read = _braces(rows, line, match["value"]) or _value(message, row, key, match["value"])
    if read is None and match is None:
        read = _no_assignment(row)
    if read is None:
        read = _Reading(message[:1].lower() + message[1:], "see the example site file for how it is written")
    finding = Finding(
        severity=Severity.ERROR,
        line=line,
        column=column,
        field=key,
        path=(key,) if key else (),
        problem=read.problem,
        remedy=read.remedy or f"write {(read.repair or '').strip()}",
    )
    return Slip(finding, read.repair, read.rows)


def _fancy(row: str) -> _Reading | None:
    found = [sign for sign in _FANCY if sign in row]
    if not found:
        return None
    names = {"curly quotes": "\"'", "long dashes": "-", "hard blanks": " ", "invisible signs": ""}
    said = [
        name
        for name, plain in names.items()
        if any(_FANCY[sign] in plain if plain else not _FANCY[sign] for sign in found)
    ]
    remedy = 'use straight quotes: "' if said == ["curly quotes"] else "type the line anew in a plain text editor"
    return _Reading(f"has {' and '.join(said)}, which word processors make", remedy, row.translate(_TO_PLAIN))


def _twice(message: str, row: str, key: str) -> _Reading | None:
    if "overwrite a value" not in message and "twice" not in message and "Cannot mutate" not in message:
        return None
    if HEADING.match(row):
        return _Reading(f"{row.strip()} stands in the file twice", "join the two, or write [[…]] with two brackets")
    return _Reading(
        f'"{key}" stands twice in the same table', "keep one; a second tank or signal needs its own [[…]] line"
    )


def _braces(rows: list[str], line: int, value: str) -> _Reading | None:
    if not value.startswith("{") or "}" in value:
        return None
    joined = rows[line - 1].partition("#")[0].rstrip()
    for position in range(line, min(line + _LONGEST_BRACES, len(rows))):
        joined += " " + rows[position].partition("#")[0].strip()
        if "}" in rows[position]:
            joined = re.sub(r",\s*}", " }", joined)
            return _Reading("a table in braces goes over several lines", "", joined, position - line + 2)
    return _Reading("a brace is opened but not closed", "close it with } on the same line")


def _value(message: str, row: str, key: str, value: str) -> _Reading | None:
    if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*:", row):
        return _Reading(f'"{key}" is followed by a colon', "", f"{key} = {value}")
    if "escape" in message:
        repair = f"{key} = '{value.strip(chr(34))}'"
        return _Reading("has a backslash in double quotes", f"use single quotes around it: {repair}", repair)
    if not value:
        return _Reading(f'"{key}" has no value', f"write a value behind {key} =, or remove the line")
    if re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+(\.\d+)?", value):
        plain, point = value.replace(",", ""), value.replace(",", ".")
        remedy = f"write {key} = {plain}" + (f", or {point} if it is a decimal comma" if value.count(",") == 1 else "")
        return _Reading(f"{value} has a comma", remedy, f"{key} = {plain}")
    if re.fullmatch(r"[-+]?\d+,\d+", value):
        return _Reading(f"{value} has a decimal comma", "", f"{key} = {value.replace(',', '.')}")
    if re.fullmatch(r"[-+]?(\.\d+|\d+\.)", value):
        return _Reading(f"{value} lacks a digit beside the point", "", f"{key} = {float(value)}")
    if re.fullmatch(r"[-+]?0\d+(\.\d+)?", value):
        return _Reading(f"{value} begins with a zero", "", f"{key} = {float(value):g}")
    if re.fullmatch(r"(?i:true|false|yes|no|on|off)", value):
        meant = "true" if value.lower() in ("true", "yes", "on") else "false"
        return _Reading(f"{value} is not how yes and no are written", "", f"{key} = {meant}")
    if value[0] in "\"'":
        if len(value) == 1 or value[-1] != value[0]:
            return _Reading(
                "a quote is opened but not closed", "", f"{key} = {value[0]}{value.strip(value[0])}{value[0]}"
            )
    elif value[0] not in "[{":
        bare = value.strip("\"'")
        return _Reading(
            f"{bare} must stand in quotes", "", f'{key} = "{bare}"' if '"' not in bare else f"{key} = '{bare}'"
        )
    return None


def _no_assignment(row: str) -> _Reading | None:
    if HEADING.match(row):
        named = _BROKEN_HEADING.match(row)
        if named is None:
            return _Reading(
                f"{row.strip()} is not a heading", "write [site], or [[tank]] with two brackets on both sides"
            )
        meant = "[site]" if named["name"] == "site" else f"[[{named['name']}]]"
        return _Reading(f"{row.strip()} is not a heading", "", meant)
    if spaced := _SPACED_KEY.match(row):
        joined = re.sub(r"[ \t]+", "_", spaced["key"])
        return _Reading(f'"{spaced["key"]}" has blanks', "", f"{joined} = {spaced['rest']}")
    if row.strip() and "=" not in row:
        return _Reading(
            "is neither a heading nor key = value", "write key = value, or begin the line with # for a remark"
        )
    return None
