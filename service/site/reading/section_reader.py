"""Reads a parsed site file to section models with their places; what cannot be read is a finding.

A section with an error is repaired and read again (a misspelt key under its right name, without a wrong optional value), so that
the checks between sections still see it and all errors are reported at once.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import ValidationError

from service.domain.plant.units import UnitSystem
from service.site.reading.document import TomlDocument
from service.site.reading.error_messages import RemoveKey, RenameKey, SetValue, explain
from service.site.reading.finding import KeyPath
from service.site.reading.report import ReadSection, Report
from service.site.sections.alarm import AlarmSection
from service.site.sections.connector import SECTION_OF_KIND
from service.site.sections.gateway import GatewaySection, ModemSection, WebhookSection
from service.site.sections.on_call import EscalationSection, HolidaySection, ShiftSection, StandInSection
from service.site.sections.people import ContactSection, ReportsSection
from service.site.sections.permit import PermitSection
from service.site.sections.plant import LaboratorySection, RoundsSection, SignalSection, SiteSection, TankSection
from service.site.sections.quantity import closest_word
from service.site.sections.section import Section, SourceSection

S = TypeVar("S", bound=Section)

#: Sections that may occur any number of times, and the key that identifies one of them.
_NAMED_BY = {
    "tank": "key",
    "signal": "tag",
    "connector": "key",
    "alarm": "key",
    "contact": "name",
    "shift": "name",
    "stand_in": "person",
    "holiday": "name",
    "escalation": "key",
    "gateway": "key",
    "modem": "port",
    "webhook": "key",
}
#: Sections that occur once.
_SINGLE = ("site", "permit", "laboratory", "rounds", "reports")
_OTHER_WORDS = {
    "clarifier": "tank",
    "sensor": "signal",
    "tag": "signal",
    "source": "connector",
    "person": "contact",
    "people": "contact",
    "plant": "site",
    "rota": "shift",
    "duty": "shift",
    "override": "stand_in",
    "escalation": "escalation",
    "sms": "gateway",
    "limit": "permit",
}
_PASSES = 4  # each pass repairs what the one before found; a section needs two or three


@dataclass(frozen=True)
class Draft:
    """The readable sections of a site file, not yet checked against each other."""

    site: ReadSection[SiteSection] | None
    tanks: tuple[ReadSection[TankSection], ...]
    signals: tuple[ReadSection[SignalSection], ...]
    connectors: tuple[ReadSection[SourceSection], ...]
    alarms: tuple[ReadSection[AlarmSection], ...]
    contacts: tuple[ReadSection[ContactSection], ...]
    shifts: tuple[ReadSection[ShiftSection], ...]
    stand_ins: tuple[ReadSection[StandInSection], ...]
    holidays: tuple[ReadSection[HolidaySection], ...]
    escalations: tuple[ReadSection[EscalationSection], ...]
    gateways: tuple[ReadSection[GatewaySection], ...]
    modems: tuple[ReadSection[ModemSection], ...]
    reports: ReadSection[ReportsSection] | None
    permit: ReadSection[PermitSection] | None
    laboratory: ReadSection[LaboratorySection] | None
    rounds: ReadSection[RoundsSection] | None
    webhooks: tuple[ReadSection[WebhookSection], ...]
    #: Names in sections of each kind, also in sections that are otherwise unreadable.
    names: dict[str, frozenset[str]]
    #: Kinds of section of which some are unreadable: what is missing there is unknown.
    incomplete: frozenset[str]
    #: The unit system of plain numbers; None when the file has none, so that sizes cannot be checked.
    read_in: UnitSystem | None

    @property
    def units(self) -> UnitSystem:
        """The unit system of plain numbers, SI unless given."""
        return self.read_in or "si"


def draft_of(document: TomlDocument, report: Report) -> Draft:
    """Read a document's sections; what cannot be read is added to *report*."""
    return _Reader(document, report).draft()


