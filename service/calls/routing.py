"""Decides who is notified of a transition, and why the others are not. Pure.

One pass over late data may bring an alarm and its end together, or days of the past after an outage. People are told about
the present: once, and with the end in the same message when it is already over.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import CALLING, QUIET, AlarmState, Event, Machine, MachineReason, Transition
from service.calls.contact import Contact

#: What was over before anybody could be told is still told if it ended this recently.
TELL_WITHIN = timedelta(minutes=30)
#: An alarm told this often in an hour comes and goes: its ends are no longer told, and it is repeated only now and then.
CHATTERING_TOLD = 3
REPEAT_AFTER = timedelta(minutes=15)
#: What somebody was told of an earlier occurrence is on their mind this long.
REMEMBERED = timedelta(hours=12)


class MessageKind(StrEnum):
    """What a message says."""

    ALARM = "alarm"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    SHELF_ENDING = "shelf ending"


class RouteReason(StrEnum):
    """Why somebody is told, or why not."""

    # told
    NEW_ALARM = "new alarm"
    ABNORMAL_AGAIN = "abnormal again"
    NOT_DEALT_WITH = "acknowledged, but still abnormal"
    NOT_BETTER = "acknowledged, but not better in time"
    WORSE = "acknowledged, but worse since"
    GIVEN_BACK = "whoever had it gave it back"
    ABNORMAL_AFTER_QUIET = "abnormal when the quiet ended"
    CAUSE_OVER = "the cause it was folded under is over, but it still stands"
    OVER_ALREADY = "was abnormal, is over already"
    WAS_TOLD_OF_ALARM = "was told of the alarm"
    SOMEBODY_HAS_IT = "somebody else has it"
    SHELF_ENDING = "shelf ends soon"
    # silent
    FIRST_LOOK = "first look"
    LATER_EVENT_TOLD = "a later event of the same pass counts"
    OVER_BEFORE_TOLD = "over long before anybody could be told"
    TOLD_WITH_ALARM = "told in the alarm message itself"
    COVERED = "covered by a graver alarm of the same tank"
    FOLDED = "folded under the cause it shares with other tanks"
    COMES_AND_GOES = "comes and goes, told often enough"
    NOBODY_WAS_TOLD = "nobody was told of the alarm"
    TOLD_CLEARED_ALREADY = "was told it cleared"
    DID_IT_THEMSELVES = "did it themselves"
    BY_A_PERSON = "a person did it and knows"
    ANSWERED_TOGETHER = "learns it from the message about the graver alarm"
    BY_DESIGN = "quiet by design"
    NOT_THEIRS = "not their tank or priority"
    NO_CHANNEL = "no way to reach them that this service can use"
    NO_CONTACT = "nobody to tell"
    # when nobody answers
    NOBODY_ANSWERED = "nobody answered before"
    ASKED_AGAIN = "did not answer yet"
    JUST_TOLD = "was told a moment ago"
    SOMEBODY_SAID_NO = "somebody else said no"
    SAID_NO = "said no, and others are left"
    # when a message could not be handed over
    OTHER_WAY = "could not be reached the first way"
    INSTEAD_OF_OTHER = "the person told first could not be reached"


@dataclass(frozen=True, slots=True, kw_only=True)
class SentMessage:
    """A message that was put on its way earlier."""

    contact: str
    channel: str
    kind: MessageKind
    at: datetime
    occurred_at: datetime | None
    key: str
    failed: bool = False  #: refused for good


@dataclass(frozen=True, slots=True, kw_only=True)
class Notification:
    """Put one message on its way. The same decision made twice has the same ``key``."""

    contact: Contact
    channel: str
    kind: MessageKind
    key: str
    reason: RouteReason
    reply_to: str | None = None  #: key of the first message of the same incident to the same person


@dataclass(frozen=True, slots=True, kw_only=True)
class Suppression:
    """Do not tell, and why; ``contact`` is None when the reason holds for everybody."""

    contact: str | None
    reason: RouteReason


@dataclass(frozen=True, slots=True, kw_only=True)
class Routing:
    """What one transition leads to."""

    transition: Transition
    tells: tuple[Notification, ...] = ()
    silences: tuple[Suppression, ...] = ()


def route(
    transitions: Sequence[Transition],
    machine: Machine,
    definition: AlarmDefinition,
    contacts: Sequence[Contact],
    history: Sequence[SentMessage],
    *,
    now: datetime,
    channels: frozenset[str],
    covered_by: AlarmDefinition | None = None,
    folded_under: AlarmDefinition | None = None,
    first_called: Sequence[Contact] | None = None,
) -> tuple[Routing, ...]:
    """One routing per transition of one alarm in one pass.

    Parameters
    ----------
    transitions : in the order taken.
    machine : where the alarm stands after them.
    contacts : everybody of the site, in the order of the site file.
    history : what was told about this alarm before.
    channels : what this service can send through.
    covered_by : a graver alarm of the same tank that is active and tells the same story; silences this one for those
        who are told of the graver one.
    folded_under : an active cause shared by several tanks that calls people itself; see :mod:`service.alarms.grouping`.
    """
    raised = _last(transitions, _raises)
    ended = _last(transitions, lambda t: t.event is Event.RETURNED)
    over_already = raised is not None and ended is not None and ended > raised
    routings = []
    for index, transition in enumerate(transitions):
        silent: RouteReason | None = None
        if _raises(transition):
            if index != raised:
                silent = RouteReason.LATER_EVENT_TOLD
            elif over_already and ended is not None and now - transitions[ended].at > TELL_WITHIN:
                silent = RouteReason.OVER_BEFORE_TOLD
            elif machine.state in QUIET:
                silent = RouteReason.BY_A_PERSON
        elif transition.event is Event.RETURNED:
            if raised is not None and index < raised:
                silent = RouteReason.LATER_EVENT_TOLD
            elif over_already:
                silent = RouteReason.TOLD_WITH_ALARM
        if silent is not None:
            routings.append(_silence(transition, silent))
            continue
        routings.append(
            _route_one(
                transition,
                definition,
                contacts,
                history,
                now=now,
                channels=channels,
                over=over_already,
                covered_by=covered_by,
                folded_under=folded_under,
                first_called=first_called,
            )
        )
    return tuple(routings)


def failover(
    definition: AlarmDefinition,
    contacts: Sequence[Contact],
    failed: SentMessage,
    history: Sequence[SentMessage],
    channels: frozenset[str],
) -> Notification | None:
    """Who is told when a message could not be handed over: the same person another way, else the next person.

    Those who would be told of such an alarm anyway come first; failing them, anybody who answers for the tank.
    None when everybody was tried.
    """
    tried = {(told.contact, told.channel) for told in history if told.occurred_at == failed.occurred_at}
    tried.add((failed.contact, failed.channel))
    told_already = {contact for contact, _ in tried}
    same = [contact for contact in contacts if contact.name == failed.contact]
    theirs = [c for c in contacts if c.name not in told_already and c.receives(definition.tank, definition.priority)]
    others = [c for c in contacts if c.name not in told_already and c.answers_for(definition.tank)]
    for contact in (*same, *theirs, *others):
        for channel in contact.channels:
            if channel in channels and address_of(contact, channel) and (contact.name, channel) not in tried:
                reason = RouteReason.OTHER_WAY if contact.name == failed.contact else RouteReason.INSTEAD_OF_OTHER
                key = f"{failed.key}{_INSTEAD}{contact.name}|{channel}"
                return Notification(contact=contact, channel=channel, kind=failed.kind, key=key, reason=reason)
    return None


_INSTEAD = "|instead|"


def is_failover_of(key: str, failed: str) -> bool:
    """Whether a message was put on its way because another could not be handed over.

    >>> is_failover_of("a|b|instead|Sam|sms", "a|b"), is_failover_of("a|b|instead|Sam|sms|instead|Kim|sms", "a|b")
    (True, True)
    >>> is_failover_of("a|bc|instead|Sam|sms", "a|b")
    False
    """
    return key.startswith(failed + _INSTEAD)


def covering(definition: AlarmDefinition, active: Sequence[AlarmDefinition]) -> AlarmDefinition | None:
    """An active alarm of the same tank that already tells what *definition* would tell, and worse.

    Consequences fold under their cause: a high blanket under the danger limit passed, a sensor whose source is down under
    that connector.
    """
    graver = _COVERED_BY.get(definition.kind, frozenset())
    for other in active:
        if other.tank == definition.tank and other.kind in graver:
            return other
    return None


_COVERED_BY: dict[AlarmKind, frozenset[AlarmKind]] = {
    AlarmKind.HIGH: frozenset({AlarmKind.HIGH_HIGH}),
    AlarmKind.TIME_TO_DANGER: frozenset({AlarmKind.HIGH_HIGH}),
    AlarmKind.RATE: frozenset({AlarmKind.HIGH_HIGH, AlarmKind.HIGH}),
    AlarmKind.READS_HIGH: frozenset({AlarmKind.HIGH_HIGH}),
}


def message_key(
    definition: AlarmDefinition, transition: Transition, kind: MessageKind, contact: str, channel: str
) -> str:
    """The same for the same event, person and channel, however often it is decided."""
    occurred = "" if transition.occurred_at is None else _stamp(transition.occurred_at)
    return "|".join((definition.key, occurred, str(kind), _stamp(transition.at), contact, channel))


def _stamp(time: datetime) -> str:
    return time.astimezone(UTC).strftime("%Y%m%dT%H%M%S.%fZ")


def _raises(transition: Transition) -> bool:
    calls = transition.event in CALLING or transition.event is Event.UNFOLDED
    return transition.to_state is AlarmState.UNACKNOWLEDGED and calls


def _last(transitions: Sequence[Transition], wanted: Callable[[Transition], bool]) -> int | None:
    found = [index for index, transition in enumerate(transitions) if wanted(transition)]
    return found[-1] if found else None


def _silence(transition: Transition, reason: RouteReason) -> Routing:
    return Routing(transition=transition, silences=(Suppression(contact=None, reason=reason),))


def _route_one(
    transition: Transition,
    definition: AlarmDefinition,
    contacts: Sequence[Contact],
    history: Sequence[SentMessage],
    *,
    now: datetime,
    channels: frozenset[str],
    over: bool,
    covered_by: AlarmDefinition | None,
    folded_under: AlarmDefinition | None,
    first_called: Sequence[Contact] | None,
) -> Routing:
    kind = _kind_of(transition)
    if kind is None:
        return _silence(transition, _QUIET_EVENT.get(transition.event, RouteReason.BY_A_PERSON))
    if kind is MessageKind.ALARM and first_called is not None:
        contacts = first_called
    if not contacts:
        return _silence(transition, RouteReason.NO_CONTACT)
    tells: list[Notification] = []
    silences: list[Suppression] = []
    for contact in contacts:
        mine = sorted((told for told in history if told.contact == contact.name), key=lambda told: told.at)
        reason = _for_contact(transition, kind, definition, contact, mine, now=now, over=over)
        told_of_graver = covered_by is not None and contact.receives(covered_by.tank, covered_by.priority)
        if kind is MessageKind.ALARM and told_of_graver and reason in _TELLING:
            reason = RouteReason.COVERED
        # An escalation calls people whatever they asked for, for the cause as well.
        told_of_cause = folded_under is not None and (
            first_called is not None or contact.receives(folded_under.tank, folded_under.priority)
        )
        if kind is MessageKind.ALARM and told_of_cause and reason in _TELLING:
            reason = RouteReason.FOLDED
        # The end and the answer go where the alarm went.
        heard = [t.channel for t in reversed(mine) if t.kind is MessageKind.ALARM and kind is not MessageKind.ALARM]
        ways = (*heard[:1], *contact.channels)
        channel = next((c for c in ways if c in channels and address_of(contact, c)), None)
        if reason in _TELLING and channel is None:
            reason = RouteReason.NO_CHANNEL
        if reason not in _TELLING or channel is None:
            silences.append(Suppression(contact=contact.name, reason=reason))
            continue
        tells.append(
            Notification(
                contact=contact,
                channel=channel,
                kind=kind,
                key=message_key(definition, transition, kind, contact.name, channel),
                reason=reason,
                reply_to=next(
                    (
                        told.key
                        for told in mine
                        if told.channel == channel and told.occurred_at == transition.occurred_at
                    ),
                    None,
                ),
            )
        )
    return Routing(transition=transition, tells=tuple(tells), silences=tuple(silences))


def address_of(contact: Contact, channel: str) -> str | None:
    """Where that channel reaches the contact."""
    match channel:
        case "email":
            return contact.email
        case "sms":
            return contact.phone
        case "webhook":
            return contact.webhook
    return contact.name  # whatever stands behind another channel knows people by name


def _kind_of(transition: Transition) -> MessageKind | None:
    if _raises(transition):
        return MessageKind.ALARM
    return {
        Event.RETURNED: MessageKind.CLEARED,
        Event.ACKNOWLEDGED: MessageKind.ACKNOWLEDGED,
        Event.SHELF_ENDING: MessageKind.SHELF_ENDING,
    }.get(transition.event)


_QUIET_EVENT = {
    Event.STARTED: RouteReason.FIRST_LOOK,
    Event.SUPPRESSED: RouteReason.BY_DESIGN,
    Event.UNSUPPRESSED: RouteReason.BY_DESIGN,
}
_TELLING = frozenset(
    {
        RouteReason.NEW_ALARM,
        RouteReason.ABNORMAL_AGAIN,
        RouteReason.NOT_DEALT_WITH,
        RouteReason.NOT_BETTER,
        RouteReason.WORSE,
        RouteReason.GIVEN_BACK,
        RouteReason.ABNORMAL_AFTER_QUIET,
        RouteReason.CAUSE_OVER,
        RouteReason.OVER_ALREADY,
        RouteReason.WAS_TOLD_OF_ALARM,
        RouteReason.SOMEBODY_HAS_IT,
        RouteReason.SHELF_ENDING,
    }
)


def _for_contact(
    transition: Transition,
    kind: MessageKind,
    definition: AlarmDefinition,
    contact: Contact,
    mine: Sequence[SentMessage],
    *,
    now: datetime,
    over: bool,
) -> RouteReason:
    lately = [told for told in mine if told.kind is MessageKind.ALARM and now - told.at <= timedelta(hours=1)]
    # Being called several times about one occurrence, as an escalation does, is not coming and going.
    chatters = len({told.occurred_at for told in lately}) >= CHATTERING_TOLD
    words = [
        told.kind
        for told in mine
        if told.kind in (MessageKind.ALARM, MessageKind.CLEARED)
        and (told.occurred_at == transition.occurred_at or now - told.at <= REMEMBERED)
    ]
    last_word = words[-1] if words else None
    match kind:
        case MessageKind.ALARM:
            if not contact.receives(definition.tank, definition.priority):
                return RouteReason.NOT_THEIRS
            # Silence only while the last word they had was "alarm", so that they never believe an end that is gone.
            if chatters and last_word is MessageKind.ALARM and now - lately[-1].at < REPEAT_AFTER:
                return RouteReason.COMES_AND_GOES
            return RouteReason.OVER_ALREADY if over else _why_raised(transition)
        case MessageKind.CLEARED:
            if last_word is None:
                return RouteReason.NOBODY_WAS_TOLD
            if last_word is MessageKind.CLEARED:
                return RouteReason.TOLD_CLEARED_ALREADY
            return RouteReason.COMES_AND_GOES if chatters else RouteReason.WAS_TOLD_OF_ALARM
        case MessageKind.ACKNOWLEDGED:
            if contact.name.casefold() == transition.actor.casefold():
                return RouteReason.DID_IT_THEMSELVES
            if last_word is None:
                return RouteReason.NOBODY_WAS_TOLD
            if transition.from_state is not AlarmState.UNACKNOWLEDGED:
                return RouteReason.TOLD_CLEARED_ALREADY
            return RouteReason.SOMEBODY_HAS_IT
        case MessageKind.SHELF_ENDING:
            if not contact.receives(definition.tank, definition.priority):
                return RouteReason.NOT_THEIRS
            return RouteReason.SHELF_ENDING


_WHY_CALLED_AGAIN = {
    MachineReason.STILL_ABNORMAL_AFTER_RE_ALARM_TIME: RouteReason.NOT_DEALT_WITH,
    MachineReason.NOT_BETTER_IN_TIME: RouteReason.NOT_BETTER,
    MachineReason.WORSE_SINCE: RouteReason.WORSE,
    MachineReason.GIVEN_BACK: RouteReason.GIVEN_BACK,
}


def _why_raised(transition: Transition) -> RouteReason:
    if transition.event is Event.RE_ALARMED:
        return _WHY_CALLED_AGAIN.get(transition.reason, RouteReason.ABNORMAL_AGAIN)
    if transition.event is Event.UNFOLDED:
        return RouteReason.CAUSE_OVER
    return RouteReason.NEW_ALARM if transition.event is Event.OCCURRED else RouteReason.ABNORMAL_AFTER_QUIET
