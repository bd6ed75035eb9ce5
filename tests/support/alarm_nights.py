"""Simulated nights through the real jobs and database: storms, blind sensors, dead channels, crashes; people who do not answer,
answer in their own words, by a machine, or no; rounds that contradict the sensors; commands typed with another site file.

Everything random comes from the night's seed. What must hold whatever happens is checked by :func:`broken_promises`, which
goes by what people wrote and saw, and by journal and outbox, never by what the service made of a text or an observation.
"""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise
from pathlib import Path
from typing import Any

import structlog
import typer
from sqlalchemy import Engine, Row, text
from typer.testing import CliRunner

from service.alarms.definition import AlarmKind, Priority
from service.alarms.machine import AlarmState, Machine
from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.calls.escalation import EscalationPolicy, EscalationStep, Whom
from service.calls.retry import Failure
from service.cli.app import program
from service.domain.blanket.estimate import EstimateReason, Trust
from service.domain.cores.core import Surface
from service.domain.plant.reading import ReadingReason
from service.errors import InputError
from service.jobs.alarms.evaluate import evaluate
from service.jobs.calls.deliver import deliver
from service.jobs.calls.reply import ReplyReason, answer
from service.jobs.plant.apply import bring_into_force
from service.notify.channels.base import Message, Notifier, Receipt
from service.storage.alarms.alarms import alarms
from service.storage.database.session import transaction
from tests.support.alarm_plant import DEPTH, MINUTE, NIGHT, TANKS, AlarmPlant, acknowledge, alarm_setup
from tests.support.outbox import next_due

HOURS = 5
STEP = 5 * MINUTE
#: Time to respond of the danger alarm: by then somebody must have been reached, and once somebody has it, it must get better.
RESPOND = timedelta(minutes=30)
DANGER = "east.high-high"
#: Clear water left, and by how much it must get better. [m]
DANGER_LIMIT, DEADBAND = 0.6, 0.1
CALM, STORM = 2.0, 0.3
#: No number gets more answers in an hour but for what it changed.
ANSWERS_AN_HOUR = 20

PEOPLE = (
    Contact(name="Ben", email="ben@example.org", phone="+15550100102", channels=("sms", "email")),
    Contact(name="Anna", email="anna@example.org", phone="+15550100101", channels=("email", "sms")),
    Contact(name="Chief", email="chief@example.org", phone="+15550100103", channels=("sms", "email")),
)


DAY_SHIFT = "Day shift"


class Habit(StrEnum):
    """How somebody answers a call."""

    SILENT = "never"
    YES = "a clear yes"
    AT_THE_PAGE = "takes it at the page"
    OWN_WORDS = "own words"
    WORDS_THEN_YES = "own words, a clear yes later"
    ROBOT = "a phone that answers by itself"
    NO = "no, with the code"
    NO_WITHOUT_CODE = "no, without the code"
    GIVES_BACK = "takes it and gives it back"


HABITS = {
    Habit.SILENT: 3,
    Habit.YES: 6,
    Habit.AT_THE_PAGE: 2,
    Habit.OWN_WORDS: 2,
    Habit.WORDS_THEN_YES: 2,
    Habit.ROBOT: 2,
    Habit.NO: 2,
    Habit.NO_WITHOUT_CODE: 1,
    Habit.GIVES_BACK: 1,
}
YES = ("{code}", "ok {code}", "OK {code}.", " {code}\n", "Ok, {code}")
#: None of these is a clear yes, whatever else it is.
OWN_WORDS = (
    "{code} on my way",
    "what is {code}?",
    "who has {code} now",
    "STOP {code} calls please",
    "ok",
    "Will look at {code} in the morning, is that fine",
    "DANGER East clarifier: 1 ft under weir. Code {code}",
    "thanks",
    "maybe {code}",
    "I think Ben took {code}",
)
ROBOT = (
    "I have my phone on silent while driving. I will see your message later.",
    "Auto-reply: I am on leave until Monday. You wrote: Code {code}",
    "I'm driving with Do Not Disturb on. I'll get back to you.",
    "The person you texted is in a meeting. Reply URGENT to notify them. {code}",
)
NO = ("no {code}", "{code} no", "NO {code} not me", "can't take {code}, in hospital. call somebody else", "pass {code}")
NO_WITHOUT_CODE = ("cannot", "Got food poisoning, cannot come", "not me", "pass")


