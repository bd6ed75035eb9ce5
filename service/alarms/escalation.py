"""Who is called next when nobody answers: one ladder per priority and time of day. Pure.

What was told is read back from the outbox, and every call has a key made of rung and round; so the same moment decided
twice calls once, and a service that was away calls once for the present instead of catching up on every round missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.alarms.contact import Contact
from service.alarms.definition import AlarmDefinition, Priority
from service.alarms.duty import Rota, on_duty
from service.alarms.machine import AlarmState, Machine
from service.alarms.routing import MessageKind, RouteReason, Silence, Tell, Told, address_of


class Whom(StrEnum):
    """Who stands on a rung."""

    DUTY = "duty"  #: whoever a rota says
    CONTACT = "contact"  #: a person by name
    EVERYBODY = "everybody"  #: everybody who answers for the tank


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One step of a ladder: who is called how long after the alarm, how often again, and by which channels first."""

    after: timedelta
    whom: Whom
    name: str = ""  #: of the rota or the contact
    again_every: timedelta | None = None
    again_times: int = 0
    channels: tuple[str, ...] = ()  #: empty: as the person wants


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """Whom to call for alarms of some priorities, on some days and hours; rungs in order of time."""

    key: str
    rungs: tuple[Rung, ...]
    priorities: frozenset[Priority] = frozenset(Priority)
    start: time | None = None  #: local; None: at any hour
    end: time | None = None
    weekdays: frozenset[int] = frozenset(range(7))

    def holds(self, priority: Priority, at: datetime, zone: ZoneInfo) -> bool:
        """Whether this ladder is the one for an alarm of that priority that began at that time.

        The hours of a ladder that passes midnight belong to the weekday on which it began.

        >>> night = Ladder(key="night", rungs=(), start=time(22), end=time(6), weekdays=frozenset({4}))
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
        if self.start <= self.end:
            return self.start <= clock < self.end and day in self.weekdays
        if clock >= self.start:
            return day in self.weekdays
        return clock < self.end and (day - 1) % 7 in self.weekdays


@dataclass(frozen=True, slots=True, kw_only=True)
class Callout:
    """The people of a site and how they are called. Without ladders everybody who wants an alarm is told at once."""

    contacts: tuple[Contact, ...]
    zone: ZoneInfo
    rotas: tuple[Rota, ...] = ()
    ladders: tuple[Ladder, ...] = ()

    def ladder(self, priority: Priority, at: datetime) -> Ladder | None:
        """The first ladder that holds."""
        return next((ladder for ladder in self.ladders if ladder.holds(priority, at, self.zone)), None)

    def first_called(self, definition: AlarmDefinition, at: datetime) -> tuple[Contact, ...] | None:
        """Who is told when an alarm begins: the first rung that has anybody on it; None without a ladder."""
        ladder = self.ladder(definition.priority, at)
        if ladder is None:
            return None
        for rung in ladder.rungs:
            people = self.on_rung(rung, definition, at)
            if people:
                return people
        return self._called(self.everybody(definition), ())

    def on_rung(self, rung: Rung, definition: AlarmDefinition, at: datetime) -> tuple[Contact, ...]:
        """The people on one rung at a time, with the channels to try in order."""
        match rung.whom:
            case Whom.EVERYBODY:
                people = self.everybody(definition)
            case Whom.CONTACT:
                people = tuple(c for c in self.contacts if c.name == rung.name)
            case Whom.DUTY:
                rota = next((rota for rota in self.rotas if rota.key == rung.name), None)
                person = None if rota is None else on_duty(rota, at).person
                people = tuple(c for c in self.contacts if c.name == person)
        return self._called(people, rung.channels)

    @staticmethod
    def _called(people: Sequence[Contact], channels: tuple[str, ...]) -> tuple[Contact, ...]:
        """People whom a ladder calls are called whatever priorities they asked for, and the ladder's way first."""
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
        return tuple(c for c in self.contacts if definition.tank is None or not c.tanks or definition.tank in c.tanks)


def due_calls(
    callout: Callout,
    definition: AlarmDefinition,
    machine: Machine,
    history: Sequence[Told],
    *,
    now: datetime,
    channels: frozenset[str],
) -> tuple[tuple[Tell, ...], tuple[Silence, ...]]:
    """Who has to be called now because nobody has answered, and who on a due rung is not, with the reason.

    Only an alarm that stands unacknowledged climbs: one that was taken, has ended, or is kept quiet calls nobody.
    """
    started = machine.occurred_at
    if machine.state is not AlarmState.UNACKNOWLEDGED or started is None:
        return (), ()
    ladder = callout.ladder(definition.priority, started)
    if ladder is None:
        return (), ()
    # Counted from when people were first told: an alarm found after an outage must not rush through its ladder.
    told = [t for t in history if t.occurred_at == started and t.kind is MessageKind.ALARM]
    begin = min((t.at for t in told), default=now)
    keys = {t.key for t in told}
    tells: list[Tell] = []
    silences: list[Silence] = []
    for number, rung in enumerate(ladder.rungs):
        elapsed = now - begin - rung.after
        if elapsed < timedelta(0):
            break
        turn = 0
        if rung.again_every is not None:
            turn = min(elapsed // rung.again_every, rung.again_times)
        if number == 0 and turn == 0:
            continue  # that was the alarm message itself
        for person in callout.on_rung(rung, definition, now):
            channel = next((c for c in person.channels if c in channels and address_of(person, c)), None)
            if channel is None:
                silences.append(Silence(contact=person.name, reason=RouteReason.NO_CHANNEL))
                continue
            key = _key(definition, machine, number, turn, person.name, channel)
            if key in keys:
                continue
            just_now = any(t.contact == person.name and now - t.at < _BREATH for t in told)
            if just_now or any(tell.contact.name == person.name for tell in tells):
                silences.append(Silence(contact=person.name, reason=RouteReason.JUST_TOLD))
                continue
            reason = RouteReason.NOBODY_ANSWERED if turn == 0 else RouteReason.ASKED_AGAIN
            keys.add(key)
            tells.append(
                Tell(
                    contact=person,
                    channel=channel,
                    kind=MessageKind.ALARM,
                    key=key,
                    reason=reason,
                    reply_to=next((t.key for t in told if t.contact == person.name and t.channel == channel), None),
                )
            )
    return tuple(tells), tuple(silences)


#: Nobody is called twice within this time by two rungs that meet.
_BREATH = timedelta(minutes=4)


def _key(definition: AlarmDefinition, machine: Machine, rung: int, turn: int, contact: str, channel: str) -> str:
    assert machine.occurred_at is not None
    occurred = machine.occurred_at.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    return "|".join((definition.key, occurred, "alarm", f"rung {rung} round {turn}", contact, channel))
