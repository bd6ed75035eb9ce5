"""Findings: the errors and warnings of a site file, each with its place and its remedy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

#: A place in the document: names of tables and keys, and positions in arrays.
KeyPath = tuple[str | int, ...]


class Severity(StrEnum):
    """With an error the service cannot start."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One error or warning. ``line`` counts from 1; 0 means the file as a whole."""

    severity: Severity
    line: int
    field: str  #: for people: ``tank[east].diameter``
    path: KeyPath  #: for machines: ``("tank", 0, "diameter")``
    problem: str
    remedy: str
    column: int | None = None

    def text(self, file: str) -> str:
        """One line as compilers write it: place, problem, remedy."""
        place = f"{file}:{self.line}" if self.line else file
        if self.column is not None:
            place += f":{self.column}"
        word = "" if self.severity is Severity.ERROR else "warning: "
        field = f"{self.field}: " if self.field else ""
        return f"{place}: {word}{field}{self.problem}" + (f" — {self.remedy}" if self.remedy else "")

    def row(self) -> dict[str, object]:
        """The finding as plain values, for JSON."""
        return {
            "severity": str(self.severity),
            "line": self.line or None,
            "column": self.column,
            "field": self.field,
            "path": list(self.path),
            "problem": self.problem,
            "remedy": self.remedy,
        }


def errors_of(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The errors among findings."""
    return tuple(f for f in findings if f.severity is Severity.ERROR)


def text_of(findings: Iterable[Finding], file: str) -> str:
    """All findings, one a line."""
    return "\n".join(f.text(file) for f in findings)
