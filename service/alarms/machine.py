"""The alarm state machine of IEC 62682 / ISA-18.2, with the delays and the deadband of OPC UA Part 9 Annex B.

Pure: a state and an input at a time give the next state, the transitions taken, and a named reason — also for staying put.

Time. An input carries the time it speaks of. Readings arrive late, so an evaluation may speak of a moment before the last
one (``live`` evaluations at the present do not move the data clock), but nothing that speaks of a time before the last
change of state can change it again: the journal of one alarm never runs backwards.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from service.alarms.definition import AlarmDefinition
from service.alarms.rules import Condition, RuleResult

#: The person who shelved an alarm is warned this long before the shelf ends.
SHELF_WARNING = timedelta(minutes=15)


class AlarmState(StrEnum):
    """The states A to I of the standard's diagram."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B
    ACKNOWLEDGED = "acknowledged"  # C
    RETURNED = "returned, unacknowledged"  # D
    LATCHED_UNACKNOWLEDGED = "latched, unacknowledged"  # E
    LATCHED_ACKNOWLEDGED = "latched, acknowledged"  # F
    SHELVED = "shelved"  # G
    SUPPRESSED = "suppressed by design"  # H
    OUT_OF_SERVICE = "out of service"  # I


#: States in which nobody is told, though the condition is followed all the same.
QUIET = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
#: States that wait for somebody to acknowledge.
AWAITING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED})


class Event(StrEnum):
    """What happened to an alarm."""

    STARTED = "started"
    OCCURRED = "occurred"
    RETURNED = "returned to normal"
    ACKNOWLEDGED = "acknowledged"
    RE_ALARMED = "re-alarmed"
    RESET = "reset"
    SHELVED = "shelved"
    SHELF_ENDING = "shelf ends soon"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed by design"
    UNSUPPRESSED = "no longer suppressed"
    REMOVED = "removed from service"
    RESTORED = "returned to service"
    CALLED_FURTHER = "called further"
    DECLINED = "declined"
    UNFOLDED = "no longer folded"
    DEFINED = "defined"
    REDEFINED = "definition changed"
    UNDEFINED = "no longer defined"


#: Clocks that differ by less than this are right; what seems ahead by less waits until its time has come.
CLOCKS_DIFFER = timedelta(minutes=1)

#: Events after which an alarm calls for attention anew, where they lead to the unacknowledged state.
CALLING = frozenset({Event.OCCURRED, Event.RE_ALARMED, Event.UNSHELVED, Event.UNSUPPRESSED, Event.RESTORED})