class Seen(StrEnum):
    """What a round found."""

    DEEP = "blanket deep"
    FLUFF = "fluff high over a thin blanket"
    AT_THE_WEIR = "solids over the weir"
    THIN = "blanket thin"
    ALL_CLEAR = "blanket thin, surface clear"


#: What a round puts down: thickness and top of the fluff [m], words for the surface.
ROUNDS: dict[Seen, tuple[float, float | None, tuple[Surface, ...]]] = {
    Seen.DEEP: (DEPTH - STORM, None, ()),
    Seen.FLUFF: (1.0, DEPTH - STORM, ()),
    Seen.AT_THE_WEIR: (1.0, None, (Surface.SOLIDS_OVER_WEIR,)),
    Seen.THIN: (DEPTH - CALM, None, ()),
    Seen.ALL_CLEAR: (DEPTH - CALM, None, (Surface.CLEAR,)),
}
#: Commands that only read, and what else they are given.
READING = (
    ("status",),
    ("alarms", "--all"),
    ("journal",),
    ("duty",),
    ("figures",),
    ("loading",),
    ("shift",),
    ("apply",),  # without --yes: shows what would change
)


@dataclass(frozen=True)
class Said:
    """What somebody wrote, or did at the page; ``code`` is empty where it is no clear yes or no to one alarm."""

    at: datetime
    who: str
    habit: Habit
    words: str
    code: str = ""
    yes: bool = False
    no: bool = False


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
    said: list[Said] = field(default_factory=list)
    rounds: list[tuple[datetime, Seen]] = field(default_factory=list)
    commands: Counter[str] = field(default_factory=Counter)
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

    def __init__(self, plant: AlarmPlant, seed: int, site_files: Path) -> None:
        self.plant, self.outcome, self.plant_folder = plant, Outcome(seed), site_files
        self.random = random.Random(seed)
        self.start = NIGHT + timedelta(days=seed)
        self.end = self.start + timedelta(hours=HOURS)
        self.gone = {a for a in ("ben@example.org", "+15550100102") if self.random.random() < 0.15}
        self.channels = {name: Channel(name, self) for name in ("email", "sms")}
        self.blind = self.spans(chance=0.4, longest=60)
        self.storms = self.spans(chance=0.9, longest=150)
        self.late = self.random.random() < 0.3
        self.habits = {person.name: self.random.choices(list(HABITS), list(HABITS.values()))[0] for person in PEOPLE}
        self.pauses = {person.name: timedelta(minutes=self.random.uniform(1, 45)) for person in PEOPLE}
        self.to_say: list[tuple[datetime, Contact, str]] = []
        self.heard = 0
        self.known_codes: set[tuple[str, str]] = set()
        self.must_call_next: list[tuple[datetime, str]] = []
        self.broken: list[str] = []
        #: What was true at each look: when, what the sensors say, what people saw and nothing took back. [m]
        self.truth: list[tuple[datetime, float | None, float | None]] = []
        minutes = self.random.sample(range(HOURS * 60), self.random.choice((0, 0, 1, 2, 3)))
        self.rounds = [(self.start + m * MINUTE, self.random.choice(list(Seen))) for m in sorted(minutes)]
        # The morning round sees that all is well again.
        self.rounds.append((self.end, Seen.ALL_CLEAR))
        typed = self.random.choice((0, 0, 0, 1, 2))
        self.typed = sorted((self.some_time(), self.random.choice(READING)) for _ in range(typed))

    def spans(self, *, chance: float, longest: int) -> list[tuple[datetime, datetime]]:
        """None, one or two spans of the night."""
        found: list[tuple[datetime, datetime]] = []
        while self.random.random() < chance and len(found) < 2:
            begin = self.start + self.random.randrange(HOURS * 60) * MINUTE
            found.append((begin, begin + self.random.randint(5, longest) * MINUTE))
        return found

    def some_time(self) -> datetime:
        """Some minute of the night."""
        return self.start + self.random.randrange(HOURS * 60) * MINUTE

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
            self.look(moment)
            moment += STEP
        for channel in self.channels.values():
            channel.down, channel.flaky, channel.deadly = [], 0.0, 0.0
        self.storms, self.blind = [], []
        while moment < self.end + timedelta(hours=1):
            self.measure(moment)
            self.look(moment)
            moment += STEP
        self.morning(moment)
        self.outcome.promises_broken = [*self.broken, *broken_promises(self)]
        return self.outcome

    def look(self, moment: datetime) -> None:
        """Rounds come in, commands are typed, alarms are looked at, people are told and answer."""
        while self.rounds and self.rounds[0][0] <= moment:
            at, seen = self.rounds.pop(0)
            thickness, fluff, surface = ROUNDS[seen]
            self.plant.core(at, thickness, fluff=fluff, surface=surface)
            self.outcome.rounds.append((at, seen))
        while self.typed and self.typed[0][0] <= moment:
            self.type(self.typed.pop(0)[1])
        evaluate(self.plant.engine, self.plant.model, projected={}, now=moment)
        self.truth.append((moment, self.measured(moment), seen_clearance(self.outcome.rounds)))
        self.watch(moment)
        self.tell(moment, moment + STEP)

    def measured(self, at: datetime) -> float | None:
        """What the sensors say; None where they say nothing. [m]"""
        if any(start <= at < end for start, end in self.blind):
            return None
        return STORM if any(start <= at < end for start, end in self.storms) else CALM

    def watch(self, moment: datetime) -> None:
        """A danger stands for as long as somebody saw it, and for as long as the sensors say so."""
        if len(self.truth) < 2:
            return
        (_, sensed_before, seen_before), (_, sensed, seen) = self.truth[-2:]
        with transaction(self.plant.engine) as conn:
            active = any(r.key == DANGER and r.machine.active for r in alarms(conn))
        if not active and seen is not None and seen_before is not None:
            self.broken.append(f"a person saw {seen} m of clear water, and at {moment} there is no danger")
        if not active and not self.late and STORM == sensed == sensed_before:
            self.broken.append(f"the sensors say {STORM} m of clear water, and at {moment} there is no danger")

    def type(self, words: tuple[str, ...]) -> None:
        """Somebody types a command that only reads, with a site file that is not the one in force."""
        folder = self.plant_folder
        file = self.random.choice(sorted(folder.glob("*.toml")))
        before = everything(self.plant.engine)
        url = self.plant.engine.url.set(drivername="postgresql").render_as_string(hide_password=False)
        environment = {
            "UNDERWEIR_DATABASE_URL": url,
            "UNDERWEIR_DATA_DIR": str(folder),
            "UNDERWEIR_SITE_FILE": str(file),
        }
        command: typer.Typer = program(words[0])
        configured = structlog.get_config()
        done = CliRunner().invoke(command, [*words, "--site", str(file)], env=environment)
        structlog.configure(**configured)
        self.outcome.commands[f"{words[0]}: {done.exit_code}"] += 1
        changed = [name for name, rows in everything(self.plant.engine).items() if rows != before[name]]
        if changed:
            self.broken.append(f"underweir {' '.join(words)} with {file.name} changed {', '.join(changed)}")

    def measure(self, at: datetime) -> None:
        sensed = self.measured(at)
        blind = sensed is None
        stormy = any(start <= at < end for start, end in self.storms)
        estimate = self.plant.believe(
            at,
            STORM if stormy else CALM,
            trust=Trust.BLIND if blind else Trust.GOOD,
            reason=EstimateReason.BLIND if blind else EstimateReason.SENSOR,
            verdict=ReadingReason.ECHO_LOST if blind else ReadingReason.NONE,
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
        """Whoever was reached answers after their time, in their way."""
        for received in self.outcome.received[self.heard :]:
            self.hear(received)
        self.heard = len(self.outcome.received)
        due = [said for said in self.to_say if said[0] <= now]
        self.to_say = [said for said in self.to_say if said[0] > now]
        for _, person, words in sorted(due, key=lambda said: said[0]):
            self.say(person, words, now)

    def hear(self, received: Received) -> None:
        """Somebody has a message, and thinks about what to answer."""
        person = next(p for p in PEOPLE if received.recipient in (p.email, p.phone))
        habit, chance = self.habits[person.name], self.random
        found = _CODE.search(received.text)
        code = found[1] if found else ""
        if habit is Habit.ROBOT and received.channel == "sms":
            self.to_say.append((received.at, person, chance.choice(ROBOT).format(code=code or "K7QDHM")))
        if not code or habit in (Habit.SILENT, Habit.ROBOT) or (person.name, code) in self.known_codes:
            return
        self.known_codes.add((person.name, code))
        at = received.at + self.pauses[person.name]
        yes = chance.choice(YES).format(code=chance.choice((code, code.lower())))
        match habit:
            case Habit.YES | Habit.AT_THE_PAGE:
                self.to_say.append((at, person, yes))
            case Habit.OWN_WORDS:
                self.to_say.append((at, person, chance.choice(OWN_WORDS).format(code=code)))
            case Habit.WORDS_THEN_YES:
                self.to_say.append((at, person, chance.choice(OWN_WORDS).format(code=code)))
                self.to_say.append((at + 8 * MINUTE, person, yes))
            case Habit.NO:
                self.to_say.append((at, person, chance.choice(NO).format(code=code)))
            case Habit.NO_WITHOUT_CODE:
                self.to_say.append((at, person, chance.choice(NO_WITHOUT_CODE)))
            case Habit.GIVES_BACK:
                self.to_say.append((at, person, yes))
                self.to_say.append((at + 12 * MINUTE, person, f"no {code}"))

    def say(self, person: Contact, words: str, now: datetime) -> None:
        """Somebody writes, or takes it at the page."""
        habit = self.habits[person.name]
        yes = any(words.casefold() == y.format(code=words.strip(" .\n")[-6:]).casefold() for y in YES)
        no = not yes and habit in (Habit.NO, Habit.NO_WITHOUT_CODE, Habit.GIVES_BACK)
        named = _NAMED.search(words)
        code = named[0].upper() if named and (yes or no) and habit is not Habit.NO_WITHOUT_CODE else ""
        self.outcome.said.append(Said(now, person.name, habit, words, code, yes, no))
        before = self.danger_machine()
        if habit is Habit.AT_THE_PAGE:
            with suppress(InputError):
                done = acknowledge(self.plant.engine, self.plant.model, code, who=person.name, now=now)
                self.outcome.answers += done.changed
            return
        came_of = answer(
            self.plant.engine,
            self.plant.model,
            sender=person.phone or "",
            text=words,
            now=now,
            message_id=f"{self.outcome.seed}:{len(self.outcome.said)}",
        )
        self.outcome.answers += came_of.reason is ReplyReason.TAKEN
        if before.state is not AlarmState.UNACKNOWLEDGED or before.code != code:
            return
        after = self.danger_machine()
        if yes and after.state is not AlarmState.ACKNOWLEDGED:
            self.broken.append(f"{person.name} wrote {words!r} at {now}, and does not have the danger")
        if no and person.name not in before.declined:
            self.must_call_next.append((now, person.name))

    def no_better(self, start: datetime, end: datetime) -> bool:
        """Whether the clear water stayed what it was, as far as anybody knew, from a while before *start* to *end*."""
        known = [
            min(value for value in (sensed, seen) if value is not None)
            for at, sensed, seen in self.truth
            if start - 4 * STEP <= at <= end and (sensed is not None or seen is not None)
        ]
        return bool(known) and max(known) < DANGER_LIMIT and max(known) - min(known) < DEADBAND

    def danger_machine(self) -> Machine:
        """Where the danger alarm stands."""
        with transaction(self.plant.engine) as conn:
            return next(r.machine for r in alarms(conn, described_only=False) if r.key == DANGER)

    def morning(self, now: datetime) -> None:
        """The day shift takes whatever still waits, so that the next night starts clean."""
        with transaction(self.plant.engine) as conn:
            waiting = [r.key for r in alarms(conn) if r.machine.state is AlarmState.RETURNED]
        for key in waiting:
            acknowledge(self.plant.engine, self.plant.model, key, who=DAY_SHIFT, now=now)
        self.tell(now, now + STEP)


_CODE = re.compile(r"(?:underweir ack|Code) (\w{6})\b")
#: The characters of a code, in a text of somebody.
_NAMED = re.compile(r"\b[BCDFGHJKMNPQRTVWXZ346789]{6}\b", re.IGNORECASE)


def seen_clearance(rounds: Sequence[tuple[datetime, Seen]]) -> float | None:
    """The clear water under the highest sludge that people saw beyond the danger limit and no later round took back. [m]

    Words for the surface stand until a round speaks of the surface again; a core until the next core.
    """
    newest = rounds[-1][1] if rounds else None
    spoken = [seen for _, seen in rounds if ROUNDS[seen][2]]
    if spoken and spoken[-1] is Seen.AT_THE_WEIR:
        return 0.0
    return STORM if newest in (Seen.DEEP, Seen.FLUFF) else None


def everything(engine: Engine) -> dict[str, set[str]]:
    """All that decides what is watched and who is called: each row by its place and the transaction that wrote it."""
    tables = ("alarm", "alarm_event", "outbox", "tank", "signal", "site_revision", "hand_core", "audit_event")
    with transaction(engine) as conn:
        return {name: set(conn.execute(text(f"SELECT ctid || ' ' || xmin FROM {name}")).scalars()) for name in tables}


_SITE = """\
[site]
name = "Alder Creek"
units = "si"
time_zone = "America/New_York"

[[contact]]
name = "Ben"
email = "ben@example.org"
"""
_TANK = """
[[tank]]
key = "{tank}"
label = "{label}"
kind = "secondary"
shape = "circular"
diameter = {diameter}
side_water_depth = 4

[[signal]]
tag = "{tank}.blanket"
kind = "blanket"
tank = "{tank}"
unit = "m"
measures = "height"

[[alarm]]
kind = "high-high"
tank = "{tank}"
key = "{key}"
clearance = 0.6
deadband = 0.1
"""


def write_site_files(folder: Path) -> str:
    """The text of the site file in force, and a folder of others that somebody may have lying about."""
    east = _TANK.format(tank="east", label="East clarifier", diameter=30, key=DANGER)
    west = _TANK.format(tank="west", label="West clarifier", diameter=30, key="west.high-high")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "in-force.toml").write_text(_SITE + east + west, "utf-8")
    (folder / "without-east.toml").write_text(_SITE + west, "utf-8")
    (folder / "new-key.toml").write_text(_SITE + east.replace(DANGER, "east-danger") + west, "utf-8")
    (folder / "new-limit.toml").write_text(_SITE + east.replace("clearance = 0.6", "clearance = 0.1") + west, "utf-8")
    return _SITE + east + west


