"""Compares two versions of a site file: what changes, and above all what is no longer monitored."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from service.site.site import Site

#: Kinds of things whose removal ends some monitoring or notification.
WATCHED = ("tank", "signal", "connector", "alarm", "contact", "gateway", "modem", "webhook", "permit")


@dataclass(frozen=True, slots=True, kw_only=True)
class SiteChange:
    """The changes to everything of one kind; keys in the order of their file."""

    kind: str
    added: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """All changes."""

    changes: tuple[SiteChange, ...]
    #: Tanks monitored now that the new file keeps out of service.
    out_of_service: tuple[str, ...]
    #: The lines of the two texts, as a unified diff.
    lines: tuple[str, ...]

    @property
    def unmonitored(self) -> tuple[tuple[str, str], ...]:
        """What would no longer be monitored, read or notified: kind and key."""
        gone = [(c.kind, key) for c in self.changes if c.kind in WATCHED for key in c.removed]
        return (*gone, *(("tank out of service", key) for key in self.out_of_service))


def difference(before: Site | None, after: Site) -> Difference:
    """The changes from the site in force (None if none is) to another one."""
    old = {} if before is None else _things(before)
    new = _things(after)
    changes = [_change(kind, old.get(kind, {}), new[kind]) for kind in new]
    were_out = frozenset() if before is None else before.out_of_service().keys()
    known = old.get("tank", {})
    return Difference(
        changes=tuple(change for change in changes if change.added or change.removed or change.changed),
        out_of_service=tuple(key for key in after.out_of_service() if key in known and key not in were_out),
        lines=tuple(
            difflib.unified_diff(
                [] if before is None else before.text.splitlines(),
                after.text.splitlines(),
                "in force",
                "new",
                "",
                "",
                1,
                "",
            )
        ),
    )


def _change(kind: str, old: Mapping[str, object], new: Mapping[str, object]) -> SiteChange:
    return SiteChange(
        kind=kind,
        added=tuple(key for key in new if key not in old),
        removed=tuple(key for key in old if key not in new),
        changed=tuple(key for key in new if key in old and old[key] != new[key]),
    )


def _things(site: Site) -> dict[str, dict[str, object]]:
    """Everything a file describes, by kind and key."""
    draft = site.draft
    return {
        "site": {"site": site.section},
        "tank": {e.section.key: e.section for e in draft.tanks},
        "signal": {e.section.tag: e.section for e in draft.signals},
        "connector": {e.section.key: e.section for e in draft.connectors},
        # As they take effect, the default ones included.
        "alarm": {definition.key: definition for definition in site.alarm_definitions()},
        "contact": {e.section.name: e.section for e in draft.contacts},
        "shift": _grouped((e.section.name, e.section) for e in draft.shifts),
        "stand-in": _grouped((e.section.person, e.section) for e in draft.stand_ins),
        "holiday": _grouped((e.section.name, e.section) for e in draft.holidays),
        "escalation": {e.section.key: e.section for e in draft.escalations},
        "gateway": {e.section.key: e.section for e in draft.gateways},
        "modem": {e.section.port: e.section for e in draft.modems},
        "webhook": {e.section.key: e.section for e in draft.webhooks},
        "rounds": {} if draft.rounds is None else {"rounds": draft.rounds.section},
        "laboratory": {} if draft.laboratory is None else {"laboratory": draft.laboratory.section},
        "permit": {} if draft.permit is None else {"permit": draft.permit.section},
        "reports": {} if draft.reports is None else {"reports": draft.reports.section},
    }


def _grouped(named: Iterable[tuple[str, object]]) -> dict[str, object]:
    """Sections whose names need not be unique, grouped by name."""
    found: dict[str, list[object]] = {}
    for name, section in named:
        found.setdefault(name, []).append(section)
    return dict(found)
