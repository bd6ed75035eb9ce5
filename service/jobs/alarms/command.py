"""Applies a person's command to an alarm; every door goes through here.

The alarm's state, its journal, its line in the audit log and the messages that follow are one transaction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime

import structlog
from sqlalchemy import Connection

from service.alarms.definition import AlarmDefinition
from service.alarms.machine import (
    Acknowledge,
    AlarmState,
    Command,
    Decline,
    MachineReason,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Stepped,
    Unshelve,
    step,
)
from service.alarms.rules import RuleInput
from service.calls.escalation import AfterNo, calls_after_no
from service.calls.incident import answered_with, given_back_with, of_incident
from service.calls.routing import RouteReason, Routing, SentMessage, Suppression
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.escalate import scene_of, unanswered_calls
from service.jobs.calls.notification import HISTORY_SPAN, AlarmChange, Decided, Scene, decide, write
from service.jobs.plant.plant import Plant
from service.storage.alarms.alarms import (
    AlarmRecord,
    find_alarms,
    grouped_alarms,
    lock_alarms,
    save_alarms,
    sent_messages,
)
from service.storage.calls.outbox import cancel_calls

log = structlog.get_logger(__name__)

_ACTIONS: dict[type[Command], str] = {
    Acknowledge: "alarm acknowledged",
    Decline: "alarm declined",
    Reset: "alarm reset",
    Shelve: "alarm shelved",
    Unshelve: "alarm unshelved",
    RemoveFromService: "alarm removed from service",
    ReturnToService: "alarm returned to service",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What came of a command. ``changed`` is False when there was nothing to change; ``reason`` says why."""

    key: str
    code: str
    state: AlarmState
    changed: bool
    reason: MachineReason
    told: int = 0
    actor: str = ""  #: who has it, shelved it or removed it
    after_no: AfterNo | None = None  #: who is called because somebody said no


def submit_command(
    conn: Connection,
    plant: Plant,
    name: str,
    command: Command,
    actor: Actor,
    *,
    now: datetime,
) -> Done:
    """Do to an alarm what somebody says.

    Whoever takes an alarm has it: nobody else is called any more, and those who were called learn who has it. When
    somebody says no, the next person is called at once. An answer about a rising blanket covers what the tank's lesser
    alarms on it say as well; a graver one calls all the same.

    Parameters
    ----------
    conn : a transaction that the caller commits.
    name : the six-character code of the message, or the alarm's key.
    command : what to do; whose word it is comes from *actor* alone.

    Raises
    ------
    InputError
        no alarm is meant by that name, or several are. Nothing was written then.
    """
    # Under the name they are called by, so that nobody is told of their own answer.
    known = actor.contact(plant.alarms.callout.contacts)
    command = replace(command, who=actor.name if known is None else known.name)
    key = _meant(find_alarms(conn, name), name)
    definition = plant.alarms.definition(key)
    if definition is None:
        raise InputError(f"alarm {key} is no longer in the site file; it calls nobody any more")
    family = of_incident(definition, plant.alarms.of_tank(definition.tank))
    records = lock_alarms(conn, [key, *(other.key for other in family)])
    record = records[key]
    taken, done, told = _apply(conn, plant, definition, record, command, actor, now)
    others = [(other, records[other.key].machine) for other in family if other.key in records]
    together: tuple[str, ...] = ()
    if isinstance(command, Acknowledge) and taken.machine.state is AlarmState.ACKNOWLEDGED and done.changed:
        together = answered_with(definition, record.machine, others)
    elif isinstance(command, Decline) and taken.reason is MachineReason.GIVEN_BACK:
        together = given_back_with(definition, record.machine, others)
    for other in family:
        if other.key in together:
            with_it = replace(command, note=f"with {key}") if isinstance(command, Acknowledge) else command
            _, also, _ = _apply(conn, plant, other, records[other.key], with_it, actor, now, told)
            done = replace(done, told=done.told + also.told)
    return done