def plant_of_nights(engine: Engine, site_files: Path) -> AlarmPlant:
    """A plant with a rota and an escalation that ends with everybody; its site file is in force."""
    setup = alarm_setup(contacts=PEOPLE, channels=frozenset({"email", "sms"}))
    shift = Shift(name="nights", people=("Ben", "Anna"), first_day=NIGHT.date() - timedelta(days=9), turn_days=1)
    steps = (
        EscalationStep(after=timedelta(0), whom=Whom.DUTY, name="ops", again_every=5 * MINUTE, again_times=1),
        EscalationStep(after=10 * MINUTE, whom=Whom.CONTACT, name="Chief"),
        EscalationStep(after=20 * MINUTE, whom=Whom.EVERYBODY, again_every=10 * MINUTE, again_times=50),
    )
    of_east = (d for d in setup.definitions if d.tank and d.kind is not AlarmKind.CORE_OVERDUE)
    plant = AlarmPlant.build(
        engine,
        replace(
            setup,
            definitions=tuple(
                replace(d, time_to_respond=RESPOND, improve_within=RESPOND if d.key == DANGER else None)
                for d in of_east
            ),
            rotas=(Rota(key="ops", zone=setup.site.zone, shifts=(shift,)),),
            escalations=(EscalationPolicy(key="danger", steps=steps, priorities=frozenset({Priority.HIGH})),),
        ),
    )
    signals = [signal for tank in TANKS for signal in tank.blankets]
    bring_into_force(
        engine,
        write_site_files(site_files),
        tanks=[tank.tank for tank in TANKS],
        signals=signals,
        definitions=plant.setup.definitions,
        by="deploy",
        now=NIGHT,
    )
    return plant


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
                "SELECT e.id, a.key, e.at, e.recorded_at, e.event, e.to_state, e.reason, e.actor, e.detail FROM alarm_event e"
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

    # The end never reaches anybody before its beginning, which may have come to them by another channel.
    kind = {row.key: (row.kind, row.alarm, row.occurred) for row in rows}
    seen: set[tuple[str, str, str]] = set()
    for received in outcome.received:
        if received.key in kind:
            what, alarm, occurred = kind[received.key]
            person = received.key.split("|")[-2]
            if what == "alarm":
                seen.add((person, alarm, occurred))
            elif what == "cleared" and not any(p == person and a == alarm for p, a, _ in seen):
                yield f"{received.key} came before its alarm"

    yield from _reached_in_time(night, events, rows)

    yield from _only_by_a_clear_yes(outcome, events)
    yield from _next_after_a_no(night, events)
    yield from _goes_on_calling(night, events, rows)
    yield from _called_again_unless_better(night, events, rows)
    yield from _answers_limited(outcome)

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
            if row.alarm == event.key and row.kind == "alarm" and row.occurred == occurred
            # An occurrence that calls again was heard of before: that is not hearing of it now.
            if row.created_at >= begun and row.key in first_came
        ]
        if came:
            night.outcome.first_reached_after.append(min(came) - begun)
        ends = (e for e in dangers[place + 1 :] if e.event in ("returned to normal", "acknowledged"))
        ended = next((e.recorded_at for e in ends), None)
        stood = ended is None or ended - begun >= RESPOND
        in_time = any(at - begun <= RESPOND for at in came)
        if stood and not in_time and night.way_out(begun, begun + RESPOND):
            yield f"danger of {begun} reached nobody within {RESPOND}"


