"""Renders an alarm message as subject, text, HTML and one-part SMS, in the reader's units and the plant's time."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from urllib.parse import quote

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from service.alarms.definition import AlarmKind, Priority
from service.calls.routing import MessageKind
from service.domain.plant.display import (
    describe_height,
    format_clock,
    format_duration,
    format_length,
    format_local_time,
    format_quantity,
    format_share,
    format_speed,
)
from service.domain.plant.units import Dimension, UnitSystem
from service.notify.channels import gsm7
from service.notify.messages import wording
from service.notify.messages.facts import AlarmFacts
from service.notify.messages.picture import TankPicture, picture

_ENVIRONMENT = Environment(
    loader=PackageLoader("service.notify.messages", "templates"),
    autoescape=select_autoescape(["html.j2"]),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
)

#: RFC 5322 section 2.1.1 recommends lines of at most 78 characters.
LINE = 78
#: A subject this long still shows whole on a lock screen.
SUBJECT_LENGTH = 110


def _wrapped(text: str, indent: str = "", hanging: str | None = None) -> str:
    """Lines short enough for every mail client; an address is never broken."""
    return textwrap.fill(
        text,
        LINE,
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_on_hyphens=False,
        break_long_words="://" not in text,
    )


_ENVIRONMENT.filters["wrapped"] = _wrapped


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """A message ready to send."""

    subject: str
    text: str
    html: str
    sms: str


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageSection:
    """A titled list of lines."""

    title: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLayout:
    """The parts of a message that the templates lay out."""

    word: str
    subject: str  #: the tank, or the plant
    clause: str
    headline: str
    tone: str  #: danger, warning, or plain: never the only sign
    picture: TankPicture | None
    trust: str | None
    urgency: str | None
    rows: tuple[tuple[str, str], ...]
    sections: tuple[MessageSection, ...]
    code: str
    acknowledge: bool
    link: str | None
    tank_link: str | None
    at: str
    site: str
    key: str


def render(facts: AlarmFacts, system: UnitSystem) -> Rendered:
    """Render a message for a reader of that unit system."""
    sheet = layout_of(facts, system)
    return Rendered(
        subject=_one_line(sheet.headline, SUBJECT_LENGTH),
        text=_ENVIRONMENT.get_template("message.txt.j2").render(sheet=sheet),
        html=_ENVIRONMENT.get_template("message.html.j2").render(sheet=sheet),
        sms=sms(facts, system),
    )


def layout_of(facts: AlarmFacts, system: UnitSystem) -> MessageLayout:
    """The parts in reading order: how bad, how reliable, what to do and the cautions, then the details."""
    asks = facts.kind is MessageKind.ALARM
    sections = []
    if asks:
        sections.append(MessageSection(title="Look at this first", lines=wording.first_checks(facts, system)))
        if consequence := wording.consequence(facts):
            sections.append(MessageSection(title="If nothing is done", lines=(consequence,)))
        if cause := wording.usual_cause(facts):
            sections.append(MessageSection(title="Usual cause", lines=(cause,)))
    if facts.also_active:
        sections.append(MessageSection(title="Also active on this tank", lines=facts.also_active))
    if wording.sends_to_tank(facts):
        sections.append(MessageSection(title="Before you go to the tank", lines=wording.CAUTIONS))
    link = tank_link = None
    pages = facts.site.public_url.rstrip("/") if facts.site.public_url else None
    if facts.code and facts.site.link is not None:
        link = facts.site.link(facts.definition.key, facts.code, facts.now)
    elif facts.code and pages:
        link = f"{pages}/alarms/{facts.code}"
    if pages and facts.definition.tank is not None:
        tank_link = f"{pages}/tanks/{quote(facts.definition.tank, safe='')}"
    return MessageLayout(
        word=wording.word(facts),
        subject=wording.subject_of(facts),
        clause=wording.main_clause(facts, system),
        headline=wording.headline(facts, system),
        tone=_tone(facts),
        picture=picture(facts, system),
        trust=wording.trust_sentence(facts, system),
        urgency=wording.urgency(facts) if asks else None,
        rows=tuple(_rows(facts, system)),
        sections=tuple(sections),
        code=facts.code,
        acknowledge=asks and bool(facts.code),
        link=link,
        tank_link=tank_link,
        at=format_local_time(facts.at, facts.site.zone),
        site=facts.site.name,
        key=facts.definition.key,
    )


def _tone(facts: AlarmFacts) -> str:
    if facts.kind is not MessageKind.ALARM:
        return "danger" if wording.word(facts) == wording.STILL_DANGER else "plain"
    if facts.definition.kind is AlarmKind.HIGH_HIGH:
        return "danger"
    return "warning" if facts.definition.priority is not Priority.LOW else "plain"


def sms(facts: AlarmFacts, system: UnitSystem) -> str:
    """One SMS part of at most 160 septets: the essentials first, then as much of the rest as fits."""
    zone = facts.site.zone
    head = gsm7.plain(f"{wording.word(facts)} {gsm7.shorten(gsm7.plain(wording.subject_of(facts)), 32)}: ")
    main = gsm7.plain(wording.main_clause(facts, system)).replace("the weir", "weir").replace("about ", "")
    code = f" Code {facts.code}" if facts.code and facts.kind is MessageKind.ALARM else ""
    tail = gsm7.plain(f". {format_clock(facts.at, zone)}.{code}")
    room = gsm7.ONE_PART_SEPTETS - len(gsm7.encode(head)) - len(gsm7.encode(tail))
    text = gsm7.shorten(main, room)
    for extra in _extras(facts, system):
        longer = f"{text}. {gsm7.plain(extra)}"
        if len(gsm7.encode(longer)) <= room:
            text = longer
    return head + text + tail


def _extras(facts: AlarmFacts, system: UnitSystem) -> list[str]:
    extras = []
    trust = wording.trust_short(facts)
    if trust and facts.kind is MessageKind.ALARM:
        extras.append(trust)
    if facts.kind is MessageKind.ALARM and (seen := wording.likely_cause(facts)):
        extras.append(seen)
    if by := wording.cleared_by(facts, system):
        extras.append(f"By {by}")
    if facts.core is not None and facts.kind is MessageKind.ALARM:
        age = format_duration(facts.now - facts.core.taken_at)
        extras.append(f"Core {age} ago {format_length(facts.core.thickness, system)}")
    return extras


def _rows(facts: AlarmFacts, system: UnitSystem) -> list[tuple[str, str]]:
    zone = facts.site.zone
    rows: list[tuple[str, str]] = []
    match facts.kind:
        case MessageKind.CLEARED if facts.returned_at is not None:
            lasted = format_duration(facts.returned_at - facts.occurred_at)
            rows.append(("Was active", f"{format_local_time(facts.occurred_at, zone)}, for {lasted}"))
            rows.append(("Over since", format_local_time(facts.returned_at, zone)))
            if by := wording.cleared_by(facts, system):
                rows.append(("Cleared by", by))
        case MessageKind.ACKNOWLEDGED:
            rows.append(("Taken by", f"{facts.actor}, {format_local_time(facts.at, zone)}"))
            if facts.note:
                rows.append(("Note", facts.note))
            rows.append(("Since", _since(facts)))
        case MessageKind.SHELF_ENDING if facts.shelved_until is not None:
            rows.append(("Shelved by", f"{facts.actor}: {facts.note}"))
            rows.append(("Until", format_local_time(facts.shelved_until, zone)))
        case _:
            rows.append(("Since", _since(facts)))
            if facts.returned_at is not None:
                rows.append(("Over since", format_local_time(facts.returned_at, zone)))
    rows += _limit_rows(facts, system)
    rows += _tank_rows(facts, system)
    if facts.kind is MessageKind.ALARM:
        if facts.called:
            names = ", ".join(f"{called.contact} at {format_clock(called.at, zone)}" for called in facts.called)
            rows.append(("No answer", f"from {names}"))
        if facts.declined:
            rows.append(("Declined by", ", ".join(facts.declined)))
    return rows


def _since(facts: AlarmFacts) -> str:
    return f"{format_local_time(facts.occurred_at, facts.site.zone)} ({format_duration(facts.now - facts.occurred_at)} ago)"


def _limit_rows(facts: AlarmFacts, system: UnitSystem) -> list[tuple[str, str]]:
    limit = facts.definition.limit
    if limit is None or facts.kind is MessageKind.SHELF_ENDING:
        return []
    match facts.definition.kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH:
            return [("Limit", f"{format_length(limit, system)} under the weir")]
        case AlarmKind.RATE:
            return [("Limit", f"rising {format_speed(limit, system)}")]
        case AlarmKind.DEVIATION:
            return [("Limit", f"{format_length(limit, system)} apart")]
        case AlarmKind.EFFLUENT_SOLIDS:
            return [("Limit", format_quantity(limit, Dimension.CONCENTRATION, system))]
        case AlarmKind.TURBIDITY:
            return [("Limit", format_quantity(limit, Dimension.TURBIDITY, system))]
        case AlarmKind.PERMIT_NEAR:
            return [("Limit", f"{format_share(limit)} of the permit's")]
        case AlarmKind.SOLIDS_LOADING:
            return [("Limit", format_quantity(limit, Dimension.SOLIDS_LOADING, system))]
    return []


def _tank_rows(facts: AlarmFacts, system: UnitSystem) -> list[tuple[str, str]]:
    rows: list[tuple[str, str]] = []
    estimate, clearance = facts.estimate, facts.clearance
    if estimate is not None and clearance is not None and math.isfinite(clearance):
        doubt = format_length(estimate.spread, system) if math.isfinite(estimate.sd) else "?"
        places = dict.fromkeys((wording.where(clearance, facts, system), describe_height(estimate.height, system)))
        rows.append(("Blanket", f"{', '.join(places)} (give or take {doubt})"))
    rows += [_sensor_row(facts, index, system) for index in range(len(facts.sensors))]
    if facts.tank_kind is None:
        return rows
    if facts.core is None:
        rows.append(("Last core", "none yet"))
        return rows
    core = facts.core
    by = f" by {core.taken_by}" if core.taken_by else ""
    age = format_duration(facts.now - core.taken_at)
    where = ""
    if facts.side_water_depth is not None:
        where = f" = {wording.where(facts.side_water_depth - core.height, facts, system)}"
        if core.fluff_height is not None:
            where += f", fluff up to {wording.where(facts.side_water_depth - core.top, facts, system)}"
    if core.surface:
        where += f"; surface: {', '.join(core.surface)}"
    when = format_local_time(core.taken_at, facts.site.zone)
    rows.append(
        (
            "Last core",
            f"{format_length(core.thickness, system)} of sludge where it was taken{where}, {age} ago ({when}{by})",
        )
    )
    return rows


def _sensor_row(facts: AlarmFacts, index: int, system: UnitSystem) -> tuple[str, str]:
    sensor = facts.sensors[index]
    label = "Sensor" if len(facts.sensors) == 1 else f"Sensor {sensor.tag}"
    if sensor.last_sample_at is None:
        return label, "no reading yet"
    parts = []
    if sensor.height is not None and math.isfinite(sensor.height):
        parts.append(f"reads {describe_height(sensor.height, system)}")
        if facts.core is not None and sensor.corrected is not None and math.isfinite(sensor.corrected):
            parts.append(
                f"{describe_height(sensor.corrected, system).removesuffix(' above the floor at the wall')} after drift correction"
            )
    else:
        parts.append("sends no usable value")
    words = wording.verdict_words(sensor.verdict)
    if words:
        parts.append(words)
    parts.append(f"last reading {format_clock(sensor.last_sample_at, facts.site.zone)}")
    return label, ", ".join(parts)


def _one_line(text: str, limit: int) -> str:
    line = " ".join(text.split())
    return line if len(line) <= limit else line[: limit - 1].rsplit(" ", 1)[0] + "…"
