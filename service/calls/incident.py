"""One incident of a tank: the alarms on its rising blanket, told as one conversation and answered once until it gets worse. Pure.

Each alarm keeps its own state, code and journal, as ISA-18.2 has it; what they share is the call.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import AlarmState, Machine
from service.calls.routing import SentMessage

#: How bad an alarm on a rising blanket is; a graver one calls whatever was answered before.
GRAVITY = {AlarmKind.RATE: 0, AlarmKind.TIME_TO_DANGER: 1, AlarmKind.HIGH: 2, AlarmKind.HIGH_HIGH: 3}

Standing = tuple[AlarmDefinition, Machine]


def of_incident(definition: AlarmDefinition, others: Iterable[AlarmDefinition]) -> tuple[AlarmDefinition, ...]:
    """The other alarms of the same tank that belong to one incident with this one."""
    if definition.kind not in GRAVITY or definition.tank is None:
        return ()
    return tuple(d for d in others if d.kind in GRAVITY and d.tank == definition.tank and d.key != definition.key)


def answered_with(answered: AlarmDefinition, had: Machine, others: Sequence[Standing]) -> tuple[str, ...]:
    """Which of the tank's unanswered alarms an answer to this one covers, by key.

    Only those that say less, and that whoever answered could know of: they called no later than the alarm that was answered,
    whose message names them, or are not told beside a danger at all.

    Parameters
    ----------
    had : the alarm answered, as it stood when it was.
    """
    return tuple(
        d.key
        for d, machine in _lesser(answered, others)
        if machine.active
        and machine.state is AlarmState.UNACKNOWLEDGED
        and (
            answered.kind is AlarmKind.HIGH_HIGH
            or (
                machine.called_since is not None
                and had.called_since is not None
                and machine.called_since <= had.called_since
            )
        )
    )


def given_back_with(given_back: AlarmDefinition, had: Machine, others: Sequence[Standing]) -> tuple[str, ...]:
    """Which alarms go back with this one, by key: those that the same answer covered."""
    return tuple(
        d.key
        for d, machine in _lesser(given_back, others)
        if machine.state is AlarmState.ACKNOWLEDGED
        and had.state is AlarmState.ACKNOWLEDGED
        and (machine.actor, machine.acknowledged_at) == (had.actor, had.acknowledged_at)
    )


def first_message(told: Iterable[tuple[Machine, SentMessage]], contact: str, channel: str) -> str | None:
    """Key of the message that began the conversation with somebody about the alarms that stand; None where there is none."""
    ours = [
        message
        for machine, message in told
        if (message.contact, message.channel) == (contact, channel)
        and machine.occurred_at is not None
        and message.occurred_at == machine.occurred_at
    ]
    return min(ours, key=lambda message: message.at).key if ours else None


def _lesser(definition: AlarmDefinition, others: Sequence[Standing]) -> list[Standing]:
    if definition.kind not in GRAVITY:
        return []
    gravity = GRAVITY[definition.kind]
    return [
        (d, machine)
        for d, machine in others
        if d.tank == definition.tank and d.key != definition.key and GRAVITY.get(d.kind, gravity) < gravity
    ]
