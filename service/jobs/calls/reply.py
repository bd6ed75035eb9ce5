"""Answers text messages from contacts: a code, "no", "?", "took a core: 2.4 ft". Other numbers are ignored.

A number alone proves nothing: an alarm is taken, given back, or declined for good only by its code. Phones and gateways
write by themselves too, so what is no clear yes or no is answered once with what to send, and no number is answered often.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

import structlog
from sqlalchemy import Connection, Engine

from service.alarms.machine import Acknowledge, AlarmState, Command, Decline, MachineReason
from service.calls.contact import Contact
from service.calls.replies import (
    AsksStatus,
    Confirms,
    Declines,
    Reply,
    TakesIt,
    TookCore,
    read_reply,
)
from service.domain.blanket.estimate import TankSetup, Trust
from service.domain.cores.check import refused
from service.domain.cores.core import Core
from service.domain.plant.display import describe_clearance, describe_rate, format_clock, format_duration, format_length
from service.domain.plant.units import Dimension, UnitSystem, shown_unit, to_si
from service.errors import InputError
from service.jobs.accounts.actor import Actor, Door
from service.jobs.accounts.people import REMEMBER_FAILURES
from service.jobs.alarms.command import Done, submit_command
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.alarms.situations import standing_observations
from service.jobs.cores.core import CoreDraft, known_words, submit_core
from service.jobs.plant.plant import Plant
from service.notify.channels import gsm7
from service.notify.messages.wording import observed
from service.storage.accounts import sessions
from service.storage.alarms.alarms import AlarmRecord, alarms
from service.storage.blanket.estimates import latest_estimates
from service.storage.calls.outbox import OutboxMessage, answers_since, enqueue, last_message, last_notified, lock_reply
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)

#: A question is open to a yes this long.
QUESTION_OPEN_FOR = timedelta(minutes=30)
#: "No" without a code, and a core without a tank, speak of what the person was told within this time.
CONTEXT_FOR = timedelta(hours=12)
#: Answers are counted over this time: what helps nobody a second time is said once about the same alarms, at most
#: MOST_HINTS times in all, and no number gets more than MOST_ANSWERS but for what it changed.
ANSWERS_COUNTED = timedelta(hours=1)
MOST_HINTS, MOST_ANSWERS = 6, 20
#: After so many codes that no alarm has, all of one number within CODES_COUNTED, that number is told once. The right one counts all the
#: same: whoever forges a number must not keep its owner from answering. What bounds guessing is how many codes there are
#: (:func:`service.alarms.machine.occurrence_code`).
MANY_WRONG_CODES, CODES_COUNTED = 10, REMEMBER_FAILURES
#: Where wrong codes are kept: with the sign-ins that failed, as if they came from this address.
_BY_MESSAGE = "text message"
_FORGED = "Many wrong codes came from your number. If they are not yours, somebody forges it: tell your administrator. The right code still counts."


class ReplyReason(StrEnum):
    """What came of a reply."""

    TAKEN = "alarm taken"
    NOTHING_OPEN = "nothing to take"
    NOT_TAKEN = "not a clear yes"
    PASSED_ON = "next person called"
    STATUS = "status told"
    CORE_ASKED = "core to be confirmed"
    CORE_LOGGED = "core logged"
    CORE_REFUSED = "core cannot be"
    WHICH_TANK = "tank not clear"
    DECLINED = "nothing stored"
    UNCLEAR = "not understood"
    WRONG_CODES = "many wrong codes"
    UNKNOWN_NUMBER = "number not known"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What came of a reply, and what was answered: nothing to a number nobody knows, or one that was answered enough."""

    reason: ReplyReason
    contact: str | None = None
    text: str = ""


def answer(
    engine: Engine,
    plant: Plant,
    *,
    sender: str,
    text: str,
    now: datetime,
    message_id: str = "",
) -> Answered:
    """Act on a reply and put the answer on its way, in one transaction.

    Parameters
    ----------
    sender : the number it came from, with or without its plus.
    message_id : what names the incoming message, so that the same one delivered twice is answered once.
    """
    contact = _known(plant.alarms, sender)
    if contact is None:
        log.warning("reply from an unknown number", sender=_masked(sender))
        return Answered(reason=ReplyReason.UNKNOWN_NUMBER)
    recipient = contact.phone or sender
    with transaction(engine) as conn:
        lock_reply(conn, recipient)
        handler = _ReplyHandler(conn, plant, contact, now)
        reply = read_reply(text)
        code = reply.code if isinstance(reply, TakesIt | Declines) else None
        many_wrong = code is not None and handler.many_wrong(code)
        reason, words, pending = handler.act(reply)
        if many_wrong:
            reason, words = ReplyReason.WRONG_CODES, _FORGED
        words = gsm7.shorten(gsm7.plain(words))
        about = " ".join(sorted(record.machine.code for record in handler.waiting()))
        log.info("reply", contact=contact.name, outcome=reason.value)
        if _answered_enough(reason, about, answers_since(conn, recipient, now - ANSWERS_COUNTED)):
            log.info("reply left unanswered", contact=contact.name, outcome=reason.value)
            return Answered(reason=reason, contact=contact.name)
        payload: dict[str, Any] = {
            "kind": "reply",
            "contact": contact.name,
            "reason": reason.value,
            "occurred_at": None,
            "subject": words,
            "text": words,
            "pending": pending,
            "answers": message_id,
            "about": about,
        }
        message = OutboxMessage(
            key="|".join(("reply", contact.name, message_id or now.isoformat(), reason.value)),
            alarm_event_id=None,
            channel="sms",
            recipient=recipient,
            payload=payload,
            created_at=now,
        )
        enqueue(conn, [message])
    return Answered(reason=reason, contact=contact.name, text=words)