class MachineReason(StrEnum):
    """Why the machine moved, or why it stayed."""

    # moved
    FIRST_LOOK = "first look"
    ABNORMAL_FOR_ON_DELAY = "abnormal for the whole on-delay"
    NORMAL_FOR_OFF_DELAY = "normal for the whole off-delay"
    BY_PERSON = "by a person"
    BY_DESIGN = "by design"
    SHELF_OVER = "shelf time over"
    SHELF_WARNING = "shelf time nearly over"
    STILL_ABNORMAL_AFTER_RE_ALARM_TIME = "still abnormal after the re-alarm time"
    NOT_BETTER_IN_TIME = "acknowledged, but not better in time"
    WORSE_SINCE = "acknowledged, but half of the clear water that was left then is gone"
    GIVEN_BACK = "given back by whoever had it"
    SAID_NO = "said no with its code"
    SAID_NO_WITHOUT_CODE = "said no without its code"
    ABNORMAL_AGAIN = "abnormal again before it was acknowledged"
    NOBODY_ANSWERED = "nobody answered"
    CAUSE_OVER = "its cause is over, but it still stands"
    # stayed
    STILL_NORMAL = "still normal"
    STILL_ABNORMAL = "still abnormal"
    ON_DELAY_RUNNING = "on-delay running"
    OFF_DELAY_RUNNING = "off-delay running"
    HELD_BY_DEADBAND = "held by the deadband"
    NOTHING_KNOWN = "nothing known, state kept"
    KEPT_QUIET = "kept quiet"
    WAITS_FOR_ACKNOWLEDGE = "waits for acknowledge"
    WAITS_FOR_RESET = "waits for reset"
    LATE = "speaks of a time already decided"
    NOTHING_TO_ACKNOWLEDGE = "nothing to acknowledge"
    ALREADY_ACKNOWLEDGED = "already acknowledged"
    ALREADY_DECLINED = "already declined"
    NOT_LATCHED = "not latched"
    ACKNOWLEDGE_FIRST = "acknowledge first"
    SHELF_TIME_PAST = "shelf time is not in the future"
    SHELF_TOO_LONG = "shelf time longer than the site allows"
    NOT_SHELVED = "not shelved"
    ALREADY_SUPPRESSED = "already suppressed by design"
    NOT_SUPPRESSED = "not suppressed"
    ALREADY_OUT_OF_SERVICE = "already out of service"
    NOT_OUT_OF_SERVICE = "not out of service"
    NAME_AND_REASON_NEEDED = "a name and a reason are needed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluate:
    """A rule's verdict. ``live`` marks a look at the present that later data may still correct."""

    verdict: RuleResult
    live: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge:
    """Somebody has it."""

    who: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decline:
    """Somebody cannot take it. Only with the code it is sure that they mean this occurrence, and that a person says so."""

    who: str
    with_code: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Reset:
    """Somebody lets a latched alarm go."""

    who: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve:
    """Somebody puts the alarm aside until a time; ``longest`` is the most the site allows."""

    who: str = ""
    why: str
    until: datetime
    longest: timedelta = timedelta(hours=12)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unshelve:
    """Somebody takes the alarm off the shelf."""

    who: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suppress:
    """Logic says the alarm means nothing now: the tank is empty, the instrument is being cleaned."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsuppress:
    """The logic no longer says so."""

    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RemoveFromService:
    """Somebody takes the alarm out of service for maintenance, with the permit or order that allows it."""

    who: str = ""
    why: str
    permit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReturnToService:
    """Somebody puts it back."""

    who: str = ""
    why: str = ""


#: What a person does. Without ``who`` it is refused.
Command = Acknowledge | Decline | Reset | Shelve | Unshelve | RemoveFromService | ReturnToService
Input = Evaluate | Suppress | Unsuppress | Command


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """Where one alarm stands. ``active`` is the condition after deadband and delays, followed also while quiet."""

    state: AlarmState = AlarmState.NORMAL
    since: datetime | None = None  #: of the state
    data_to: datetime | None = None  #: newest data evaluated
    active: bool = False
    on_since: datetime | None = None  #: on-delay runs since
    off_since: datetime | None = None  #: off-delay runs since
    code: str = ""  #: what a person types to speak of this occurrence
    occurred_at: datetime | None = None
    returned_at: datetime | None = None
    acknowledged_at: datetime | None = None
    called_since: datetime | None = None  #: when it last began to call: at its start, or when it called again
    had_by: str = ""  #: who had acknowledged it when it called again
    declined: tuple[str, ...] = ()  #: who said no to this occurrence with its code
    declined_without_code: tuple[str, ...] = ()  #: who said no since it last began to call, perhaps by a machine
    better_than: float | None = None  #: the value it must be better than when it is next looked back at
    best_since: float | None = None  #: the best value since, to about a quarter of the deadband
    better_at: datetime | None = None  #: when it was last found better after it was acknowledged
    actor: str = ""  #: who acknowledged, shelved or removed it
    why: str = ""
    shelved_until: datetime | None = None
    shelf_warned: bool = False
    value: float | None = None
    rule_reason: str = ""
    rule_detail: str = ""
    standing: str = ""  #: why it stands where it stands: the last look's reason

    @property
    def started(self) -> bool:
        """Whether the machine ever looked."""
        return self.since is not None

    def to_json(self) -> dict[str, Any]:
        """Plain values for a JSON column."""
        shown: dict[str, Any] = {}
        for name in self.__slots__:
            value = getattr(self, name)
            shown[name] = value.isoformat() if isinstance(value, datetime) else value
        return shown

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> Machine:
        """The machine that :meth:`to_json` wrote; an empty mapping is a machine that never looked."""
        known = {name: stored[name] for name in cls.__slots__ if name in stored}
        for name in _TIMES:
            if known.get(name) is not None:
                known[name] = datetime.fromisoformat(known[name])
        if "state" in known:
            known["state"] = AlarmState(known["state"])
        for name in ("declined", "declined_without_code"):
            known[name] = tuple(known.get(name, ()))
        return cls(**known)


_TIMES = (
    "since",
    "data_to",
    "on_since",
    "off_since",
    "occurred_at",
    "returned_at",
    "acknowledged_at",
    "called_since",
    "better_at",
    "shelved_until",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Transition:
    """One line of the journal."""

    at: datetime
    event: Event
    from_state: AlarmState
    to_state: AlarmState
    reason: MachineReason
    actor: str = ""
    note: str = ""
    code: str = ""
    occurred_at: datetime | None = None
    value: float | None = None
    rule_reason: str = ""
    rule_detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stepped:
    """What one input led to. ``reason`` is the last transition's, or why there was none."""

    machine: Machine
    reason: MachineReason
    transitions: tuple[Transition, ...] = ()

    @property
    def refused(self) -> bool:
        """Whether a person's command changed nothing."""
        return not self.transitions


