"""Diagnoses and repairs lines of TOML that the parser rejects: quotes, commas, brackets, duplicates."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.site.reading.finding import Finding, Severity

ASSIGNMENT = re.compile(r"""\s*["']?(?P<key>[A-Za-z0-9_-]+)["']?\s*(?:=|:)\s*(?P<value>.*?)\s*(?:\#.*)?$""")
HEADING = re.compile(r"\s*\[")

_SPACED_KEY = re.compile(r"""\s*(?P<key>[A-Za-z][A-Za-z0-9_-]*(?:[ \t]+[A-Za-z0-9_-]+)+)\s*=\s*(?P<rest>.*)$""")
_MALFORMED_HEADING = re.compile(r"\s*[\[\s]+(?P<name>[A-Za-z_-]+)[\]\s]*(?:\#.*)?$")

#: Typographic characters that word processors and web pages put in place of plain ones.
_TYPOGRAPHIC = {
    **dict.fromkeys("“”„‟«»", '"'),
    **dict.fromkeys("‘’‚‛", "'"),
    **dict.fromkeys("–—−", "-"),
    **dict.fromkeys("\u00a0\u2007\u202f", " "),
    **dict.fromkeys("\u200b\ufeff\u2060", ""),
}
_TO_PLAIN = str.maketrans(_TYPOGRAPHIC)

#: An inline table must end on its line; people spread it over at most this many.
_MAX_BRACE_LINES = 30


@dataclass(frozen=True)
class LineDiagnosis:
    """The finding for a line that cannot be parsed, and its most likely repair."""

    finding: Finding
    repair: str | None  #: the line as most likely meant
    rows: int = 1  #: how many lines it replaces


@dataclass(frozen=True)
class _Diagnosis:
    problem: str
    remedy: str = ""  #: empty: write the repair
    repair: str | None = None
    rows: int = 1


def diagnose_line(message: str, rows: list[str], line: int, column: int | None) -> LineDiagnosis:
    """Diagnose line *line* of *rows*, which the parser rejects with *message*."""
    row = rows[line - 1]
    match = ASSIGNMENT.match(row)
    key = match["key"] if match else ""
    read = _typographic(row) or _duplicate(message, row, key)
    if read is None and match is not None:
        read = _braces(rows, line, match["value"]) or _value(message, row, key, match["value"])
    if read is None and match is None:
        read = _no_assignment(row)
    if read is None:
        read = _Diagnosis(message[:1].lower() + message[1:], "see the example site file for how it is written")
    finding = Finding(
        severity=Severity.ERROR,
        line=line,
        column=column,
        field=key,
        path=(key,) if key else (),
        problem=read.problem,
        remedy=read.remedy or f"write {(read.repair or '').strip()}",
    )
    return LineDiagnosis(finding, read.repair, read.rows)


def _typographic(row: str) -> _Diagnosis | None:
    found = [sign for sign in _TYPOGRAPHIC if sign in row]
    if not found:
        return None
    names = {"curly quotes": "\"'", "long dashes": "-", "hard blanks": " ", "invisible signs": ""}
    kinds = [
        name
        for name, plain in names.items()
        if any(_TYPOGRAPHIC[sign] in plain if plain else not _TYPOGRAPHIC[sign] for sign in found)
    ]
    remedy = 'use straight quotes: "' if kinds == ["curly quotes"] else "type the line anew in a plain text editor"
    return _Diagnosis(f"has {' and '.join(kinds)}, which word processors make", remedy, row.translate(_TO_PLAIN))


def _duplicate(message: str, row: str, key: str) -> _Diagnosis | None:
    if "overwrite a value" not in message and "twice" not in message and "Cannot mutate" not in message:
        return None
    if HEADING.match(row):
        return _Diagnosis(f"{row.strip()} stands in the file twice", "join the two, or write [[…]] with two brackets")
    return _Diagnosis(
        f'"{key}" stands twice in the same table', "keep one; a second tank or signal needs its own [[…]] line"
    )


def _braces(rows: list[str], line: int, value: str) -> _Diagnosis | None:
    if not value.startswith("{") or "}" in value:
        return None
    joined = rows[line - 1].partition("#")[0].rstrip()
    for position in range(line, min(line + _MAX_BRACE_LINES, len(rows))):
        joined += " " + rows[position].partition("#")[0].strip()
        if "}" in rows[position]:
            joined = re.sub(r",\s*}", " }", joined)
            return _Diagnosis("a table in braces goes over several lines", "", joined, position - line + 2)
    return _Diagnosis("a brace is opened but not closed", "close it with } on the same line")


def _value(message: str, row: str, key: str, value: str) -> _Diagnosis | None:
    if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*:", row):
        return _Diagnosis(f'"{key}" is followed by a colon', "", f"{key} = {value}")
    if "escape" in message:
        repair = f"{key} = '{value.strip(chr(34))}'"
        return _Diagnosis("has a backslash in double quotes", f"use single quotes around it: {repair}", repair)
    if not value:
        return _Diagnosis(f'"{key}" has no value', f"write a value behind {key} =, or remove the line")
    if re.fullmatch(r"[-+]?\d{1,3}(,\d{3})+(\.\d+)?", value):
        plain, point = value.replace(",", ""), value.replace(",", ".")
        remedy = f"write {key} = {plain}" + (f", or {point} if it is a decimal comma" if value.count(",") == 1 else "")
        return _Diagnosis(f"{value} has a comma", remedy, f"{key} = {plain}")
    if re.fullmatch(r"[-+]?\d+,\d+", value):
        return _Diagnosis(f"{value} has a decimal comma", "", f"{key} = {value.replace(',', '.')}")
    if re.fullmatch(r"[-+]?(\.\d+|\d+\.)", value):
        return _Diagnosis(f"{value} lacks a digit beside the point", "", f"{key} = {float(value)}")
    if re.fullmatch(r"[-+]?0\d+(\.\d+)?", value):
        return _Diagnosis(f"{value} begins with a zero", "", f"{key} = {float(value):g}")
    if re.fullmatch(r"(?i:true|false|yes|no|on|off)", value):
        meant = "true" if value.lower() in ("true", "yes", "on") else "false"
        return _Diagnosis(f"{value} is not how yes and no are written", "", f"{key} = {meant}")
    if value[0] in "\"'":
        if len(value) == 1 or value[-1] != value[0]:
            return _Diagnosis(
                "a quote is opened but not closed", "", f"{key} = {value[0]}{value.strip(value[0])}{value[0]}"
            )
    elif value[0] not in "[{":
        bare = value.strip("\"'")
        return _Diagnosis(
            f"{bare} must stand in quotes", "", f'{key} = "{bare}"' if '"' not in bare else f"{key} = '{bare}'"
        )
    return None


def _no_assignment(row: str) -> _Diagnosis | None:
    if HEADING.match(row):
        named = _MALFORMED_HEADING.match(row)
        if named is None:
            return _Diagnosis(
                f"{row.strip()} is not a heading", "write [site], or [[tank]] with two brackets on both sides"
            )
        meant = "[site]" if named["name"] == "site" else f"[[{named['name']}]]"
        return _Diagnosis(f"{row.strip()} is not a heading", "", meant)
    if spaced := _SPACED_KEY.match(row):
        joined = re.sub(r"[ \t]+", "_", spaced["key"])
        return _Diagnosis(f'"{spaced["key"]}" has blanks', "", f"{joined} = {spaced['rest']}")
    if row.strip() and "=" not in row:
        return _Diagnosis(
            "is neither a heading nor key = value", "write key = value, or begin the line with # for a remark"
        )
    return None
