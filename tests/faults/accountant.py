"""Compares what the plant produced with what is stored, and who should have been called with who was, call by call. Pure.

A call has an identity: the occurrence of the alarm, the person, the channel and the kind of message. A number of calls that
happens to be right says nothing: one may have come twice and another not at all.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from service.notify.channels.smtp import message_id

#: Messages that an alarm asks for; each belongs to one line of the journal.
OF_AN_ALARM = frozenset({"alarm", "cleared", "acknowledged", "shelf ending"})
#: Lines about the definition of an alarm, which change no state and may be written beside an evaluation.
OF_A_DEFINITION = frozenset({"defined", "redefined", "undefined"})
#: What a message handed over long before or after a fault cannot blame on it [s].
ABOUT_A_FAULT_S = 10.0
MAIL_DOMAIN = "example.org"


class Told(NamedTuple):
    """One call as a journal line has it."""

    contact: str
    channel: str
    kind: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the alarm journal."""

    id: int
    alarm: str
    tank: str  #: label; empty where the alarm is not of one tank
    event: str
    from_state: str
    to_state: str
    actor: str = ""
    code: str = ""
    occurred: str | None = None
    told: tuple[Told, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMessage:
    """One message as the outbox has it."""

    key: str
    line: int | None
    kind: str
    contact: str
    channel: str
    recipient: str
    occurred: str | None
    subject: str
    text: str
    status: str = "sent"
    unsure: int = 0  #: tries of which nobody knows whether the other side took the message

    @property
    def id(self) -> str:
        """What the other side calls it."""
        return message_id(self.key, MAIL_DOMAIN) if self.channel == "email" else self.key


@dataclass(frozen=True, slots=True, kw_only=True)
class Received:
    """One message as it reached the mail server or the gateway."""

    id: str
    channel: str
    recipient: str
    subject: str
    text: str
    at: float  #: [steady clock, s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """A danger about which that person must have been told."""

    tank: str
    contact: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What somebody wrote and the service took: from then on they have the alarm of that code."""

    contact: str
    code: str


@dataclass
class Evidence:
    """What is known at the end of a campaign, from the plant, the database, the mail server and the gateway."""

    produced: dict[tuple[str, datetime], float] = field(default_factory=dict)  #: heights [ft]
    stored: dict[tuple[str, datetime], float] = field(default_factory=dict)  #: heights [m]
    not_taken: list[str] = field(default_factory=list)  #: files
    shown: dict[int, float] = field(default_factory=dict)  #: number of the register → when [steady clock, s]
    counted: set[int] = field(default_factory=set)  #: numbers of the register that are stored
    excused: list[tuple[float, float]] = field(default_factory=list)  #: when numbers may be lost
    journal: list[Line] = field(default_factory=list)  #: in the order written
    outbox: list[OutboxMessage] = field(default_factory=list)
    received: list[Received] = field(default_factory=list)
    addresses: dict[tuple[str, str], str] = field(default_factory=dict)  #: (contact, channel) → address
    stormed: set[str] = field(default_factory=set)  #: labels of the tanks that rose to danger
    first_step: str = ""  #: who is called first about a danger
    due: list[Due] = field(default_factory=list)
    answers: list[Answer] = field(default_factory=list)
    #: Faults that can come between handing a message over and noting it; each may cost one copy a channel.
    disturbed: list[tuple[float, float]] = field(default_factory=list)


@dataclass
class Account:
    """What one campaign came to."""

    produced: int = 0
    lost: list[str] = field(default_factory=list)  #: produced and not stored, or stored differently
    shown: int = 0
    excused: int = 0  #: numbers of the register that fell to a kill or a bad line
    calls: int = 0
    missed: list[str] = field(default_factory=list)  #: should have been called, or was answered, and was not
    unfounded: list[str] = field(default_factory=list)  #: sent although nothing decided so
    duplicates: int = 0
    doubled: list[str] = field(default_factory=list)  #: came more often than faults explain
    answers: int = 0
    delays: list[float] = field(default_factory=list)  #: from file to call [s]

    def wrong(self) -> list[str]:
        """Everything that must not be."""
        return [*self.lost, *self.missed, *self.unfounded, *self.doubled]


def examine(evidence: Evidence) -> Account:
    """The account of a campaign."""
    account = Account(
        produced=len(evidence.produced),
        shown=len(evidence.shown),
        calls=len(evidence.due),
        answers=len(evidence.answers),
    )
    account.lost += unlike(evidence.produced, evidence.stored)
    account.lost += [f"file {name} was never taken" for name in evidence.not_taken]
    _register(evidence, account)
    lines = {line.id: line for line in evidence.journal}
    messages = {message.key: message for message in evidence.outbox}
    account.missed += _broken_chains(evidence.journal)
    account.missed += _lines_without_message(evidence.journal, messages)
    account.unfounded += _messages_without_line(evidence.outbox, lines)
    account.unfounded += _unlike_their_line(evidence.outbox, lines, evidence.addresses)
    account.missed += _ended_badly(evidence.outbox, evidence.journal, lines)
    _arrivals(evidence, account)
    _calls_due(evidence, lines, account)
    account.missed += _answers_lost(evidence)
    account.unfounded += _called_after_taken(evidence.journal)
    return account


def unlike(produced: Mapping[tuple[str, datetime], float], stored: Mapping[tuple[str, datetime], float]) -> list[str]:
    """What of the produced heights [ft] is not stored, is stored as something else [m], or was never produced."""
    wrong = []
    for (tag, at), height in produced.items():
        found = stored.get((tag, at))
        if found is None:
            wrong.append(f"{tag} at {at.isoformat()} is not stored")
        elif abs(found - height * 0.3048) > 1e-9:
            wrong.append(f"{tag} at {at.isoformat()} is stored as {found} m, not {height} ft")
    wrong += [f"{tag} at {at.isoformat()} is stored and was never produced" for tag, at in stored.keys() - produced]
    return wrong


def _register(evidence: Evidence, account: Account) -> None:
    missing = evidence.shown.keys() - evidence.counted
    for number in sorted(missing):
        at = evidence.shown[number]
        if any(start <= at <= end for start, end in evidence.excused):
            account.excused += 1
        else:
            account.lost.append(f"register number {number}, shown at {at:.0f} s, is not stored")


def _broken_chains(journal: Iterable[Line]) -> Iterable[str]:
    """Each line of an alarm begins where its last one ended; else one is missing, or stands there twice."""
    state: dict[str, str] = {}
    for line in journal:
        if line.event in OF_A_DEFINITION:
            continue
        before = state.get(line.alarm, line.from_state)
        if before != line.from_state:
            yield f"journal line {line.id}: {line.alarm} {line.event} from {line.from_state}, but it was {before}"
        state[line.alarm] = line.to_state


def _lines_without_message(journal: Iterable[Line], messages: Mapping[str, OutboxMessage]) -> Iterable[str]:
    for line in journal:
        for told in line.told:
            if told.key not in messages:
                yield f"journal line {line.id} told {told.contact} by {told.channel} of {line.alarm}: no message {told.key}"


def _messages_without_line(outbox: Iterable[OutboxMessage], lines: Mapping[int, Line]) -> Iterable[str]:
    for message in outbox:
        if message.kind in OF_AN_ALARM and (message.line is None or message.line not in lines):
            yield f"message {message.key} has no line in the journal"


def _unlike_their_line(
    outbox: Iterable[OutboxMessage], lines: Mapping[int, Line], addresses: Mapping[tuple[str, str], str]
) -> Iterable[str]:
    """Every message is the one its line decided: person, channel, kind, occurrence; and its words are of that alarm."""
    for message in outbox:
        line = None if message.line is None else lines.get(message.line)
        if message.recipient != addresses.get((message.contact, message.channel), message.recipient):
            yield f"message {message.key} for {message.contact} goes to {message.recipient}"
        if line is None or message.kind not in OF_AN_ALARM:
            continue
        # Put on its way because one that was decided could not be handed over: the same words, to somebody else.
        decided, _, instead = message.key.partition("|instead|")
        told = next((told for told in line.told if told.key == decided), None)
        if told is None:
            yield f"message {message.key}: line {line.id} did not decide it"
            continue
        if (message.kind, message.occurred) != (told.kind, line.occurred):
            yield f"message {message.key}: {message.kind} of {message.occurred}, decided was {told.kind} of {line.occurred}"
        if not instead and (message.contact, message.channel) != (told.contact, told.channel):
            yield f"message {message.key}: to {message.contact} by {message.channel}, decided was {told}"
        words = message.text if message.channel == "sms" else f"{message.subject}\n{message.text}"
        if line.tank and line.tank not in words:
            yield f"message {message.key} does not speak of {line.tank}: {message.subject!r}"
        if message.kind == "alarm" and line.code and line.code not in words:
            yield f"message {message.key} does not carry code {line.code}"
        # "STILL DANGER": this alarm is over and another one of the tank is not.
        over = message.subject.startswith(("CLEARED", "STILL", "TAKEN"))
        if over != (message.kind in ("cleared", "acknowledged")):
            yield f"message {message.key} is of kind {message.kind}, and says {message.subject!r}"


def _ended_badly(outbox: Iterable[OutboxMessage], journal: Iterable[Line], lines: Mapping[int, Line]) -> Iterable[str]:
    taken = {(line.alarm, line.occurred) for line in journal if line.event == "acknowledged"}
    for message in outbox:
        line = None if message.line is None else lines.get(message.line)
        called_off = (
            message.status == "cancelled"
            and message.kind == "alarm"
            and line is not None
            and (line.alarm, line.occurred) in taken
        )
        if message.status != "sent" and not called_off:
            yield f"message {message.key} is {message.status}"


def _arrivals(evidence: Evidence, account: Account) -> None:
    """What arrived against what is noted as sent, message by message."""
    by_id = {message.id: message for message in evidence.outbox}
    copies: dict[str, list[Received]] = defaultdict(list)
    for received in evidence.received:
        copies[received.id].append(received)
    for message in evidence.outbox:
        if message.status == "sent" and message.id not in copies:
            account.missed.append(f"message {message.key} is noted as sent and never came")
    for id_, came in copies.items():
        known = by_id.get(id_)
        if known is None:
            account.unfounded.append(f"{came[0].channel} to {came[0].recipient} is in no outbox: {came[0].subject!r}")
            continue
        # Taken by the other side and never noted so: a call that was called off with the answer under way.
        if known.status not in ("sent", "cancelled"):
            account.unfounded.append(f"message {known.key} came, and is noted as {known.status}")
        for received in came:
            as_written = (known.channel, known.recipient, known.text.split())
            if (received.channel, received.recipient, received.text.split()) != as_written:
                account.unfounded.append(
                    f"message {known.key} came with other words, or to somebody else:"
                    f" {received.recipient}: {received.subject or received.text!r}"
                )
    account.duplicates = sum(len(came) - 1 for came in copies.values())
    account.doubled += _doubled(copies, by_id, evidence.disturbed)


def _doubled(
    copies: Mapping[str, list[Received]],
    messages: Mapping[str, OutboxMessage],
    disturbed: Iterable[tuple[float, float]],
) -> Iterable[str]:
    """Copies that no try with an unknown end and no fault explains: a fault costs one message a channel, about its time."""
    left = Counter((span, channel) for span in disturbed for channel in ("email", "sms"))
    for id_, came in sorted(copies.items(), key=lambda item: min(received.at for received in item[1])):
        unsure = messages[id_].unsure if id_ in messages else 0
        first = min(received.at for received in came)
        for _ in range(len(came) - 1 - unsure):
            fault = next(
                (
                    key
                    for key, room in left.items()
                    if room and key[1] == came[0].channel
                    if key[0][0] - ABOUT_A_FAULT_S <= first <= key[0][1] + ABOUT_A_FAULT_S
                ),
                None,
            )
            if fault is None:
                yield f"{came[0].channel} to {came[0].recipient} came {len(came)} times: {came[0].subject or id_!r}"
                break
            left[fault] -= 1


def _calls_due(evidence: Evidence, lines: Mapping[int, Line], account: Account) -> None:
    """Whoever must know of a danger was reached about that very occurrence; and nobody about a tank that never rose."""
    arrived = {received.id for received in evidence.received}
    reached: set[tuple[str, str]] = set()
    for message in evidence.outbox:
        line = None if message.line is None else lines.get(message.line)
        if line is None or not is_danger(line) or message.kind != "alarm":
            continue
        if line.tank not in evidence.stormed:
            account.unfounded.append(f"{message.contact} was called to {line.tank}, which never rose")
        if message.id in arrived:
            reached.add((line.tank, message.contact))
    for due in evidence.due:
        if (due.tank, due.contact) not in reached:
            account.missed.append(f"{due.contact} was not called for {due.tank}")
    begun = {line.tank: line for line in evidence.journal if is_danger(line) and line.event == "occurred"}
    for tank in sorted(evidence.stormed):
        if tank not in begun:
            account.missed.append(f"the danger of {tank} never occurred in the journal")
        elif evidence.first_step not in {told.contact for told in begun[tank].told}:
            account.missed.append(f"the danger of {tank} did not call {evidence.first_step} first")


def is_danger(line: Line) -> bool:
    """Whether a line is of an alarm at the danger limit."""
    return line.alarm.endswith("high-high")


def _answers_lost(evidence: Evidence) -> Iterable[str]:
    taken = {(line.actor, line.code) for line in evidence.journal if line.event == "acknowledged"}
    for answer in evidence.answers:
        if (answer.contact, answer.code) not in taken:
            yield f"{answer.contact} took {answer.code}, and the journal does not know it"


def _called_after_taken(journal: Iterable[Line]) -> Iterable[str]:
    """Nobody is called about an alarm that somebody has, until it calls again."""
    state: dict[str, str] = {}
    for line in journal:
        if state.get(line.alarm) == "acknowledged" and line.to_state == "acknowledged":
            for told in line.told:
                if told.kind == "alarm":
                    yield f"journal line {line.id} calls {told.contact} about {line.alarm}, which somebody has"
        if line.event not in OF_A_DEFINITION:
            state[line.alarm] = line.to_state