def step(definition: AlarmDefinition, machine: Machine, given: Input, at: datetime) -> Stepped:
    """The next state of one alarm.

    Parameters
    ----------
    definition : delays, latching and re-alarm time.
    machine : where the alarm stands.
    given : a rule's verdict, or what a person or logic asks for.
    at : the time the input speaks of. A command stamped before the last change of state (two clocks) counts as at that
        change; an evaluation stamped before it is refused as late.
    """
    if isinstance(given, Evaluate):
        taken = _evaluate(definition, machine, given, at)
        if taken.reason is MachineReason.LATE:
            return taken
        return replace(taken, machine=replace(taken.machine, standing=str(taken.reason)))
    at = at if machine.since is None else max(at, machine.since)
    return _command(definition, replace(machine, since=machine.since or at), given, at)


def called_further(machine: Machine, at: datetime) -> Transition:
    """The journal's line when more people are called about an alarm that stands unanswered; its state stays."""
    return _transition(machine, machine, Event.CALLED_FURTHER, MachineReason.NOBODY_ANSWERED, at)


def unfolded(machine: Machine, at: datetime) -> Transition:
    """The journal's line when the cause an alarm was folded under is over and the alarm still stands; its state stays."""
    return _transition(machine, machine, Event.UNFOLDED, MachineReason.CAUSE_OVER, at)


CODE_ALPHABET, CODE_LENGTH = "BCDFGHJKMNPQRTVWXZ346789", 6


def occurrence_code(key: str, occurred_at: datetime) -> str:
    """Six characters that name one occurrence of one alarm, easy to read aloud and to type with a thumb.

    Consonants and digits only, without the look-alikes 0/O, 1/I/L, 5/S: no words, no doubt. 191,102,976 codes: whoever
    tries ten a second for eight hours finds one of three that stand open with 0.5 %. The time is the service's own, to
    the microsecond, and no message shows it in full: the code does not follow from what a message says.

    >>> from datetime import UTC
    >>> occurrence_code("east.high", datetime(2026, 1, 1, tzinfo=UTC)) == occurrence_code("east.high", datetime(2026, 1, 1, tzinfo=UTC))
    True
    """
    number = int.from_bytes(hashlib.sha256(f"{key}|{occurred_at.isoformat()}".encode()).digest()[:8])
    letters = []
    for _ in range(CODE_LENGTH):
        number, index = divmod(number, len(CODE_ALPHABET))
        letters.append(CODE_ALPHABET[index])
    return "".join(letters)


