"""Everything that is wrong with a site file, in one go, in the order of its lines."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.site.reading.document import decode, parse
from service.site.reading.finding import Finding, Severity
from service.site.reading.report import Report
from service.site.reading.section_reader import Draft, draft_of
from service.site.rules import RULES, RULES_OF_NAMES


@dataclass(frozen=True)
class SiteCheck:
    """A site file and what was found; ``draft`` is None when not even its text could be read."""

    text: str
    draft: Draft | None
    findings: tuple[Finding, ...]


def check_bytes(content: bytes) -> SiteCheck:
    """Check a site file as it lies on disk."""
    text, unreadable = decode(content)
    if unreadable is not None:
        return SiteCheck(text, None, (unreadable,))
    return check_text(text)


def check_text(text: str) -> SiteCheck:
    """Check the text of a site file."""
    document = parse(text)
    report = Report(document)
    if not document.values and document.findings:
        return SiteCheck(text, None, tuple(report.findings))
    draft = draft_of(document, report)
    for rule in RULES if draft.read_in else RULES_OF_NAMES:
        rule(draft, report)
    return SiteCheck(text, draft, tuple(sorted(_innermost(report.findings), key=lambda f: (f.line, f.column or 0))))


def _innermost(findings: Sequence[Finding]) -> list[Finding]:
    """Without what only repeats a mistake further in: a device "cannot be used" because a word in one of its points is wrong."""
    within = {f.path[:n] for f in findings if f.severity is Severity.ERROR for n in range(2, len(f.path))}
    return [f for f in findings if f.severity is not Severity.ERROR or len(f.path) < 3 or f.path not in within]
