"""Loads and checks a site file, and gives the rest of the service its tanks, signals, alarms and people."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property
from pathlib import Path
from typing import TypeVar
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition
from service.calls.contact import Contact
from service.calls.duty import Rota
from service.calls.escalation import EscalationPolicy
from service.domain.blanket.estimate import TankSetup
from service.domain.effluent.permit import Permit
from service.domain.laboratory.day import LaboratoryTerms
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.errors import ConfigError, DomainError
from service.notify.channels.gateway_hook import GatewayHook
from service.notify.channels.http_gateway import HttpGateway
from service.notify.channels.sms_modem import GsmModem
from service.notify.channels.webhook import Webhook
from service.reports.mailing import Mailing
from service.site.conversion.on_call import (
    escalation_of,
    gateway_of,
    hook_of,
    modem_of,
    read_secret,
    rotas_of,
    webhook_of,
)
from service.site.conversion.permit import permit_of
from service.site.conversion.plant import (
    addresses_of,
    contact_of,
    plant_alarms,
    setups_of,
    signal_of,
    system_alarms,
    tank_alarms,
    tank_of,
    terms_of,
    under_permit,
)
from service.site.reading.document import decode, parse
from service.site.reading.finding import Finding, Severity, errors_of, text_of
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft, draft_of
from service.site.rules import RULES, RULES_OF_NAMES
from service.site.sections.plant import SiteSection
from service.site.sections.section import Section, SourceSection

S = TypeVar("S", bound=Section)


@dataclass(frozen=True)
class Site:
    """The plant as its site file describes it. Lengths [m]; everything else in SI."""

    text: str
    path: Path | None
    section: SiteSection
    draft: Draft
    #: Findings with which the service can start.
    warnings: tuple[Finding, ...] = ()

    @property
    def name(self) -> str:
        """The plant's name."""
        return self.section.name

    @property
    def units(self) -> UnitSystem:
        """The unit system of the plant."""
        return self.section.units

    @cached_property
    def time_zone(self) -> ZoneInfo:
        """The plant's time zone."""
        return ZoneInfo(self.section.time_zone)

    @cached_property
    def content_hash(self) -> str:
        """SHA-256 of the text [hex], which identifies a version of the file."""
        return hashlib.sha256(self.text.encode("utf-8")).hexdigest()

    @property
    def round_words(self) -> tuple[str, ...]:
        """The site's own words of a round."""
        return () if self.draft.rounds is None else self.draft.rounds.section.words

    @cached_property
    def laboratory(self) -> LaboratoryTerms:
        """What the day's sheet has to know of the aeration, and its aims."""
        if self.draft.laboratory is None:
            return LaboratoryTerms()
        section = self.draft.laboratory.section
        age = section.target_age
        return LaboratoryTerms(
            basin_volume=section.basin_volume,
            target_age=None if age is None else age / timedelta(hours=1),
            waste_step=section.waste_step,
        )

    @cached_property
    def permit(self) -> Permit:
        """What may leave the plant; without limits where the file has no permit."""
        return permit_of(None if self.draft.permit is None else self.draft.permit.section)

    @cached_property
    def _tanks(self) -> dict[str, Tank]:
        return {s.key: tank_of(s) for s in _sections(self.draft.tanks)}

    @cached_property
    def _signals(self) -> dict[str, Signal]:
        return {s.tag: under_permit(signal_of(s), self.permit) for s in _sections(self.draft.signals)}

    @cached_property
    def _alarms(self) -> tuple[AlarmDefinition, ...]:
        sections = _sections(self.draft.alarms)
        own = tank_alarms(sections, self._tanks.values(), self._signals.values())
        plant = plant_alarms(sections, self._signals.values(), self.permit)
        system = system_alarms(sections, [c.key for c in self.connectors()], duty=bool(self.draft.shifts))
        return tuple(p.definition for p in (*own, *plant, *system))

    def tanks(self) -> dict[str, Tank]:
        """Every tank by its key, in the order of the file."""
        return dict(self._tanks)

    def signals(self) -> dict[str, Signal]:
        """Every signal by its tag, in the order of the file."""
        return dict(self._signals)

    def setups(self) -> tuple[TankSetup, ...]:
        """Every tank with its signals."""
        terms = {s.key: terms_of(s, self.section.design_flow, self.permit) for s in _sections(self.draft.tanks)}
        return setups_of(self._tanks.values(), tuple(self._signals.values()), terms, self.out_of_service())

    def alarm_definitions(self) -> tuple[AlarmDefinition, ...]:
        """Every alarm: those of the file, those every tank has, and those the service has about itself."""
        return self._alarms

    def contacts(self) -> tuple[Contact, ...]:
        """Everybody who can be notified."""
        return tuple(contact_of(s) for s in _sections(self.draft.contacts))

    def rotas(self) -> tuple[Rota, ...]:
        """Who is on duty when."""
        stand_ins, holidays = _sections(self.draft.stand_ins), _sections(self.draft.holidays)
        return rotas_of(_sections(self.draft.shifts), stand_ins, holidays, self.time_zone)

    def escalations(self) -> tuple[EscalationPolicy, ...]:
        """Who is called in turn when nobody answers."""
        return tuple(escalation_of(s) for s in _sections(self.draft.escalations))

    def mailing(self) -> Mailing:
        """Who is mailed which report."""
        if self.draft.reports is None:
            return Mailing()
        section = self.draft.reports.section
        named = {contact.name: contact for contact in self.contacts()}
        return Mailing(
            to=tuple(named[name] for name in section.to),
            daily=section.daily,
            monthly=section.monthly,
            cores_at_once=section.cores == "at once",
        )

    def gateways(self) -> tuple[HttpGateway, ...]:
        """The HTTP gateways for text messages, with their secrets.

        Raises
        ------
        ConfigError
            when a secret cannot be read.
        """
        return tuple(gateway_of(s, self._secrets(s.secrets)) for s in _sections(self.draft.gateways))

    def gateway_hooks(self) -> dict[str, GatewayHook]:
        """What each gateway may post here, with the secrets, by its key.

        Raises
        ------
        ConfigError
            when a secret cannot be read or is too short.
        """
        return {
            s.key: hook_of(s, read_secret(self.folder(s.hook_secret)))
            for s in _sections(self.draft.gateways)
            if s.hook_secret is not None
        }

    def webhooks(self) -> dict[str, Webhook]:
        """The webhooks by key, with their secrets.

        Raises
        ------
        ConfigError
            when a secret cannot be read.
        """
        return {
            s.key: webhook_of(
                s,
                self._secrets(s.secrets),
                None if s.signing_secret is None else read_secret(self.folder(s.signing_secret)),
            )
            for s in _sections(self.draft.webhooks)
        }

    def modems(self) -> tuple[GsmModem, ...]:
        """The GSM modems, with their PINs.

        Raises
        ------
        ConfigError
            when a PIN cannot be read.
        """
        return tuple(modem_of(s) for s in _sections(self.draft.modems))

    def secret_files(self) -> tuple[Path, ...]:
        """The files of gateways' secrets and modems' PINs."""
        files = [file for s in _sections(self.draft.gateways) for file in s.secrets.values()]
        files += [s.pin_file for s in _sections(self.draft.modems) if s.pin_file is not None]
        return tuple(self.folder(file) for file in files)

    def _secrets(self, files: Mapping[str, str]) -> dict[str, str]:
        return {name: read_secret(self.folder(file)) for name, file in files.items()}

    def connectors(self) -> tuple[SourceSection, ...]:
        """The sources, each in the section class of its kind."""
        return tuple(_sections(self.draft.connectors))

    def addresses(self, connector: str) -> Mapping[str, Signal]:
        """The signal of each address of a connector."""
        keys = [c.key for c in self.connectors() if c.carries_signals]
        tags = addresses_of(_sections(self.draft.signals), connector, keys)
        return {address: self._signals[tag] for address, tag in tags.items()}

    def feeds(self) -> dict[str, frozenset[str]]:
        """The connectors of each tank's blanket readings."""
        found: dict[str, frozenset[str]] = {}
        for connector in self.connectors():
            for signal in self.addresses(connector.key).values():
                if signal.kind is SignalKind.BLANKET and signal.tank is not None:
                    found[signal.tank] = found.get(signal.tank, frozenset()) | {connector.key}
        return found

    def out_of_service(self) -> dict[str, str]:
        """The reason for each tank that the file keeps out of service."""
        return {s.key: s.out_of_service for s in _sections(self.draft.tanks) if s.out_of_service is not None}

    def folder(self, written: str) -> Path:
        """The path of a file or folder named in the site file, which relative ones are relative to."""
        base = self.path.parent if self.path is not None else Path.cwd()
        return (base / Path(written).expanduser()).absolute()