class _Reader:
    def __init__(self, document: TomlDocument, report: Report) -> None:
        self._document = document
        self._report = report
        self._values = dict(document.values)
        self._units: UnitSystem | None = None
        self._names: dict[str, set[str]] = {name: set() for name in _NAMED_BY}
        self._incomplete: set[str] = set()
        #: The heading in the file of sections whose heading was misspelt.
        self._misspelt_heading: dict[str, str] = {}

    def draft(self) -> Draft:
        self._top_level()
        site = self._site()
        if site is not None:
            self._units = site.section.units
        elif isinstance(raw := self._values.get("site"), dict) and raw.get("units") in ("us", "si"):
            self._units = raw["units"]
        tanks = tuple(self._sections("tank", TankSection))
        signals = tuple(self._sections("signal", SignalSection))
        connectors = tuple(self._connectors())
        alarms = tuple(self._sections("alarm", AlarmSection))
        contacts = tuple(self._sections("contact", ContactSection))
        return Draft(
            site=site,
            tanks=tanks,
            signals=signals,
            connectors=connectors,
            alarms=alarms,
            contacts=contacts,
            shifts=tuple(self._sections("shift", ShiftSection)),
            stand_ins=tuple(self._sections("stand_in", StandInSection)),
            holidays=tuple(self._sections("holiday", HolidaySection)),
            escalations=tuple(self._sections("escalation", EscalationSection)),
            gateways=tuple(self._sections("gateway", GatewaySection)),
            modems=tuple(self._sections("modem", ModemSection)),
            reports=self._single("reports", ReportsSection, "there is one list of reports"),
            permit=self._single("permit", PermitSection, "there is one permit"),
            laboratory=self._single("laboratory", LaboratorySection, "there is one laboratory"),
            rounds=self._single("rounds", RoundsSection, "there is one list of words"),
            webhooks=tuple(self._sections("webhook", WebhookSection)),
            names={name: frozenset(found) for name, found in self._names.items()},
            incomplete=frozenset(self._incomplete),
            read_in=self._units,
        )

    def _top_level(self) -> None:
        known = (*_SINGLE, *_NAMED_BY)
        for name in [n for n in self._values if n not in known]:
            value = self._values.pop(name)
            if not isinstance(value, dict) and not (isinstance(value, list) and value and isinstance(value[0], dict)):
                home = "[site]" if name in SiteSection.model_fields else "the heading it belongs to"
                self._report.at((name,), name, "stands before any heading", f"move it below {home}")
                continue
            near = _OTHER_WORDS.get(name.casefold().rstrip("s")) or closest_word(name, known)
            heading = f"[{near}]" if near in _SINGLE else f"[[{near}]]"
            remedy = (
                f"did you mean {heading}?"
                if near
                else f"sections are {', '.join(f'[{n}]' for n in _SINGLE)}, {', '.join(f'[[{n}]]' for n in _NAMED_BY)}"
            )
            written = f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
            self._report.at((name,), name, f"no section {written} is known", remedy)
            if near and near not in self._values:
                self._values[near] = value
                self._misspelt_heading[near] = name
            elif near:
                self._incomplete.add(near)

    def _site(self) -> ReadSection[SiteSection] | None:
        if "site" not in self._values and not self._document.findings:
            self._report.error(None, None, "[site] is missing", "begin the file with [site], name, units and time_zone")
        return self._single("site", SiteSection, "there is one site")

    def _single(self, name: str, model: type[S], only: str) -> ReadSection[S] | None:
        """A section that occurs once, or not at all."""
        raw = self._values.get(name)
        written = self._misspelt_heading.get(name, name)
        path: KeyPath = (written,)
        if isinstance(raw, list) and raw and isinstance(raw[0], dict):
            self._report.at(path, written, f"[[{name}]] has two brackets", f"{only}: write [{name}]")
            raw, path = raw[0], (written, 0)
        if raw is None:
            return None
        if not isinstance(raw, dict):
            self._report.at(path, name, "is not a table", f"write [{name}] and its keys on the lines below")
            return None
        return self._read(name, name, raw, model, path)

    def _sections(self, name: str, model: type[S]) -> Iterator[ReadSection[S]]:
        for position, (path, raw) in enumerate(self._tables(name)):
            entry = self._read(name, self._label(name, raw, position), raw, model, path)
            if entry is None:
                self._incomplete.add(name)
            else:
                yield entry

    def _connectors(self) -> Iterator[ReadSection[SourceSection]]:
        for position, (path, raw) in enumerate(self._tables("connector")):
            label = self._label("connector", raw, position)
            kind = raw.get("kind")
            model = SECTION_OF_KIND.get(kind) if isinstance(kind, str) else None
            if model is None:
                known = tuple(SECTION_OF_KIND)
                choice = " or ".join(f'"{k}"' for k in known)
                near = closest_word(str(kind), known)
                if kind is None and (*path, "kind") not in self._document.unread:
                    self._report.at(path, f"{label}.kind", "is missing", f"write kind = {choice}")
                elif kind is not None:
                    remedy = f'write kind = "{near}"' if near else f"write kind = {choice}"
                    self._report.at((*path, "kind"), f"{label}.kind", f'"{kind}" is no kind of connector', remedy)
                if near is None:
                    self._incomplete.add("connector")
                    continue
                raw = {**raw, "kind": near}
                model = SECTION_OF_KIND[near]
            entry = self._read("connector", label, raw, model, path)
            if entry is None:
                self._incomplete.add("connector")
            else:
                yield entry

    def _tables(self, name: str) -> Iterator[tuple[KeyPath, dict[str, Any]]]:
        raw = self._values.get(name, [])
        path: KeyPath = (self._misspelt_heading.get(name, name),)
        if isinstance(raw, dict):
            if raw and all(isinstance(value, dict) for value in raw.values()):
                self._report.at(
                    path,
                    name,
                    f"[{name}.…] is not how several are written",
                    f"write [[{name}]] and {_NAMED_BY[name]} = …",
                )
                for key, value in raw.items():
                    yield (*path, key), {_NAMED_BY[name]: key, **value}
                return
            self._report.at(path, name, f"[{name}] has one bracket on each side", f"write [[{name}]]")
            yield path, raw
            return
        if not isinstance(raw, list):
            self._report.at(path, name, "is not a section", f"write [[{name}]] and its keys on the lines below")
            self._incomplete.add(name)
            return
        for position, value in enumerate(raw):
            if isinstance(value, dict):
                yield (*path, position), value
            else:
                self._report.at(
                    (*path, position), name, f"{value!r} is not a section", f"write [[{name}]] on a line of its own"
                )
                self._incomplete.add(name)

    def _label(self, name: str, raw: dict[str, Any], position: int) -> str:
        named = raw.get(_NAMED_BY[name])
        if isinstance(named, str) and named.strip():
            self._names[name].add(named.strip())
            return f"{name}[{named.strip()}]"
        if name == "alarm":
            return f"alarm[{raw.get('tank', '*')}: {raw.get('kind', '?')}]"
        self._incomplete.add(name)  # others may refer to it by the name that is missing
        return f"{name}[#{position + 1}]"

    def _read(self, name: str, label: str, raw: dict[str, Any], model: type[S], path: KeyPath) -> ReadSection[S] | None:
        raw = dict(raw)
        unread = {str(p[-1]) for p in self._document.unread if p[:-1] == path}
        written_as: dict[str, str] = {}
        reported: set[KeyPath] = set()
        for _ in range(_PASSES):
            try:
                section = model.model_validate(raw, context={"units": self._units or "si"})
            except ValidationError as exc:
                # Misspelt keys first: the keys that were meant are then not missing.
                errors = sorted(exc.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
                for error in errors:
                    explained = explain(error, model, raw)
                    location = explained.location
                    top = str(location[0])
                    if error["type"] == "missing" and (top in unread or top in written_as or location in reported):
                        continue
                    if location not in reported:
                        reported.add(location)
                        written = (written_as.get(top, top), *location[1:])
                        field_label = ".".join([label, *map(str, location)])
                        self._report.at((*path, *written), field_label, explained.problem, explained.remedy)
                    match explained.repair:
                        case RenameKey(old, new):
                            raw[new] = raw.pop(old, None)
                            written_as[new] = old
                        case SetValue(key, value):
                            raw[key] = value
                        case RemoveKey(key, meant):
                            raw.pop(key, None)
                            unread |= {key, meant or key}
                if all(error["type"] == "missing" for error in errors):
                    return None
            else:
                if (named := _NAMED_BY.get(name)) and isinstance(found := getattr(section, named), str):
                    self._names[name].add(found)
                return ReadSection(path, label, section, frozenset(unread), written_as)
        return None