def _only_by_a_clear_yes(outcome: Outcome, events: Sequence[Row[Any]]) -> Iterable[str]:
    """Whoever has an alarm said so by its code alone, or by the agreed word and the code; a warning also goes with the danger's."""
    danger = {
        (event.recorded_at, event.actor): event.detail["code"]
        for event in events
        if event.event == "acknowledged" and event.key == "east.high-high"
    }
    yes = {(said.at, said.who, said.code) for said in outcome.said if said.yes}
    for event in events:
        if event.event != "acknowledged" or event.actor == DAY_SHIFT:
            continue
        at, who = event.recorded_at, event.actor
        code = event.detail["code"]
        if event.key == "east.high" and event.detail.get("note") == "with east.high-high":
            code = danger.get((at, who), "")
        if (at, who, code) not in yes:
            wrote = [said.words for said in outcome.said if (said.at, said.who) == (at, who)]
            yield f"{event.key} was taken by {who} who wrote {wrote}"


def _next_after_a_no(night: Night, events: Sequence[Row[Any]]) -> Iterable[str]:
    """A no with the code calls somebody else at once: who has not said no to this occurrence, while anybody is left."""
    dangers = [event for event in events if event.key == DANGER]
    for at, who in night.must_call_next:
        line = next((e for e in dangers if e.recorded_at == at and e.event == "declined" and e.actor == who), None)
        if line is None:
            yield f"{who} said no at {at}, and the journal does not know it"
            continue
        occurred = line.detail["occurred_at"]
        out = {e.actor for e in dangers if e.id <= line.id and e.event == "declined" and _with_code(e)} | {
            e.actor for e in dangers if e.id <= line.id and e.reason == "given back by whoever had it"
        }
        same = {e.actor for e in dangers if e.id <= line.id and e.detail.get("occurred_at") == occurred}
        called = {told["contact"] for told in line.detail.get("told", [])}
        left = {person.name for person in PEOPLE} - (out & same)
        if not (called & left if left else called):
            yield f"{who} said no at {at}: called {sorted(called)}, left were {sorted(left)}"