def _evaluate(definition: AlarmDefinition, machine: Machine, given: Evaluate, at: datetime) -> Stepped:
    taken: list[Transition] = []
    if given.live and machine.since is not None and _clock_was_set_back(machine, machine.since, at):
        machine = replace(machine, since=at)
    if machine.since is None:
        machine = replace(machine, since=at)
        taken.append(_transition(machine, machine, Event.STARTED, MachineReason.FIRST_LOOK, at))
    elif at < machine.since or (not given.live and machine.data_to is not None and at < machine.data_to):
        return Stepped(machine=machine, reason=MachineReason.LATE)
    if not given.live:
        machine = replace(machine, data_to=at)

    verdict = given.verdict
    machine = replace(machine, rule_reason=str(verdict.reason), rule_detail=verdict.detail, value=verdict.value)
    machine, reason = _follow(definition, machine, verdict.condition, at)

    until = machine.shelved_until
    if until is not None:
        if at >= until:
            machine = _move(taken, definition, machine, Event.UNSHELVED, MachineReason.SHELF_OVER, at, _awake(machine))
            return Stepped(machine=machine, reason=MachineReason.SHELF_OVER, transitions=tuple(taken))
        if at >= until - SHELF_WARNING and not machine.shelf_warned:
            machine = replace(machine, shelf_warned=True)
            taken.append(_transition(machine, machine, Event.SHELF_ENDING, MachineReason.SHELF_WARNING, at))
            return Stepped(machine=machine, reason=MachineReason.SHELF_WARNING, transitions=tuple(taken))
    if machine.state in QUIET:
        return Stepped(machine=machine, reason=MachineReason.KEPT_QUIET, transitions=tuple(taken))

    target = _after_evaluation(definition, machine, at)
    if target is None and _awaits_improvement(definition, machine):
        machine, call_again = _improvement(definition, machine, verdict, at)
        if call_again is not None:
            target = Event.RE_ALARMED, call_again, AlarmState.UNACKNOWLEDGED  # C -> B
    if target is None:
        return Stepped(machine=machine, reason=_standing(machine, reason), transitions=tuple(taken))
    event, reason, state = target
    machine = _move(taken, definition, machine, event, reason, at, state)
    return Stepped(machine=machine, reason=reason, transitions=tuple(taken))


def _clock_was_set_back(machine: Machine, since: datetime, at: datetime) -> bool:
    """Whether the last change lies ahead of the present, and no data speak of that time: a clock said so that was wrong.

    Every look would be late until the clock had caught up, and nobody would be called.
    """
    return since > at + CLOCKS_DIFFER and (machine.data_to is None or machine.data_to < since)


def _follow(
    definition: AlarmDefinition, machine: Machine, condition: Condition, at: datetime
) -> tuple[Machine, MachineReason]:
    """Deadband and delays: from the raw condition to the condition that counts."""
    if not machine.active:
        if condition is Condition.ABNORMAL or (condition is Condition.UNKNOWN and machine.on_since is not None):
            since = min(machine.on_since or at, at)
            if at - since >= definition.on_delay:
                return replace(machine, active=True, on_since=None), MachineReason.ABNORMAL_FOR_ON_DELAY
            return replace(machine, on_since=since), MachineReason.ON_DELAY_RUNNING
        if condition is Condition.UNKNOWN:
            return machine, MachineReason.NOTHING_KNOWN
        return replace(machine, on_since=None), MachineReason.STILL_NORMAL
    match condition:
        case Condition.NORMAL:
            since = min(machine.off_since or at, at)
            if at - since >= definition.off_delay:
                return replace(machine, active=False, off_since=None), MachineReason.NORMAL_FOR_OFF_DELAY
            return replace(machine, off_since=since), MachineReason.OFF_DELAY_RUNNING
        case Condition.UNKNOWN:
            return machine, MachineReason.NOTHING_KNOWN
        case Condition.DEADBAND:
            return replace(machine, off_since=None), MachineReason.HELD_BY_DEADBAND
        case Condition.ABNORMAL:
            return replace(machine, off_since=None), MachineReason.STILL_ABNORMAL


