"""Sections as read, and the report that collects findings about them with their lines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from service.site.reading.document import TomlDocument
from service.site.reading.finding import Finding, KeyPath, Severity
from service.site.sections.section import Section

S = TypeVar("S", bound=Section)


@dataclass(frozen=True)
class ReadSection(Generic[S]):
    """One section that could be read."""

    path: KeyPath
    label: str
    section: S
    #: Fields that were unreadable: not to be called missing.
    unread: frozenset[str]
    #: The misspelt key of a field.
    written_as: dict[str, str] = field(default_factory=dict)

    def has(self, name: str) -> bool:
        """Whether the file has a value, readable or not, for that field."""
        return getattr(self.section, name) is not None or name in self.unread


class Report:
    """Collects findings and finds their lines."""

    def __init__(self, document: TomlDocument) -> None:
        self._document = document
        self.findings: list[Finding] = list(document.findings)

    def error(self, entry: ReadSection[Any] | None, name: str | None, problem: str, remedy: str) -> None:
        """Add an error; *entry* None means the file as a whole."""
        self._add(Severity.ERROR, entry, name, problem, remedy)

    def warning(self, entry: ReadSection[Any] | None, name: str | None, problem: str, remedy: str) -> None:
        """Add a warning: something that is probably not meant."""
        self._add(Severity.WARNING, entry, name, problem, remedy)

    def at(self, path: KeyPath, label: str, problem: str, remedy: str) -> None:
        """Add an error at a key path."""
        line = self._document.lines.line(path)
        found = Finding(severity=Severity.ERROR, line=line, field=label, path=path, problem=problem, remedy=remedy)
        self.findings.append(found)

    def line(self, entry: ReadSection[Any], name: str | None = None) -> int:
        """The line of an entry, or of one of its fields."""
        return self._document.lines.line((*entry.path, entry.written_as.get(name, name)) if name else entry.path)

    def _add(
        self, severity: Severity, entry: ReadSection[Any] | None, name: str | None, problem: str, remedy: str
    ) -> None:
        path: KeyPath = ()
        label = ""
        if entry is not None:
            path, label = entry.path, entry.label
            if name is not None:
                path = (*path, entry.written_as.get(name, name))
                label = f"{label}.{name}"
        line = self._document.lines.line(path)
        self.findings.append(
            Finding(severity=severity, line=line, field=label, path=path, problem=problem, remedy=remedy)
        )
