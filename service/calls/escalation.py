"""Escalation policies: who is called next when nobody answers, per priority and time of day. Pure.

What was told is read back from the outbox, and every call has a key made of step and round; so the same moment decided
twice calls once, and a service that was away calls once for the present instead of catching up on every round missed.

Who said no with the code of the alarm is not called about that occurrence again while anybody else is left: they are awake
and have answered, and each further call tells them only to answer the same. A no without the code moves the calls on just
as fast, but may be a phone that answers by itself while its owner drives: they stay on the escalation. When everybody has said
no, a no counts no longer, and all are called.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, Priority
from service.alarms.machine import AlarmState, Machine
from service.calls.contact import Contact
from service.calls.duty import EVERY_DAY, Rota, on_duty
from service.calls.routing import MessageKind, Notification, RouteReason, SentMessage, Suppression, address_of


class Whom(StrEnum):
    """Who stands on a step."""

    DUTY = "duty"  #: whoever a rota says
    CONTACT = "contact"  #: a person by name
    EVERYBODY = "everybody"  #: everybody who answers for the tank


@dataclass(frozen=True, slots=True, kw_only=True)
class EscalationStep:
    """One step of an escalation: who is called how long after the alarm, how often again, and by which channels first."""

    after: timedelta
    whom: Whom
    name: str = ""  #: of the rota or the contact
    again_every: timedelta | None = None
    again_times: int = 0
    channels: tuple[str, ...] = ()  #: empty: as the person wants


@dataclass(frozen=True, slots=True, kw_only=True)
class EscalationPolicy:
    """Whom to call for alarms of some priorities, on some days and hours; steps in order of time."""

    key: str
    steps: tuple[EscalationStep, ...]
    priorities: frozenset[Priority] = frozenset(Priority)
    start: time | None = None  #: local; None: at any hour
    end: time | None = None
    weekdays: frozenset[int] = EVERY_DAY

    def holds(self, priority: Priority, at: datetime, zone: ZoneInfo) -> bool:
        """Whether this escalation is the one for an alarm of that priority that began at that time.

        The hours of an escalation that passes midnight belong to the weekday on which it began. Equal ends are a whole day, as in
        a rota.

        >>> night = EscalationPolicy(key="night", steps=(), start=time(22), end=time(6), weekdays=frozenset({4}))
        >>> zone = ZoneInfo("America/New_York")
        >>> night.holds(Priority.HIGH, datetime(2026, 1, 17, 2, tzinfo=zone), zone)  # Saturday, 2 o'clock
        True
        """
        if priority not in self.priorities:
            return False
        local = at.astimezone(UTC).astimezone(zone)
        if self.start is None or self.end is None:
            return local.weekday() in self.weekdays
        clock, day = local.time(), local.weekday()
        if self.start < self.end:
            return self.start <= clock < self.end and day in self.weekdays
        if clock >= self.start:
            return day in self.weekdays
        return clock < self.end and (day - 1) % 7 in self.weekdays


_NEW = Machine()


@dataclass(frozen=True, slots=True, kw_only=True)
class OnCall:
    """The people of a site and how they are called. Without escalations everybody who wants an alarm is told at once."""

    contacts: tuple[Contact, ...]
    zone: ZoneInfo
    rotas: tuple[Rota, ...] = ()
    escalations: tuple[EscalationPolicy, ...] = ()
    channels: frozenset[str] | None = None  #: what the service can send through; None: whatever people have

    def way(self, person: Contact) -> str | None:
        """The channel by which somebody is called; None for who has no address or channel that works."""
        ways = (c for c in person.channels if self.channels is None or c in self.channels)
        return next((c for c in ways if address_of(person, c)), None)

    def escalation(self, priority: Priority, at: datetime) -> EscalationPolicy | None:
        """The first escalation that holds."""
        return next((escalation for escalation in self.escalations if escalation.holds(priority, at, self.zone)), None)

    def first_called(
        self, definition: AlarmDefinition, at: datetime, machine: Machine = _NEW
    ) -> tuple[Contact, ...] | None:
        """Who is told when an alarm begins to call; None without an escalation.

        Whoever had it when it calls again, else the first step that has anybody on it who can be reached and did not say
        no; where nobody can be reached, the first that has anybody.
        """
        escalation = self.escalation(definition.priority, machine.occurred_at or at)
        if escalation is None:
            return None
        had_by = self.who_had_it(machine)
        if had_by is not None:
            return self._called((had_by,), ())
        out = self.said_no(definition, machine, at)
        steps = [self.on_step(step, definition, at) for step in escalation.steps]
        groups = [*steps, self._called(self.everybody(definition), ())]
        left = [people for group in groups if (people := tuple(c for c in group if c.name not in out))]
        reached = (people for people in left if any(self.way(c) for c in people))
        return next(reached, left[0] if left else ())

    def who_had_it(self, machine: Machine) -> Contact | None:
        """Whoever had acknowledged the alarm when it called again, where that is a contact."""
        name = machine.had_by.casefold()
        return next((c for c in self.contacts if c.name.casefold() == name), None)

    def said_no(
        self, definition: AlarmDefinition, machine: Machine, at: datetime, told: Sequence[SentMessage] = ()
    ) -> frozenset[str]:
        """Who is not called as they said no to this occurrence; nobody when nobody else is left who can be reached.

        Parameters
        ----------
        told : what was told of it: who was only sent what was refused for good cannot be reached.
        """
        declined = frozenset(machine.declined)
        gone = _unreached(told)
        left = (c for c in self.callable(definition, machine, at) if c.name not in declined and c.name not in gone)
        return declined if any(self.way(c) for c in left) else frozenset()

    def callable(self, definition: AlarmDefinition, machine: Machine, at: datetime) -> tuple[Contact, ...]:
        """Everybody who can be called about an alarm, in the order in which they are: step by step, then who is left."""
        escalation = self.escalation(definition.priority, machine.occurred_at or at)
        steps = () if escalation is None else escalation.steps
        found: dict[str, Contact] = {}
        for step in steps:
            for person in self.on_step(step, definition, at):
                found.setdefault(person.name, person)
        for person in self._called(self.everybody(definition), ()):
            found.setdefault(person.name, person)
        return tuple(found.values())

    def on_step(self, step: EscalationStep, definition: AlarmDefinition, at: datetime) -> tuple[Contact, ...]:
        """The people on one step at a time, with the channels to try in order."""
        match step.whom:
            case Whom.EVERYBODY:
                people = self.everybody(definition)
            case Whom.CONTACT:
                people = tuple(c for c in self.contacts if c.name == step.name)
            case Whom.DUTY:
                rota = next((rota for rota in self.rotas if rota.key == step.name), None)
                person = None if rota is None else on_duty(rota, at).person
                people = tuple(c for c in self.contacts if c.name == person)
        return self._called(people, step.channels)

    @staticmethod
    def _called(people: Sequence[Contact], channels: tuple[str, ...]) -> tuple[Contact, ...]:
        """People whom an escalation calls are called whatever priorities they asked for, and the escalation's way first."""
        return tuple(
            replace(
                person,
                priorities=tuple(Priority),
                tanks=(),
                channels=(*channels, *(c for c in person.channels if c not in channels)),
            )
            for person in people
        )

    def everybody(self, definition: AlarmDefinition) -> tuple[Contact, ...]:
        """Everybody who answers for the alarm's tank, whatever priorities they want: nobody else is left to call."""
        return tuple(c for c in self.contacts if c.answers_for(definition.tank))