def _after_evaluation(
    definition: AlarmDefinition, machine: Machine, at: datetime
) -> tuple[Event, MachineReason, AlarmState] | None:
    """Where the standard's diagram leads from here, the condition being what it is."""
    state = machine.state
    if machine.active:
        if state is AlarmState.NORMAL:
            return Event.OCCURRED, MachineReason.ABNORMAL_FOR_ON_DELAY, AlarmState.UNACKNOWLEDGED  # A -> B
        if state in (AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED):
            return Event.RE_ALARMED, MachineReason.ABNORMAL_AGAIN, AlarmState.UNACKNOWLEDGED  # D -> B, E -> B
        if state is AlarmState.LATCHED_ACKNOWLEDGED:
            return Event.OCCURRED, MachineReason.ABNORMAL_FOR_ON_DELAY, AlarmState.UNACKNOWLEDGED  # F -> B
        if state is AlarmState.ACKNOWLEDGED and definition.re_alarm_after is not None:
            acknowledged = machine.acknowledged_at or machine.since or at
            if at - acknowledged >= definition.re_alarm_after:
                reason = MachineReason.STILL_ABNORMAL_AFTER_RE_ALARM_TIME
                return Event.RE_ALARMED, reason, AlarmState.UNACKNOWLEDGED  # C -> B
        return None
    if state is AlarmState.UNACKNOWLEDGED:
        latched = AlarmState.LATCHED_UNACKNOWLEDGED if definition.latching else AlarmState.RETURNED
        return Event.RETURNED, MachineReason.NORMAL_FOR_OFF_DELAY, latched  # B -> E, B -> D
    if state is AlarmState.ACKNOWLEDGED:
        latched = AlarmState.LATCHED_ACKNOWLEDGED if definition.latching else AlarmState.NORMAL
        return Event.RETURNED, MachineReason.NORMAL_FOR_OFF_DELAY, latched  # C -> F, C -> A
    return None


def _awaits_improvement(definition: AlarmDefinition, machine: Machine) -> bool:
    return definition.improve_within is not None and machine.active and machine.state is AlarmState.ACKNOWLEDGED


def _improvement(
    definition: AlarmDefinition, machine: Machine, verdict: RuleResult, at: datetime
) -> tuple[Machine, MachineReason | None]:
    """Follow an acknowledged alarm; with a reason when it got worse or not better in time, so that it has to call again.

    Worse is half of the clearance gone that was left at that first look, and at least the deadband: whoever answered at 4 ft is
    called at 2 ft, at 1 ft, and so on; not for what they knew when they answered.
    Better is a value higher by the deadband than at the first look after the acknowledgement, or than when it was last
    found better, and that has not lost as much again from the best in between. What nobody knows is not better. Looked
    back at again and again while it stands: one step forward does not end a danger for good.
    """
    known = None if verdict.condition is Condition.UNKNOWN else verdict.value
    step_up = definition.deadband
    if known is not None:
        if machine.better_than is None:
            machine = replace(machine, better_than=known, best_since=known)
        elif machine.best_since is None or known > machine.best_since + step_up / 4.0:
            machine = replace(machine, best_since=known)
        left = machine.better_than
        if left is not None and left > 0.0 and known <= min(left / 2.0, left - step_up):
            return machine, MachineReason.WORSE_SINCE
    since = machine.better_at or machine.acknowledged_at or machine.since or at
    assert definition.improve_within is not None
    if at - since < definition.improve_within:
        return machine, None
    better = verdict.condition is Condition.NORMAL or (
        known is not None
        and machine.better_than is not None
        and machine.best_since is not None
        and known > machine.better_than
        and known >= machine.better_than + step_up
        and known > machine.best_since - max(step_up, _TINY)
    )
    if not better:
        return machine, MachineReason.NOT_BETTER_IN_TIME
    return replace(machine, better_at=at, better_than=known, best_since=known), None


#: Values that differ by less are equal, where there is no deadband. [unit of the limit]
_TINY = 1e-9


def calls_again_at(definition: AlarmDefinition, machine: Machine) -> datetime | None:
    """When an acknowledged alarm that stands calls again if nothing gets better; None when it does not."""
    if machine.state is not AlarmState.ACKNOWLEDGED or machine.acknowledged_at is None:
        return None
    times = []
    if definition.re_alarm_after is not None:
        times.append(machine.acknowledged_at + definition.re_alarm_after)
    if definition.improve_within is not None:
        times.append((machine.better_at or machine.acknowledged_at) + definition.improve_within)
    return min(times, default=None)


def _standing(machine: Machine, followed: MachineReason) -> MachineReason:
    if machine.state in (AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED):
        return MachineReason.WAITS_FOR_ACKNOWLEDGE
    if machine.state is AlarmState.LATCHED_ACKNOWLEDGED:
        return MachineReason.WAITS_FOR_RESET
    return followed