#: What changed something is always answered: how often that can be is bounded by what there is to change.
_CHANGED = frozenset({ReplyReason.TAKEN, ReplyReason.PASSED_ON, ReplyReason.CORE_LOGGED})
#: What says what to send. A phone that answers by itself would be told for ever.
_HINTS = frozenset({ReplyReason.UNCLEAR, ReplyReason.NOT_TAKEN, ReplyReason.NOTHING_OPEN, ReplyReason.DECLINED})


def _answered_enough(reason: ReplyReason, about: str, lately: Sequence[tuple[str, str]]) -> bool:
    if reason in _CHANGED:
        return False
    if reason is ReplyReason.WRONG_CODES:
        return any(of == reason for of, _ in lately)
    if reason in _HINTS:
        hints = [(of, codes) for of, codes in lately if of in _HINTS]
        return len(hints) >= MOST_HINTS or any(codes == about for _, codes in hints)
    return len(lately) >= MOST_ANSWERS


#: States in which somebody can say no to an alarm; in the second only whoever has it, who gives it back.
_DECLINABLE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})

_Outcome = tuple[ReplyReason, str, dict[str, Any] | None]


@dataclass(frozen=True, slots=True)
class _ReplyHandler:
    """Where one person's reply is dealt with."""

    conn: Connection
    plant: Plant
    contact: Contact
    now: datetime

    @property
    def units(self) -> UnitSystem:
        return self.contact.units or self.plant.alarms.units

    @property
    def actor(self) -> Actor:
        return Actor(name=self.contact.name, via=Door.SMS, address=self.contact.phone or "")

    def act(self, reply: Reply) -> _Outcome:
        match reply:
            case TakesIt(code=code):
                return self.take(code)
            case AsksStatus():
                return ReplyReason.STATUS, self.status(), None
            case TookCore():
                return self.ask_core(reply)
            case Confirms():
                return self.confirm()
            case Declines(code=code, bare=bare):
                if bare and self.question() is not None:
                    return ReplyReason.DECLINED, "OK, nothing was stored.", None
                return self.decline(code)
        return self.what_to_send()

    def many_wrong(self, code: str) -> bool:
        """Count a code that no alarm has; whether there were many of this number. No more are kept than are counted."""
        if any(record.machine.code == code for record in alarms(self.conn)):
            return False
        number = "".join(c for c in self.contact.phone or "" if c.isdigit())
        wrong = sessions.failures(self.conn, self.now - CODES_COUNTED, name=number, address=_BY_MESSAGE)
        if wrong.count >= MANY_WRONG_CODES:
            return True
        sessions.record_failure(self.conn, name=number, address=_BY_MESSAGE, now=self.now)
        if wrong.count + 1 < MANY_WRONG_CODES:
            return False
        log.warning("many wrong codes of a number", contact=self.contact.name, wrong=MANY_WRONG_CODES)
        return True

    def waiting(self) -> list[AlarmRecord]:
        """The alarms this person was told of that nobody has."""
        told = last_notified(self.conn, self.contact.name, self.now - CONTEXT_FOR)
        return [r for r in alarms(self.conn) if r.machine.state is AlarmState.UNACKNOWLEDGED and r.key in told]

    def what_to_send(self, before: str = "") -> _Outcome:
        """Nothing was taken; what takes it."""
        match self.waiting():
            case []:
                words = "Not understood. Send the CODE to take an alarm, ? for status, or: core EAST 2.4 ft"
                return ReplyReason.UNCLEAR, words, None
            case [one]:
                code, label = one.machine.code, gsm7.shorten(gsm7.plain(self.label(one.tank)), 32)
                words = f"{label} is NOT taken. To take it send {code} and nothing else. If you cannot: NO {code}"
            case several:
                codes = ", ".join(f"{r.machine.code} {self.label(r.tank)}" for r in several)
                words = f"NOT taken. Send one code and nothing else. If you cannot: NO and the code. {codes}"
        return ReplyReason.NOT_TAKEN, before + words, None

    def decline(self, code: str | None) -> _Outcome:
        """They cannot: whoever is next is called at once."""
        if code is None:
            meant = self.waiting()
        else:
            meant = [r for r in alarms(self.conn) if r.machine.code == code and r.machine.state in _DECLINABLE]
        said, changed = [], False
        command = Decline(who=self.contact.name, with_code=code is not None)
        for record in meant:
            if self.plant.alarms.definition(record.key) is None:
                continue  # no longer in the site file: it calls nobody
            done = self.submit(record.key, command)
            changed = changed or done.changed
            said.append(self.after_no(self.label(record.tank), done, with_code=code is not None))
        if not said:
            return self.nothing_to_decline(code)
        return (ReplyReason.PASSED_ON if changed else ReplyReason.NOTHING_OPEN), " ".join(said), None

    def submit(self, name: str, command: Command) -> Done:
        return submit_command(self.conn, self.plant, name, command, self.actor, now=self.now)

    def after_no(self, tank: str, done: Done, *, with_code: bool) -> str:
        """What a no came to, in a sentence or two."""
        label = gsm7.shorten(gsm7.plain(tank), 32)
        if done.after_no is None:
            if done.reason is MachineReason.ALREADY_ACKNOWLEDGED:
                return f"{label}: {done.actor} has it."
            return f"{label}: your no is known, calls go on."
        called = ", ".join(dict.fromkeys(tell.contact.name for tell in done.after_no.tells))
        if done.after_no.nobody_left:
            return f"{label}: nobody is left, everybody said no. All are called again, you too."
        if not called:
            return f"{label}: your no is noted, but nobody else can be reached."
        again = " again, nobody new is left" if done.after_no.nobody_new else " now"
        if with_code:
            return f"{label}: not you. Called{again}: {called}."
        return (
            f"{label}: read as NO. Called{again}: {called}. To take it send {done.code}; to be left out NO {done.code}"
        )

    def nothing_to_decline(self, code: str | None) -> _Outcome:
        """No alarm to say no to; whoever has one can give it back, but only by its code."""
        theirs = [
            r
            for r in alarms(self.conn)
            if r.machine.state is AlarmState.ACKNOWLEDGED and r.machine.actor.casefold() == self.contact.name.casefold()
        ]
        if theirs:
            record = theirs[0]
            label = gsm7.shorten(gsm7.plain(self.label(record.tank)), 32)
            return ReplyReason.NOTHING_OPEN, f"You have {label}. To give it back send NO {record.machine.code}", None
        what = "Nothing is waiting for you" if code is None else f"No alarm has the code {code} now"
        return ReplyReason.NOTHING_OPEN, f"{what}. {self.status()}", None

    def take(self, code: str) -> _Outcome:
        """They have the alarm of that code."""
        try:
            done = self.submit(code, Acknowledge())
        except InputError:
            no_such = f"No alarm has the code {code} now. "
            if self.waiting():
                return self.what_to_send(no_such)
            return ReplyReason.NOTHING_OPEN, no_such + self.status(), None
        definition = self.plant.alarms.definition(done.key)
        label = self.label(None if definition is None else definition.tank)
        if not done.changed:
            return ReplyReason.NOTHING_OPEN, f"{label} {done.code}: {done.reason.value}. {self.status()}", None
        again = ""
        if definition is not None and definition.improve_within is not None and done.state is AlarmState.ACKNOWLEDGED:
            again = f"Calls again if worse, or not better in {format_duration(definition.improve_within)}. "
        return ReplyReason.TAKEN, f"{label} {done.code} is yours. The others are told. {again}{self.status()}", None

    def question(self) -> dict[str, Any] | None:
        """What they were asked last; None when something else, above all an alarm, was told since."""
        last = last_message(self.conn, self.contact.name, self.now - QUESTION_OPEN_FOR)
        return None if last is None else last.get("pending")

    def status(self) -> str:
        """How every tank stands, the fullest first."""
        tank_ids = {self.plant.ids.tanks[tank.tank.key]: tank for tank in self.plant.setups}
        found = latest_estimates(self.conn, list(tank_ids), until=self.now)
        believed = {tank_ids[number].tank.key: estimate for number, estimate in found.items()}
        seen = standing_observations(self.conn, self.plant, believed, self.now)
        lines = []
        for tank_id, estimate in found.items():
            tank = tank_ids[tank_id].tank
            clearance = tank.clearance(estimate.height)
            doubt = {Trust.GOOD: "", Trust.DOUBTFUL: " doubtful", Trust.BLIND: " BLIND"}[estimate.trust]
            where = describe_clearance(clearance, self.units, tank.side_water_depth).replace("the weir", "weir")
            if tank.key in seen:
                # What a person saw goes before the number that it contradicts.
                clearance = min(clearance, seen[tank.key].clearance)
                where = observed(seen[tank.key], self.units, self.plant.alarms.site.zone, tank.side_water_depth)
                lines.append((clearance, f"{tank.label}: {where}"))
                continue
            clock = format_clock(estimate.time, self.plant.alarms.site.zone).rpartition(" ")[0]
            lines.append((clearance, f"{tank.label} {where} {describe_rate(estimate.rate, self.units)}{doubt} {clock}"))
        return "; ".join(line for _, line in sorted(lines)) or "No readings yet."

    def ask_core(self, said: TookCore) -> _Outcome:
        tank = self.tank_meant(said.tank)
        unit = said.unit or shown_unit(Dimension.LENGTH, self.units)
        if tank is None:
            example = self.plant.setups[0].tank.key if self.plant.setups else "EAST"
            return ReplyReason.WHICH_TANK, f"Which tank? Send: core {example} {said.number:g} {unit}", None
        thickness = said.thickness if said.thickness is not None else to_si(said.number, unit)
        pending = {
            "core": str(uuid.uuid4()),
            "tank": tank.tank.key,
            "thickness": thickness,
            "typed": said.number,
            "unit": unit,
            "taken_at": self.now.isoformat(),
        }
        shown = format_length(thickness, self.units)
        clock = format_clock(self.now, self.plant.alarms.site.zone)
        words = f"Log a core of {shown} in {tank.tank.label} at {clock}? Send YES or NO."
        return ReplyReason.CORE_ASKED, words, pending

    def confirm(self) -> _Outcome:
        pending = self.question()
        tank = None if not pending else self.plant.setup(pending["tank"])
        if not pending or tank is None:
            if self.waiting():
                return self.what_to_send()  # a yes to what? An alarm is taken by its code
            return ReplyReason.UNCLEAR, "There is no open question. " + self.status(), None
        core = Core(
            id=uuid.UUID(pending["core"]),
            tank=tank.tank.key,
            taken_at=datetime.fromisoformat(pending["taken_at"]),
            recorded_at=self.now,
            thickness=pending["thickness"],
            distance_from_wall=tank.tank.core_distance_from_wall,
            taken_by=self.contact.name,
        )
        confirmed = pending.get("confirmed", False)
        draft = CoreDraft(core=core, typed_value=pending["typed"], typed_unit=pending["unit"], confirmed=confirmed)
        logged = submit_core(self.conn, self.plant, tank.tank, draft, self.actor, now=self.now, units=self.units)
        if not logged.stored:
            why = " ".join(finding.sentence for finding in logged.findings)
            if not refused(logged.findings):
                asked = f"Store it all the same? Send YES or NO. {why}"
                return ReplyReason.CORE_ASKED, asked, pending | {"confirmed": True}
            return ReplyReason.CORE_REFUSED, f"Not stored: {why}", None
        if logged.known is not None:
            return ReplyReason.CORE_LOGGED, known_words(logged.known, self.plant.alarms), None
        clearance = tank.tank.clearance(tank.tank.height_from_thickness(core.thickness, core.distance_from_wall))
        return (
            ReplyReason.CORE_LOGGED,
            f"Stored: {tank.tank.label} {describe_clearance(clearance, self.units)} by your core.",
            None,
        )

    def tank_meant(self, words: str) -> TankSetup | None:
        """The tank the words name; without words the one they were last told about, or the only one."""
        if words:
            named = [t for t in self.plant.setups if _names(words, t)]
            return named[0] if len(named) == 1 else None
        if len(self.plant.setups) == 1:
            return self.plant.setups[0]
        told = last_notified(self.conn, self.contact.name, self.now - CONTEXT_FOR)
        about = [d.tank for key in told if (d := self.plant.alarms.definition(key)) is not None and d.tank is not None]
        return self.plant.setup(about[0]) if about else None

    def label(self, tank: str | None) -> str:
        found = self.plant.setup(tank)
        return self.plant.alarms.site.name if found is None else found.tank.label


def _names(words: str, tank: TankSetup) -> bool:
    """Whether the words are the tank's key or label, or words of it."""
    wanted = set(words.casefold().split())
    known = set(tank.tank.label.casefold().split()) | set(
        tank.tank.key.casefold().replace("_", " ").replace("-", " ").split()
    )
    return words.casefold() == tank.tank.key.casefold() or wanted <= known


def _known(setup: AlarmSetup, sender: str) -> Contact | None:
    digits = "".join(c for c in sender if c.isdigit())
    return next((c for c in setup.contacts if c.phone and digits and c.phone.lstrip("+") == digits), None)


def _masked(number: str) -> str:
    return f"…{number[-3:]}" if len(number) > 3 else "…"
