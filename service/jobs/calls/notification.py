"""Writes transitions as journal lines and outbox rows, in the transaction that saves the alarm's state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import AlarmState, Machine, Transition
from service.alarms.observations import TakenBack
from service.alarms.rules import RuleInput, RuleReason, standing
from service.calls.incident import first_message, of_incident
from service.calls.routing import MessageKind, Notification, RouteReason, Routing, SentMessage, address_of, route
from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.setup import AlarmSetup
from service.notify.messages import wording
from service.notify.messages.facts import AlarmFacts, Called
from service.notify.messages.render import Rendered, render
from service.storage.alarms.alarms import AlarmRecord, alarms_of_keys, append_events, sent_messages
from service.storage.calls.outbox import OutboxMessage, enqueue

#: What was told longer ago plays no part in whom to tell now.
HISTORY_SPAN = timedelta(days=7)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmChange:
    """One alarm after one pass."""

    record: AlarmRecord
    definition: AlarmDefinition
    machine: Machine
    transitions: tuple[Transition, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What the messages of one pass are written from: the tank and what is known of it now."""

    tank: Tank | None
    situation: RuleInput
    danger_limit: float | None = None
    diagnosis: Diagnosis | None = None
    covered_by: AlarmDefinition | None = None
    folded_under: AlarmDefinition | None = None
    also_active: tuple[str, ...] = ()
    called: tuple[Called, ...] = ()
    taken_back: tuple[TakenBack, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Decided:
    """One transition with who is told of it, and what the words are made from."""

    change: AlarmChange
    scene: Scene
    routing: Routing


def decide(
    setup: AlarmSetup, change: AlarmChange, scene: Scene, history: Sequence[SentMessage], now: datetime
) -> tuple[Decided, ...]:
    """Who is told of every transition of one alarm, and who is not."""
    routings = route(
        change.transitions,
        change.machine,
        change.definition,
        setup.contacts,
        history,
        now=now,
        channels=setup.channels,
        covered_by=scene.covered_by,
        folded_under=scene.folded_under,
        first_called=setup.callout.first_called(change.definition, now, change.machine),
    )
    return tuple(Decided(change=change, scene=scene, routing=routing) for routing in routings)


def write(conn: Connection, setup: AlarmSetup, decided: Sequence[Decided], now: datetime) -> int:
    """Journal transitions with their decisions, put the messages on their way, and return how many; two statements for all."""
    events = [(one.change.record.id, one.routing.transition, _decisions(one)) for one in decided]
    messages: list[OutboxMessage] = []
    for one, event_id in zip(decided, append_events(conn, events, recorded_at=now), strict=True):
        thread = _thread(conn, setup, one.change, now) if one.routing.tells else []
        messages += _messages(setup, one, event_id, now, thread)
    return enqueue(conn, messages)


def _thread(
    conn: Connection, setup: AlarmSetup, change: AlarmChange, now: datetime
) -> list[tuple[Machine, SentMessage]]:
    """What was told about the tank's incident so far: this alarm's occurrence, and those of the others that still stand."""
    machines = {change.record.id: change.machine}
    family = of_incident(change.definition, setup.of_tank(change.definition.tank))
    if family:
        records = alarms_of_keys(conn, [definition.key for definition in family])
        machines |= {r.id: r.machine for r in records if r.machine.state is not AlarmState.NORMAL}
    told = sent_messages(conn, list(machines), now - HISTORY_SPAN)
    return [(machines[alarm], message) for alarm, messages in told.items() for message in messages]


def _messages(
    setup: AlarmSetup, one: Decided, event_id: int, now: datetime, thread: Sequence[tuple[Machine, SentMessage]]
) -> list[OutboxMessage]:
    words: dict[UnitSystem, Rendered] = {}
    messages = []
    for tell in one.routing.tells:
        system = tell.contact.units or setup.units
        if system not in words:
            transition = one.routing.transition
            facts = facts_of(setup, one.change, one.scene, now, transition=transition, kind=tell.kind)
            words[system] = render(facts, system)
        # One conversation a tank, whichever of its alarms it is about.
        began = first_message(thread, tell.contact.name, tell.channel)
        tell = tell if began is None else replace(tell, reply_to=began)
        messages.append(message_of(tell, words[system], event_id, one.routing.transition.occurred_at, now))
    return messages


def message_of(
    tell: Notification, words: Rendered, event_id: int, occurred_at: datetime | None, now: datetime
) -> OutboxMessage:
    """The outbox row of one message; it keeps the words, so that they can be shown as they were sent."""
    return OutboxMessage(
        key=tell.key,
        alarm_event_id=event_id,
        channel=tell.channel,
        recipient=address_of(tell.contact, tell.channel) or "",
        payload={
            "kind": tell.kind.value,
            "contact": tell.contact.name,
            "reason": tell.reason.value,
            "occurred_at": None if occurred_at is None else occurred_at.isoformat(),
            "subject": words.subject,
            "text": words.sms if tell.channel == "sms" else words.text,
            "html": "" if tell.channel == "sms" else words.html,
            # Kept for the next person, who may have to be reached another way.
            "mail": words.text,
            "sms": words.sms,
            "reply_to": tell.reply_to,
        },
        created_at=now,
    )


def facts_of(
    setup: AlarmSetup,
    change: AlarmChange,
    scene: Scene,
    now: datetime,
    *,
    transition: Transition | None = None,
    kind: MessageKind = MessageKind.ALARM,
) -> AlarmFacts:
    """The facts of a message about one alarm, as they are now."""
    machine, definition, situation = change.machine, change.definition, scene.situation
    over = machine.returned_at is not None
    reason = transition.rule_reason if transition is not None else machine.rule_reason
    detail = transition.rule_detail if transition is not None else machine.rule_detail
    value = machine.value
    if transition is not None and (over or definition.kind not in _PRESENT_VALUE or value is None):
        # What is over is told as it was; the rest is told as it is now.
        value = transition.value
    limit = definition.limit if definition.kind in _OF_CLEARANCE else setup.widest_limit(definition.tank)
    depth = situation.side_water_depth
    ended = [
        gone
        for gone in scene.taken_back
        if limit is not None
        and depth is not None
        and gone.at >= (machine.occurred_at or now)
        and gone.ended(depth, limit)
    ]
    return AlarmFacts(
        site=setup.site,
        kind=kind,
        definition=definition,
        now=now,
        at=now if transition is None else transition.at,
        occurred_at=machine.occurred_at or (now if transition is None else transition.at),
        code=machine.code,
        reason=RuleReason(reason) if reason else None,
        value=value,
        detail=detail,
        returned_at=machine.returned_at,
        tank_label=scene.tank.label if scene.tank is not None else "",
        tank_kind=scene.tank.kind if scene.tank is not None else None,
        side_water_depth=scene.tank.side_water_depth if scene.tank is not None else None,
        estimate=situation.estimate,
        danger_limit=scene.danger_limit,
        sensors=situation.sensors,
        core=situation.core,
        standing=None if limit is None else standing(situation, limit),
        taken_back=ended[-1] if ended else None,
        also_active=scene.also_active,
        diagnosis=scene.diagnosis,
        called=scene.called,
        had_by=machine.had_by,
        declined=tuple(dict.fromkeys((*machine.declined, *machine.declined_without_code))),
        actor=transition.actor if transition is not None and transition.actor else machine.actor,
        note=transition.note if transition is not None and transition.note else machine.why,
        shelved_until=machine.shelved_until,
    )


def also_active(setup: AlarmSetup, change: AlarmChange, scene: Scene, now: datetime) -> str:
    """One alarm in one line, for the message of another of the same tank."""
    facts = facts_of(setup, change, scene, now)
    return f"{wording.word(facts)}: {wording.main_clause(facts, setup.units)}"


def _decisions(one: Decided) -> dict[str, Any]:
    routing, under = one.routing, one.scene.folded_under
    folded = under is not None and any(s.reason is RouteReason.FOLDED for s in routing.silences)
    return {
        **({"folded_under": under.key} if under is not None and folded else {}),
        "told": [
            {
                "contact": tell.contact.name,
                "channel": tell.channel,
                "kind": tell.kind.value,
                "key": tell.key,
                "reason": tell.reason.value,
            }
            for tell in routing.tells
        ],
        "silent": [{"contact": silence.contact, "reason": silence.reason.value} for silence in routing.silences],
    }


_OF_CLEARANCE = frozenset({AlarmKind.HIGH, AlarmKind.HIGH_HIGH})
_PRESENT_VALUE = frozenset(
    {AlarmKind.HIGH, AlarmKind.HIGH_HIGH, AlarmKind.RATE, AlarmKind.TIME_TO_DANGER, AlarmKind.READS_HIGH}
)