def _command(
    definition: AlarmDefinition, machine: Machine, given: Command | Suppress | Unsuppress, at: datetime
) -> Stepped:
    taken: list[Transition] = []
    refusal = _refusal(machine, given, at)
    if refusal is not None:
        return Stepped(machine=machine, reason=refusal)
    match given:
        case Acknowledge(who=who, note=note):
            target = {
                AlarmState.UNACKNOWLEDGED: AlarmState.ACKNOWLEDGED,  # B -> C
                AlarmState.RETURNED: AlarmState.NORMAL,  # D -> A
                AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,  # E -> F
            }[machine.state]
            declined = tuple(name for name in machine.declined if name.casefold() != who.casefold())
            machine = replace(machine, acknowledged_at=at, declined=declined)
            event, reason = Event.ACKNOWLEDGED, MachineReason.BY_PERSON
        case Decline(who=who, with_code=with_code):
            note = ""
            if with_code:
                machine = replace(machine, declined=(*machine.declined, who))
            else:
                machine = replace(machine, declined_without_code=(*machine.declined_without_code, who))
            if machine.state is AlarmState.UNACKNOWLEDGED:  # stays, but the next person is called
                reason = MachineReason.SAID_NO if with_code else MachineReason.SAID_NO_WITHOUT_CODE
                line = _transition(machine, machine, Event.DECLINED, reason, at, actor=who)
                return Stepped(machine=machine, reason=reason, transitions=(line,))
            target, event, reason = AlarmState.UNACKNOWLEDGED, Event.RE_ALARMED, MachineReason.GIVEN_BACK  # C -> B
        case Reset(who=who, note=note):
            target, event, reason = AlarmState.NORMAL, Event.RESET, MachineReason.BY_PERSON  # F -> A
        case Shelve(who=who, why=note, until=until):
            machine = replace(machine, shelved_until=until, shelf_warned=False)
            target, event, reason = AlarmState.SHELVED, Event.SHELVED, MachineReason.BY_PERSON  # A..F -> G
        case Unshelve(who=who, why=note):
            target, event, reason = _awake(machine), Event.UNSHELVED, MachineReason.BY_PERSON  # G -> A, G -> B
        case Suppress(why=note):
            who = ""
            target, event, reason = AlarmState.SUPPRESSED, Event.SUPPRESSED, MachineReason.BY_DESIGN  # A..F -> H
        case Unsuppress(why=note):
            who = ""
            target, event, reason = _awake(machine), Event.UNSUPPRESSED, MachineReason.BY_DESIGN  # H -> A, H -> B
        case RemoveFromService(who=who, why=why, permit=permit):
            note = f"{why} (permit {permit})" if permit else why
            target, event, reason = AlarmState.OUT_OF_SERVICE, Event.REMOVED, MachineReason.BY_PERSON  # A..F -> I
        case ReturnToService(who=who, why=note):
            target, event, reason = _awake(machine), Event.RESTORED, MachineReason.BY_PERSON  # I -> A, I -> B
    machine = _move(taken, definition, machine, event, reason, at, target, actor=who, note=note)
    return Stepped(machine=machine, reason=reason, transitions=tuple(taken))


