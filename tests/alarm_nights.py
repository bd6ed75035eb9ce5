"""Simulated nights: storms, blind sensors, dead channels, crashes and people who do not answer, through the real jobs and database.

Everything random comes from the night's seed. What must hold whatever happens is checked by :func:`broken_promises`.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine, Row, text

from service.alarms.contact import Contact
from service.alarms.definition import Priority
from service.alarms.duty import Rota, Shift
from service.alarms.escalation import Ladder, Rung, Whom
from service.alarms.machine import AlarmState
from service.alarms.retry import Failure
from service.domain.estimate import EstimateReason, Trust
from service.domain.reading import Reason
from service.jobs.deliver import deliver
from service.jobs.evaluate import evaluate
from service.notify.base import Message, Notifier, Receipt
from service.storage.alarms import alarms
from service.storage.outbox import next_due
from service.storage.session import transaction
from tests.alarm_plant import MINUTE, NIGHT, TANKS, AlarmPlant, acknowledge, alarm_setup

HOURS = 5
STEP = 5 * MINUTE
#: Time to respond of the danger alarm: by then somebody must have been reached.
RESPOND = timedelta(minutes=30)

PEOPLE = (
    Contact(name="Ben", email="ben@example.org", phone="+15550100102", channels=("sms", "email")),
    Contact(name="Anna", email="anna@example.org", phone="+15550100101", channels=("email", "sms")),
    Contact(name="Chief", email="chief@example.org", phone="+15550100103", channels=("sms", "email")),
)


class Killed(BaseException):
    """The process died here."""


@dataclass
class Received:
    """A message as it reached somebody."""

    at: datetime
    recipient: str
    channel: str
    key: str
    text: str


@dataclass
class Outcome:
    """What a night came to."""

    seed: int
    received: list[Received] = field(default_factory=list)
    crashes: int = 0
    broken_off: int = 0
    answers: int = 0
    promises_broken: list[str] = field(default_factory=list)
    first_reached_after: list[timedelta] = field(default_factory=list)


class Channel:
    """A way out with outages, refusals, lost answers, and a process that dies while using it."""

    def __init__(self, channel: str, night: Night) -> None:
        self.channel = channel
        self.night = night
        self.down = night.spans(chance=0.5, longest=90)
        self.ever_down = tuple(self.down)
        self.flaky = night.random.choice([0.0, 0.0, 0.2, 0.5])
        self.was_flaky = self.flaky
        self.deadly = night.random.choice([0.0, 0.0, 0.1])

    def up(self, at: datetime) -> bool:
        return not any(start <= at < end for start, end in self.down)

    def send(self, message: Message, now: datetime) -> Receipt:
        night, chance = self.night, self.night.random
        if not self.up(now):
            return Receipt(failure=Failure.UNREACHABLE, answer="no route")
        if message.recipient in night.gone:
            return Receipt(failure=Failure.RECIPIENT_REFUSED, answer="550 no such mailbox")
        if chance.random() < self.flaky:
            return Receipt(failure=Failure.TEMPORARY, answer="450 try later")
        if chance.random() < self.deadly:
            raise self.night.dies()
        self.night.outcome.received.append(Received(now, message.recipient, self.channel, message.key, message.text))
        if chance.random() < self.deadly:
            raise self.night.dies()
        if chance.random() < self.flaky / 4:
            night.outcome.broken_off += 1
            return Receipt(failure=Failure.BROKE_OFF, answer="connection lost")
        return Receipt(answer="250 taken")

    def close(self) -> None:
        pass


class Night:
    """One night at the plant."""

    def __init__(self, plant: AlarmPlant, seed: int) -> None:
        self.plant, self.outcome = plant, Outcome(seed)
        self.random = random.Random(seed)
        self.start = NIGHT + timedelta(days=seed)
        self.end = self.start + timedelta(hours=HOURS)
        self.gone = {a for a in ("ben@example.org", "+15550100102") if self.random.random() < 0.15}
        self.channels = {name: Channel(name, self) for name in ("email", "sms")}
        self.blind = self.spans(chance=0.4, longest=60)
        self.storms = self.spans(chance=0.9, longest=150)
        self.late = self.random.random() < 0.3
        self.answers_after = {
            person.name: timedelta(minutes=self.random.uniform(1, 45)) if self.random.random() < 0.6 else None
            for person in PEOPLE
        }

    def spans(self, *, chance: float, longest: int) -> list[tuple[datetime, datetime]]:
        """None, one or two spans of the night."""
        found: list[tuple[datetime, datetime]] = []
        while self.random.random() < chance and len(found) < 2:
            begin = self.start + self.random.randrange(HOURS * 60) * MINUTE
            found.append((begin, begin + self.random.randint(5, longest) * MINUTE))
        return found

    def way_out(self, start: datetime, end: datetime) -> bool:
        """Whether one channel worked all that time, without refusing at random, and everybody can be reached by it."""
        return any(
            not any(down < end and start < up for down, up in channel.ever_down)
            for channel in self.channels.values()
            if channel.was_flaky == 0.0
        )

    def dies(self) -> Killed:
        self.outcome.crashes += 1
        return Killed()

    def live(self) -> Outcome:
        """From the evening to an hour after everything works again."""
        moment, held = self.start, []
        while moment < self.end:
            held.append(moment)
            if not (self.late and (moment - self.start) % (3 * STEP)):
                for at in held:
                    self.measure(at)
                held = []
            evaluate(self.plant.engine, self.plant.setup, TANKS, self.plant.ids, projected={}, now=moment)
            self.tell(moment, moment + STEP)
            moment += STEP
        for channel in self.channels.values():
            channel.down, channel.flaky, channel.deadly = [], 0.0, 0.0
        self.storms, self.blind = [], []
        while moment < self.end + timedelta(hours=1):
            self.measure(moment)
            evaluate(self.plant.engine, self.plant.setup, TANKS, self.plant.ids, projected={}, now=moment)
            self.tell(moment, moment + STEP)
            moment += STEP
        self.morning(moment)
        self.outcome.promises_broken = list(broken_promises(self))
        return self.outcome

    def measure(self, at: datetime) -> None:
        stormy = any(start <= at < end for start, end in self.storms)
        blind = any(start <= at < end for start, end in self.blind)
        estimate = self.plant.believe(
            at,
            0.3 if stormy else 2.0,
            trust=Trust.BLIND if blind else Trust.GOOD,
            reason=EstimateReason.BLIND if blind else EstimateReason.SENSOR,
            verdict=Reason.ECHO_LOST if blind else Reason.NONE,
        )
        assert estimate.tank == "east"

    def tell(self, now: datetime, until: datetime) -> None:
        """Deliver what is due up to a time, restarting after every death; people answer in between."""
        while now < until:
            self.answer(now)
            notifiers: dict[str, Notifier] = dict(self.channels)
            try:
                deliver(self.plant.engine, self.plant.setup, notifiers, clock=lambda now=now: now)  # type: ignore[misc]
            except Killed:
                now += timedelta(seconds=20)  # the supervisor starts it again
                continue
            with transaction(self.plant.engine) as conn:
                due = next_due(conn)
            if due is None or due >= until:
                self.answer(until)
                return
            now = max(now + timedelta(seconds=5), due)

    def answer(self, now: datetime) -> None:
        """Whoever was reached and answers at all takes the alarm after their time."""
        with transaction(self.plant.engine) as conn:
            waiting = [r for r in alarms(conn) if r.machine.state is AlarmState.UNACKNOWLEDGED]
        for record in waiting:
            for person in PEOPLE:
                pause = self.answers_after[person.name]
                heard = [
                    r.at
                    for r in self.outcome.received
                    if r.recipient in (person.email, person.phone) and record.machine.code in r.text
                ]
                if pause is not None and heard and min(heard) + pause <= now:
                    done = acknowledge(
                        self.plant.engine, self.plant.setup, TANKS, record.machine.code, who=person.name, now=now
                    )
                    self.outcome.answers += done.changed
                    break

    def morning(self, now: datetime) -> None:
        """The day shift takes whatever still waits, so that the next night starts clean."""
        with transaction(self.plant.engine) as conn:
            waiting = [r.key for r in alarms(conn) if r.machine.state is AlarmState.RETURNED]
        for key in waiting:
            acknowledge(self.plant.engine, self.plant.setup, TANKS, key, who="Day shift", now=now)
        self.tell(now, now + STEP)


def plant_of_nights(engine: Engine) -> AlarmPlant:
    """A plant with a rota and a ladder that ends with everybody."""
    setup = alarm_setup(contacts=PEOPLE, channels=frozenset({"email", "sms"}))
    shift = Shift(name="nights", people=("Ben", "Anna"), first_day=NIGHT.date() - timedelta(days=9), turn_days=1)
    rungs = (
        Rung(after=timedelta(0), whom=Whom.DUTY, name="ops", again_every=5 * MINUTE, again_times=1),
        Rung(after=10 * MINUTE, whom=Whom.CONTACT, name="Chief"),
        Rung(after=20 * MINUTE, whom=Whom.EVERYBODY, again_every=10 * MINUTE, again_times=50),
    )
    return AlarmPlant.build(
        engine,
        replace(
            setup,
            definitions=tuple(
                replace(d, time_to_respond=RESPOND) for d in setup.definitions if d.tank and "core" not in d.key
            ),
            rotas=(Rota(key="ops", zone=setup.site.zone, shifts=(shift,)),),
            ladders=(Ladder(key="danger", rungs=rungs, priorities=frozenset({Priority.HIGH})),),
        ),
    )


def broken_promises(night: Night) -> Iterable[str]:
    """What must hold whatever happens, and did not."""
    outcome = night.outcome
    with transaction(night.plant.engine) as conn:
        rows = conn.execute(
            text(
                "SELECT o.key, o.status, o.recipient, o.created_at, o.payload->>'kind' AS kind,"
                " o.payload->>'occurred_at' AS occurred, a.key AS alarm FROM outbox o"
                " JOIN alarm_event e ON e.id = o.alarm_event_id JOIN alarm a ON a.id = e.alarm_id"
                " WHERE o.created_at >= :start ORDER BY o.id"
            ),
            {"start": night.start},
        ).all()
        events = conn.execute(
            text(
                "SELECT a.key, e.at, e.recorded_at, e.event, e.to_state, e.detail FROM alarm_event e"
                " JOIN alarm a ON a.id = e.alarm_id WHERE e.recorded_at >= :start ORDER BY e.id"
            ),
            {"start": night.start},
        ).all()
    keys = {row.key for row in rows}
    came = Counter(received.key for received in outcome.received)

    # Nothing is lost: what was decided is in the outbox, what is in the outbox ended, what is called sent arrived.
    for event in events:
        yield from (f"{t['key']} decided, not written" for t in event.detail.get("told", []) if t["key"] not in keys)
    yield from (f"{row.key} still waiting in the morning" for row in rows if row.status == "waiting")
    yield from (f"{row.key} called sent, never came" for row in rows if row.status == "sent" and not came[row.key])

    # A crash or a lost answer costs at most one duplicate.
    duplicates = sum(count - 1 for count in came.values())
    if duplicates > outcome.crashes + outcome.broken_off:
        yield f"{duplicates} duplicates from {outcome.crashes} crashes and {outcome.broken_off} lost answers"

    # The end never reaches anybody before its beginning.
    kind = {row.key: (row.kind, row.alarm, row.occurred) for row in rows}
    seen: set[tuple[str, str, str]] = set()
    for received in outcome.received:
        if received.key in kind:
            what, alarm, occurred = kind[received.key]
            if what == "alarm":
                seen.add((received.recipient, alarm, occurred))
            elif what == "cleared" and not any(r == received.recipient and a == alarm for r, a, _ in seen):
                yield f"{received.key} came before its alarm"

    yield from _reached_in_time(night, events, rows)

    # Nobody is called after somebody has it.
    taken: dict[str, datetime] = {}
    for event in events:
        if event.event == "acknowledged":
            taken[event.key] = event.recorded_at
        elif event.to_state == "unacknowledged":
            since = taken.get(event.key)
            if since is not None and event.event == "called further":
                yield f"{event.key} called further after it was taken at {since}"
            taken.pop(event.key, None)


def _reached_in_time(night: Night, events: Sequence[Row[Any]], rows: Sequence[Row[Any]]) -> Iterable[str]:
    """While some way out works all along, somebody hears of every danger that stands, within its time to respond."""
    first_came: dict[str, datetime] = {}
    for received in night.outcome.received:
        first_came.setdefault(received.key, received.at)
    dangers = [event for event in events if event.key == "east.high-high"]
    for place, event in enumerate(dangers):
        if event.event not in ("occurred", "re-alarmed"):
            continue
        begun, occurred = event.recorded_at, event.detail["occurred_at"]
        came = [
            first_came[row.key]
            for row in rows
            if row.alarm == event.key and row.kind == "alarm" and row.occurred == occurred and row.key in first_came
        ]
        if came:
            night.outcome.first_reached_after.append(min(came) - begun)
        ends = (e for e in dangers[place + 1 :] if e.event in ("returned to normal", "acknowledged"))
        ended = next((e.recorded_at for e in ends), None)
        stood = ended is None or ended - begun >= RESPOND
        if stood and night.way_out(begun, begun + RESPOND) and not any(at - begun <= RESPOND for at in came):
            yield f"danger of {begun} reached nobody within {RESPOND}"