def _with_code(event: Row[Any]) -> bool:
    return bool(event.reason == "said no with its code")


def _goes_on_calling(night: Night, events: Sequence[Row[Any]], rows: Sequence[Row[Any]]) -> Iterable[str]:
    """While nobody has a danger, somebody is called at least once in its time to respond."""
    calls = sorted(row.created_at for row in rows if row.alarm == DANGER and row.kind == "alarm")
    for begun, ended in _spans(night, events, "unacknowledged"):
        times = [begun, *(at for at in calls if begun <= at <= ended), ended]
        for before, after in pairwise(times):
            if after - before > RESPOND + STEP:
                yield f"danger: nobody has it, and nobody was called from {before} to {after}"


def _called_again_unless_better(night: Night, events: Sequence[Row[Any]], rows: Sequence[Row[Any]]) -> Iterable[str]:
    """A danger that somebody has and that does not get better calls again within its time to respond."""
    calls = [row.created_at for row in rows if row.alarm == DANGER and row.kind == "alarm"]
    for begun, ended in _spans(night, events, "acknowledged"):
        by = begun + RESPOND + STEP
        if ended > by and night.no_better(begun, by):
            yield f"the danger taken at {begun} got no better, and nobody was called by {by}"
        told = any(ended <= at <= ended + RESPOND for at in calls)
        if ended - begun >= RESPOND and ended < night.end and night.no_better(begun, ended) and not told:
            yield f"the danger taken at {begun} called again at {ended}, and nobody was told"


def _spans(night: Night, events: Sequence[Row[Any]], state: str) -> Iterable[tuple[datetime, datetime]]:
    """From when to when the danger alarm was in a state."""
    since: datetime | None = None
    for event in (e for e in events if e.key == DANGER):
        if event.to_state == state and since is None:
            since = event.recorded_at
        elif event.to_state != state and since is not None:
            yield since, event.recorded_at
            since = None
    if since is not None:
        yield since, night.end + timedelta(hours=1)


def _answers_limited(outcome: Outcome) -> Iterable[str]:
    """Two machines do not keep each other busy: what no number asked for by changing something is limited by the hour."""
    robots = {
        person.phone for person in PEOPLE if any(s.habit is Habit.ROBOT and s.who == person.name for s in outcome.said)
    }
    for phone in robots:
        answers = sorted(
            {r.key: r.at for r in outcome.received if r.recipient == phone and r.key.startswith("reply|")}.values()
        )
        for place, at in enumerate(answers):
            if sum(at <= other < at + timedelta(hours=1) for other in answers[place:]) > ANSWERS_AN_HOUR:
                yield f"{phone} was answered more than {ANSWERS_AN_HOUR} times within an hour from {at}"