def _refusal(machine: Machine, given: Command | Suppress | Unsuppress, at: datetime) -> MachineReason | None:
    """Why a command can change nothing now; None when it can."""
    state = machine.state
    match given:
        case Acknowledge(who=who):
            if not who.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            if state in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED):
                return MachineReason.ALREADY_ACKNOWLEDGED
            return None if state in AWAITING else MachineReason.NOTHING_TO_ACKNOWLEDGE
        case Decline(who=who, with_code=with_code):
            if not who.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            if state is AlarmState.ACKNOWLEDGED:
                theirs = with_code and machine.actor.casefold() == who.casefold()
                return None if theirs else MachineReason.ALREADY_ACKNOWLEDGED
            if state is not AlarmState.UNACKNOWLEDGED:
                return MachineReason.NOTHING_TO_ACKNOWLEDGE
            known = machine.declined if with_code else (*machine.declined, *machine.declined_without_code)
            return MachineReason.ALREADY_DECLINED if who in known else None
        case Reset(who=who):
            if not who.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            if state is AlarmState.LATCHED_UNACKNOWLEDGED:
                return MachineReason.ACKNOWLEDGE_FIRST
            return None if state is AlarmState.LATCHED_ACKNOWLEDGED else MachineReason.NOT_LATCHED
        case Shelve(who=who, why=why, until=until, longest=longest):
            if not who.strip() or not why.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            if until <= at:
                return MachineReason.SHELF_TIME_PAST
            if until - at > longest:
                return MachineReason.SHELF_TOO_LONG
            # The standard's diagram shelves from A to F; that a shelved alarm may be shelved anew is our choice.
            return _quiet_refusal(state)
        case Unshelve(who=who):
            if not who.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            return None if state is AlarmState.SHELVED else MachineReason.NOT_SHELVED
        case Suppress():
            return _quiet_refusal(state)
        case Unsuppress():
            return None if state is AlarmState.SUPPRESSED else MachineReason.NOT_SUPPRESSED
        case RemoveFromService(who=who, why=why):
            if not who.strip() or not why.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            return MachineReason.ALREADY_OUT_OF_SERVICE if state is AlarmState.OUT_OF_SERVICE else None
        case ReturnToService(who=who):
            if not who.strip():
                return MachineReason.NAME_AND_REASON_NEEDED
            return None if state is AlarmState.OUT_OF_SERVICE else MachineReason.NOT_OUT_OF_SERVICE
    return None


def _quiet_refusal(state: AlarmState) -> MachineReason | None:
    return {
        AlarmState.SUPPRESSED: MachineReason.ALREADY_SUPPRESSED,
        AlarmState.OUT_OF_SERVICE: MachineReason.ALREADY_OUT_OF_SERVICE,
    }.get(state)


def _awake(machine: Machine) -> AlarmState:
    """Where shelf, suppression and maintenance lead back to: B when the condition is abnormal, else A."""
    return AlarmState.UNACKNOWLEDGED if machine.active else AlarmState.NORMAL


def _move(
    taken: list[Transition],
    definition: AlarmDefinition,
    machine: Machine,
    event: Event,
    reason: MachineReason,
    at: datetime,
    target: AlarmState,
    *,
    actor: str = "",
    note: str = "",
) -> Machine:
    before = machine
    machine = replace(machine, state=target, since=at)
    if target is AlarmState.UNACKNOWLEDGED:
        had = event is Event.RE_ALARMED and before.state is AlarmState.ACKNOWLEDGED
        had_by = before.actor if had and reason is not MachineReason.GIVEN_BACK else ""
        machine = replace(
            machine, returned_at=None, acknowledged_at=None, called_since=at, had_by=had_by, declined_without_code=()
        )
        if not had:
            # "Since" is when it became abnormal this time, not when it first did and nobody answered.
            machine = replace(machine, occurred_at=at, declined=())
        if event is not Event.RE_ALARMED or had:
            # Also when an alarm comes off the shelf into an abnormal condition: nobody has it any more. A code that was
            # told and never answered stays good, so that an answer to an older message counts; one that was answered
            # does not, so that neither that answer come again nor a link of that time takes the alarm once more.
            machine = replace(machine, code=occurrence_code(definition.key, at))
    if event is Event.ACKNOWLEDGED:
        machine = replace(machine, better_than=None, best_since=None, better_at=None, had_by="")
    if event is Event.RETURNED:
        machine = replace(machine, returned_at=at)
    if target is not AlarmState.SHELVED:
        machine = replace(machine, shelved_until=None)
    if event is not Event.RETURNED:
        machine = replace(machine, actor=actor, why=note)
    taken.append(_transition(before, machine, event, reason, at, actor=actor, note=note))
    return machine


def _transition(
    before: Machine,
    after: Machine,
    event: Event,
    reason: MachineReason,
    at: datetime,
    *,
    actor: str = "",
    note: str = "",
) -> Transition:
    return Transition(
        at=at,
        event=event,
        from_state=before.state,
        to_state=after.state,
        reason=reason,
        actor=actor,
        note=note,
        code=after.code,
        occurred_at=after.occurred_at,
        value=after.value,
        rule_reason=after.rule_reason,
        rule_detail=after.rule_detail,
    )