def due_calls(
    callout: OnCall,
    definition: AlarmDefinition,
    machine: Machine,
    history: Sequence[SentMessage],
    *,
    now: datetime,
) -> tuple[tuple[Notification, ...], tuple[Suppression, ...]]:
    """Who has to be called now because nobody has answered, and who on a due step is not, with the reason.

    Only an alarm that stands unacknowledged climbs: one that was taken, has ended, or is kept quiet calls nobody.
    """
    if machine.state is not AlarmState.UNACKNOWLEDGED or machine.occurred_at is None:
        return (), ()
    escalation = callout.escalation(definition.priority, machine.occurred_at)
    steps = () if escalation is None else escalation.steps
    told = told_since_it_called(machine, history)
    calls = _Calls(callout, definition, machine, told, now)
    # Counted from when people were first told: an alarm found after an outage must not rush through its escalation.
    begin = min((t.at for t in told), default=now)
    had_by = callout.who_had_it(machine)
    if had_by is not None:
        begin += _OWNER_HEAD_START
    last_step_done = True
    for number, step in enumerate(steps):
        elapsed = now - begin - step.after
        if elapsed < timedelta(0):
            last_step_done = False
            break
        turn = 0
        if step.again_every is not None:
            turn = min(elapsed // step.again_every, step.again_times)
            last_step_done = last_step_done and turn == step.again_times
        if number == 0 and turn == 0 and had_by is None:
            continue  # that was the alarm message itself
        reason = RouteReason.NOBODY_ANSWERED if turn == 0 else RouteReason.ASKED_AGAIN
        for person in callout.on_step(step, definition, now):
            calls.call(person, f"step {number} round {turn}", reason)
    if last_step_done and definition.improve_within is not None and not calls.tells:
        # The escalation has an end, a danger has none: everybody, again and again.
        start = machine.called_since or machine.occurred_at
        last = max((t.at for t in told), default=start)
        every = min(definition.improve_within, definition.time_to_respond)
        if now - last >= every:
            calls.silences.clear()
            round_ = (now - start) // every
            for person in callout.callable(definition, machine, now):
                calls.call(person, f"after the escalation {round_}", RouteReason.ASKED_AGAIN)
    return tuple(calls.tells), tuple(calls.silences)


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterNo:
    """Who is called because somebody said no. ``nobody_left``: all had said no, so that all are called."""

    tells: tuple[Notification, ...] = ()
    silences: tuple[Suppression, ...] = ()
    nobody_new: bool = False  #: everybody who did not say no had been called before
    nobody_left: bool = False


def calls_after_no(
    callout: OnCall,
    definition: AlarmDefinition,
    machine: Machine,
    history: Sequence[SentMessage],
    *,
    now: datetime,
) -> AfterNo:
    """Who is called at once because somebody has just said no.

    The next step with somebody on it who has not been called; without one, whoever answers for the tank and has not been
    called; when all have been, all of them once more, but for those who said no while anybody else is left.

    Parameters
    ----------
    machine : where the alarm stands after the no.
    """
    if machine.state is not AlarmState.UNACKNOWLEDGED or machine.occurred_at is None:
        return AfterNo()
    escalation = callout.escalation(definition.priority, machine.occurred_at)
    told = told_since_it_called(machine, history)
    said = {*machine.declined, *machine.declined_without_code}
    had = {t.contact for t in told} | said
    groups = [callout.on_step(step, definition, now) for step in (() if escalation is None else escalation.steps)]
    everybody = callout.callable(definition, machine, now)
    gone = _unreached(told)
    rest = tuple(c for c in everybody if c.name not in said)
    left = tuple(c for c in rest if callout.way(c) and c.name not in gone)
    out = callout.said_no(definition, machine, now, told)
    nobody_left = bool(machine.declined) and not out
    name = f"after no {len(machine.declined) + len(machine.declined_without_code)}"
    tried: list[Suppression] = []
    for people, again in (*((group, False) for group in groups), (rest, False), (left or everybody, True)):
        calls = _Calls(callout, definition, machine, told, now)
        for person in people:
            if again or person.name not in had:
                calls.call(person, name, RouteReason.SOMEBODY_SAID_NO, just_told=False)
        if calls.tells:
            return AfterNo(
                tells=tuple(calls.tells), silences=tuple(calls.silences), nobody_new=again, nobody_left=nobody_left
            )
        tried = calls.silences
    return AfterNo(silences=tuple(tried), nobody_new=True, nobody_left=nobody_left)


#: Nobody is called twice within this time by two steps that meet.
_MIN_GAP = timedelta(minutes=4)
#: Whoever had an alarm that calls again has this long before the escalation begins anew.
_OWNER_HEAD_START = timedelta(minutes=5)


class _Calls:
    """Calls about one alarm, each person once."""

    def __init__(
        self,
        callout: OnCall,
        definition: AlarmDefinition,
        machine: Machine,
        told: Sequence[SentMessage],
        now: datetime,
    ) -> None:
        self.definition, self.machine, self.told, self.now, self.way = definition, machine, told, now, callout.way
        self.keys = {t.key for t in told}
        self.out = callout.said_no(definition, machine, now, told)
        self.tells: list[Notification] = []
        self.silences: list[Suppression] = []

    def call(self, person: Contact, name: str, reason: RouteReason, *, just_told: bool = True) -> None:
        """Call somebody under that name of step and round, or say why not; ``just_told``: not if told a moment ago."""
        channel = self.way(person)
        if channel is None:
            self.silences.append(Suppression(contact=person.name, reason=RouteReason.NO_CHANNEL))
            return
        if person.name in self.out:
            self.silences.append(Suppression(contact=person.name, reason=RouteReason.SAID_NO))
            return
        key = _key(self.definition, self.machine, name, person.name, channel)
        if key in self.keys:
            return
        just_now = just_told and any(t.contact == person.name and self.now - t.at < _MIN_GAP for t in self.told)
        if just_now or any(tell.contact.name == person.name for tell in self.tells):
            self.silences.append(Suppression(contact=person.name, reason=RouteReason.JUST_TOLD))
            return
        earlier = (t.key for t in self.told if t.contact == person.name and t.channel == channel)
        self.tells.append(
            Notification(
                contact=person,
                channel=channel,
                kind=MessageKind.ALARM,
                key=key,
                reason=reason,
                reply_to=next(earlier, None),
            )
        )


def _unreached(told: Sequence[SentMessage]) -> frozenset[str]:
    """Who was sent only what was refused for good."""
    return frozenset({t.contact for t in told if t.failed} - {t.contact for t in told if not t.failed})


def told_since_it_called(machine: Machine, history: Sequence[SentMessage]) -> list[SentMessage]:
    """The calls of this occurrence since it last began to call: what was called before somebody had it is spent."""
    told = [t for t in history if t.occurred_at == machine.occurred_at and t.kind is MessageKind.ALARM]
    since = machine.called_since
    return told if since is None or since == machine.occurred_at else [t for t in told if t.at >= since]


def _key(definition: AlarmDefinition, machine: Machine, name: str, contact: str, channel: str) -> str:
    since = machine.called_since or machine.occurred_at
    assert since is not None
    stamp = since.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    return "|".join((definition.key, stamp, "alarm", name, contact, channel))
