"""From the bytes of a site file to values with lines, and what is wrong with the writing itself.

The standard reader stops at the first slip of the pen. Here the line it stumbles over is set aside and the rest is read
again, so that one missing quote does not hide every other mistake in the file.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from dataclasses import dataclass, field, replace
from typing import Any

from service.site.finding import Finding, KeyPath, Severity
from service.site.lines import LineMap, line_map

#: How many unreadable lines are set aside before giving up: past that, it is not a site file.
MOST_SLIPS = 20

_PLACE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")
_ASSIGNMENT = re.compile(r"""\s*["']?(?P<key>[A-Za-z0-9_-]+)["']?\s*(?:=|:)\s*(?P<value>.*?)\s*(?:\#.*)?$""")
_HEADING = re.compile(r"\s*\[")
_CURLY = "“”„‟‘’"
_CURLY_TO_STRAIGHT = str.maketrans(_CURLY, '""""\'\'')


@dataclass(frozen=True)
class Document:
    """A site file as read: values, their lines, and the findings so far."""

    values: dict[str, Any]
    lines: LineMap
    findings: tuple[Finding, ...] = ()
    #: Keys whose lines were set aside, with the table they stood in: they are unreadable, not missing.
    unread: frozenset[KeyPath] = field(default_factory=frozenset)


def decode(content: bytes) -> tuple[str, Finding | None]:
    """The text of *content*, or why it is not UTF-8 text."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "", _whole_file("is saved as UTF-16, not UTF-8", 'save it again with encoding "UTF-8"')
    try:
        return content.decode("utf-8-sig"), None
    except UnicodeDecodeError as exc:
        line = content.count(b"\n", 0, exc.start) + 1
        word = content[: exc.start].split(b"\n")[-1][-12:].decode("utf-8", "replace")
        problem = f"is not UTF-8 text: an odd character follows “{word}”" if word else "is not UTF-8 text"
        return "", _whole_file(problem, 'save the file again with encoding "UTF-8"', line)


def parse(text: str) -> Document:
    """Everything of *text* that can be read, and a finding for every line that cannot."""
    rows = text.replace("\r\n", "\n").split("\n")
    findings: list[Finding] = []
    unread: set[KeyPath] = set()
    repaired: set[int] = set()
    for _ in range(2 * MOST_SLIPS):
        readable = "\n".join(rows)
        try:
            values = tomllib.loads(readable)
        except tomllib.TOMLDecodeError as exc:
            line, column, message = _where(exc, rows)
        except RecursionError:
            findings.append(_whole_file("is nested too deeply", "a site file has tables in tables at most"))
            break
        except ValueError as exc:  # numbers and dates beyond what the language can hold
            findings.append(_whole_file(f"holds a value that cannot be read ({exc})", "look for a very long number"))
            break
        else:
            return Document(values, line_map(readable), tuple(findings), frozenset(unread))
        row = rows[line - 1]
        slip = _slip(message, row, line, column)
        if line in repaired:
            if not row.strip():
                break
            slip = replace(slip, repair=None)
        else:
            findings.append(slip.finding)
        if not row.strip() or (_HEADING.match(row) and slip.repair is None) or len(findings) >= MOST_SLIPS:
            break  # nothing left to set aside, or a heading without which its keys would land in the table before
        if slip.repair is None and (match := _ASSIGNMENT.match(row)):
            unread.add((*_table_at(rows, line), match["key"]))
        rows[line - 1] = slip.repair or ""
        repaired.add(line)
    return Document({}, LineMap({}), tuple(findings))


def _where(error: tomllib.TOMLDecodeError, rows: list[str]) -> tuple[int, int | None, str]:
    message = str(error)
    place = _PLACE.search(message)
    if place is None or place["line"] is None:
        last = next((i for i in range(len(rows), 0, -1) if rows[i - 1].strip()), 1)
        return last, None, _PLACE.sub("", message)
    line, column = int(place["line"]), int(place["column"])
    if line > 1 and column == 1 and not rows[min(line, len(rows)) - 1].strip():
        line -= 1  # the reader noticed at the break behind the line
    return min(line, len(rows)), column, _PLACE.sub("", message)


def _table_at(rows: list[str], line: int) -> KeyPath:
    """The table that line *line* stands in, with its position where it is one of several."""
    counts: dict[str, int] = {}
    path: KeyPath = ()
    for row in rows[: line - 1]:
        if match := re.match(r"\s*\[\[\s*([\w-]+)\s*\]\]", row):
            counts[match[1]] = counts.get(match[1], -1) + 1
            path = (match[1], counts[match[1]])
        elif match := re.match(r"\s*\[\s*([\w-]+)\s*\]", row):
            path = (match[1],)
    return path


@dataclass(frozen=True)
class _Slip:
    finding: Finding
    repair: str | None  #: the line as it was most likely meant, to be able to read on


def _slip(message: str, row: str, line: int, column: int | None) -> _Slip:
    match = _ASSIGNMENT.match(row)
    problem, remedy, repair = _reading(message, row, match["key"] if match else None, match["value"] if match else "")
    finding = Finding(
        severity=Severity.ERROR,
        line=line,
        column=column,
        field=match["key"] if match else "",
        path=(match["key"],) if match else (),
        problem=problem,
        remedy=remedy or f"write {repair}",
    )
    return _Slip(finding, repair)


def _reading(message: str, row: str, key: str | None, value: str) -> tuple[str, str, str | None]:
    """What a person most likely did wrong, from the reader's complaint and the line itself."""
    if any(quote in row for quote in _CURLY):
        return (
            "has curly quotes, which word processors make",
            'use straight quotes: "',
            row.translate(_CURLY_TO_STRAIGHT),
        )
    if "overwrite a value" in message or "twice" in message or "Cannot mutate" in message:
        if _HEADING.match(row):
            return f"{row.strip()} stands in the file twice", "join the two, or write [[…]] with two brackets", None
        return (
            f'"{key}" stands twice in the same table',
            "keep one; a second tank or signal needs its own [[…]] line",
            None,
        )
    if key is None:
        if _HEADING.match(row):
            return (
                f"{row.strip()} is not a table heading",
                "write [site], or [[tank]] with two brackets on both sides",
                None,
            )
        if row.strip() and "=" not in row:
            return (
                "is neither a heading nor key = value",
                "write key = value, or begin the line with # for a remark",
                None,
            )
    else:
        if re.match(rf"\s*{re.escape(key)}\s*:", row):
            return f'"{key}" is followed by a colon', "", f"{key} = {value}"
        if "escape" in message or "Unescaped" in message:
            repair = f"{key} = '{value.strip(chr(34))}'"
            return "has a backslash in double quotes", f"use single quotes around it: {repair}", repair
        if not value:
            return f'"{key}" has no value', f"write a value behind {key} =, or remove the line", None
        if re.fullmatch(r"[-+]?\d+,\d+", value):
            return f"{value} has a decimal comma", "", f"{key} = {value.replace(',', '.')}"
        if re.fullmatch(r"(?i:true|false|yes|no|on|off)", value):
            meant = "true" if value.lower() in ("true", "yes", "on") else "false"
            return f"{value} is not how yes and no are written", "", f"{key} = {meant}"
        if value[0] in "\"'":
            if len(value) == 1 or value[-1] != value[0]:
                return "a quote is opened but not closed", "", f"{key} = {value[0]}{value.strip(value[0])}{value[0]}"
        elif value[0] not in "[{":
            bare = value.strip("\"'")
            return f"{bare} must stand in quotes", "", f'{key} = "{bare}"' if '"' not in bare else f"{key} = '{bare}'"
    return message[:1].lower() + message[1:], "see the example site file for how it is written", None


def _whole_file(problem: str, remedy: str, line: int = 0) -> Finding:
    return Finding(severity=Severity.ERROR, line=line, field="", path=(), problem=problem, remedy=remedy)