def _apply(
    conn: Connection,
    plant: Plant,
    definition: AlarmDefinition,
    record: AlarmRecord,
    command: Command,
    actor: Actor,
    now: datetime,
    told_already: frozenset[str] = frozenset(),
) -> tuple[Stepped, Done, frozenset[str]]:
    """Do it to one alarm that is held; return who is told of it, too.

    Parameters
    ----------
    told_already : who learns the same from the message about a graver alarm.
    """
    key = definition.key
    taken = step(definition, record.machine, command, now)
    messages, after_no, told = 0, None, told_already
    if taken.transitions:
        change = AlarmChange(record=record, definition=definition, machine=taken.machine, transitions=taken.transitions)
        if isinstance(command, Acknowledge) and record.machine.occurred_at is not None:
            cancel_calls(conn, record.id, record.machine.occurred_at, now, f"{command.who} has it")
        unread = Scene(tank=None, situation=RuleInput(at=now))
        before = sent_messages(conn, [record.id], now - HISTORY_SPAN).get(record.id, [])
        if isinstance(command, Decline):
            after_no = _after_no(conn, plant.alarms, change, before, now)
            routing = Routing(transition=taken.transitions[-1], tells=after_no.tells, silences=after_no.silences)
            decided: Sequence[Decided] = [Decided(change=change, scene=unread, routing=routing)]
        else:
            decided = decide(plant.alarms, change, unread, before, now)
        if any(one.routing.tells for one in decided):
            # Readings, cores and advice are read only for the words of a message.
            scene = scene_of(conn, plant, definition, now)
            if isinstance(command, Decline):
                scene = replace(scene, called=unanswered_calls(change.machine, before))
            decided = [replace(one, scene=scene) for one in decided]
        decided = [replace(one, routing=_without(one.routing, told_already)) for one in decided]
        told |= {tell.contact.name for one in decided for tell in one.routing.tells}
        messages = write(conn, plant.alarms, decided, now)
        save_alarms(conn, [(record.id, taken.machine)])
        audit(conn, actor, now, _ACTIONS[type(command)], key, _detail(taken.machine.code, command))
    log.info(
        "alarm command",
        alarm=key,
        command=type(command).__name__,
        via=actor.via,
        reason=taken.reason.value,
        told=messages,
    )
    done = Done(
        key=key,
        code=taken.machine.code,
        state=taken.machine.state,
        changed=bool(taken.transitions),
        reason=taken.reason,
        told=messages,
        actor=taken.machine.actor,
        after_no=after_no,
    )
    return taken, done, told


def _without(routing: Routing, told_already: frozenset[str]) -> Routing:
    """The routing without those who learn the same from another message."""
    twice = [tell for tell in routing.tells if tell.contact.name in told_already]
    return replace(
        routing,
        tells=tuple(tell for tell in routing.tells if tell not in twice),
        silences=(
            *routing.silences,
            *(Suppression(contact=tell.contact.name, reason=RouteReason.ANSWERED_TOGETHER) for tell in twice),
        ),
    )


def _after_no(
    conn: Connection, setup: AlarmSetup, change: AlarmChange, history: Sequence[SentMessage], now: datetime
) -> AfterNo:
    """Who is called because of a no; nobody about an alarm that another calls in the place of."""
    if grouped_alarms(conn, [change.record.id]):
        return AfterNo()
    return calls_after_no(setup.callout, change.definition, change.machine, history, now=now)


def _detail(code: str, command: Command) -> dict[str, str]:
    """What was said with a command, as the audit log keeps it."""
    said = {"code": code, **asdict(command)}
    return {word: str(said[word]) for word in ("code", "who", "note", "why", "until", "permit") if said.get(word)}


def _meant(found: list[AlarmRecord], name: str) -> str:
    standing = [record for record in found if record.machine.state is not AlarmState.NORMAL]
    candidates = standing or found
    if not candidates:
        raise InputError(f"no alarm has the code or key {name!r}; `underweir alarms` lists those that stand")
    if len(candidates) > 1:
        keys = ", ".join(record.key for record in candidates)
        raise InputError(f"code {name!r} is shared by {keys}; name the alarm by its key")
    return candidates[0].key
