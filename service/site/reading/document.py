"""Parses the TOML of a site file to values with line numbers, past syntax errors.

The standard parser stops at the first error. Here the faulty line is repaired or removed and the rest parsed again, so that one
missing quote does not hide every other mistake in the file.
"""

from __future__ import annotations

import codecs
import re
import tomllib
from dataclasses import dataclass, field
from typing import Any

from service.site.reading.finding import Finding, KeyPath, Severity
from service.site.reading.lines import LineMap, line_map
from service.site.reading.toml_repair import ASSIGNMENT, HEADING, diagnose_line

#: Faulty lines before parsing is given up: with more, it is not a site file.
MAX_BAD_LINES = 20

#: Repairs per line; a second error can hide behind the first.
MAX_REPAIRS = 2

_PLACE = re.compile(r"\s*\(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$")


@dataclass(frozen=True)
class TomlDocument:
    """A parsed site file: values, their lines, and the findings so far."""

    values: dict[str, Any]
    lines: LineMap
    findings: tuple[Finding, ...] = ()
    #: Keys of removed lines, with their table: they are unreadable, not missing.
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


def parse(text: str) -> TomlDocument:
    """Everything in *text* that can be parsed, and a finding for every line that cannot."""
    rows = text.replace("\r\n", "\n").split("\n")
    findings: list[Finding] = []
    unread: set[KeyPath] = set()
    attempts: dict[int, int] = {}
    for _ in range((MAX_REPAIRS + 1) * MAX_BAD_LINES):
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
            return TomlDocument(values, line_map(readable), tuple(findings), frozenset(unread))
        row = rows[line - 1]
        found = diagnose_line(message, rows, line, column)
        tried = attempts.get(line, 0)
        if tried == 0:
            findings.append(found.finding)
        repair = found.repair if tried < MAX_REPAIRS else None
        if not row.strip() or (HEADING.match(row) and repair is None) or len(findings) >= MAX_BAD_LINES:
            break  # nothing left to remove, or a heading without which its keys would be in the table before
        if repair is None and (match := ASSIGNMENT.match(row)):
            unread.add((*_table_at(rows, line), match["key"]))
        rows[line - 1 : line - 1 + found.rows] = [repair or "", *[""] * (found.rows - 1)]
        attempts[line] = tried + 1
    return TomlDocument({}, LineMap({}), tuple(findings))


def _where(error: tomllib.TOMLDecodeError, rows: list[str]) -> tuple[int, int | None, str]:
    message = str(error)
    place = _PLACE.search(message)
    if place is None or place["line"] is None:
        last = next((i for i in range(len(rows), 0, -1) if rows[i - 1].strip()), 1)
        return last, None, _PLACE.sub("", message)
    line, column = int(place["line"]), int(place["column"])
    if line > 1 and column == 1 and not rows[min(line, len(rows)) - 1].strip():
        line -= 1  # the parser noticed at the break behind the line
    return min(line, len(rows)), column, _PLACE.sub("", message)


def _table_at(rows: list[str], line: int) -> KeyPath:
    """The table of line *line*, with its position where it is one of several."""
    counts: dict[str, int] = {}
    path: KeyPath = ()
    for row in rows[: line - 1]:
        if match := re.match(r"\s*\[\[\s*([\w-]+)\s*\]\]", row):
            counts[match[1]] = counts.get(match[1], -1) + 1
            path = (match[1], counts[match[1]])
        elif match := re.match(r"\s*\[\s*([\w-]+)\s*\]", row):
            path = (match[1],)
    return path


def _whole_file(problem: str, remedy: str, line: int = 0) -> Finding:
    return Finding(severity=Severity.ERROR, line=line, field="", path=(), problem=problem, remedy=remedy)