def load_site(path: Path) -> Site:
    """The site file at *path*.

    Raises
    ------
    ConfigError
        with one line per mistake, each with its place and its remedy.
    """
    try:
        content = path.read_bytes()
    except OSError as exc:
        raise ConfigError(f"{path}: the site file cannot be read ({exc.strerror})") from exc
    return _site_of(check_bytes(content), path)


def parse_site(text: str, path: Path | None = None) -> Site:
    """The site described by *text*; *path* is the file to which folders are relative.

    Raises
    ------
    ConfigError
        with one line per mistake.
    """
    return _site_of(check_text(text), path)


def text_on_disk(path: Path) -> str | None:
    """The unchecked text of a site file on disk; None if it is missing or cannot be read."""
    try:
        return decode(path.read_bytes())[0]
    except OSError:
        return None


def check_site(source: Path | str) -> list[Finding]:
    """All findings for a site file, given by path or as text. Never raises."""
    if isinstance(source, str):
        return list(check_text(source).findings)
    try:
        content = source.read_bytes()
    except OSError as exc:
        problem = f"the site file cannot be read ({exc.strerror})"
        return [
            Finding(severity=Severity.ERROR, line=0, field="", path=(), problem=problem, remedy="name a readable file")
        ]
    return list(check_bytes(content).findings)


def _site_of(checked: SiteCheck, path: Path | None) -> Site:
    errors = errors_of(checked.findings)
    if errors:
        raise ConfigError(text_of(errors, str(path or "site file")))
    if checked.draft is None or checked.draft.site is None:
        raise DomainError("a site file without findings has no site")  # pragma: no cover
    return Site(
        text=checked.text,
        path=path,
        section=checked.draft.site.section,
        draft=checked.draft,
        warnings=checked.findings,
    )


def _sections(entries: tuple[ReadSection[S], ...]) -> list[S]:
    return [entry.section for entry in entries]


@dataclass(frozen=True)
class SiteCheck:
    """A site file and its findings; ``draft`` is None when its text could not be read."""

    text: str
    draft: Draft | None
    findings: tuple[Finding, ...]


def check_bytes(content: bytes) -> SiteCheck:
    """Check the bytes of a site file."""
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
    """Without errors that only follow from one further in: a device "cannot be used" because a value in one of its points is wrong."""
    within = {f.path[:n] for f in findings if f.severity is Severity.ERROR for n in range(2, len(f.path))}
    return [f for f in findings if f.severity is not Severity.ERROR or len(f.path) < 3 or f.path not in within]
