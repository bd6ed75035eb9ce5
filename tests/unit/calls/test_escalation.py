"""Who is called next when nobody answers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.alarms.machine import AlarmState, Machine
from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.calls.escalation import (
    AfterNo,
    EscalationPolicy,
    EscalationStep,
    OnCall,
    Whom,
    calls_after_no,
    due_calls,
    told_since_it_called,
)
from service.calls.routing import MessageKind, RouteReason, SentMessage

ZONE = ZoneInfo("America/New_York")
T0 = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
DANGER = AlarmDefinition(key="east.high-high", kind=AlarmKind.HIGH_HIGH, tank="east", priority=Priority.HIGH)
STANDS = Machine(state=AlarmState.UNACKNOWLEDGED, since=T0, active=True, code="K7QDHM", occurred_at=T0)


def contact(name: str, *channels: str, tanks: tuple[str, ...] = ()) -> Contact:
    return Contact(
        name=name,
        email=f"{name.lower()}@example.org",
        phone="+15550100",
        channels=channels or ("email", "sms"),
        tanks=tanks,
        priorities=(Priority.LOW,),
    )


ANNA, BEN, CHIEF, WEST = contact("Anna"), contact("Ben"), contact("Chief"), contact("West", tanks=("west",))
ROTA = Rota(
    key="ops", zone=ZONE, shifts=(Shift(name="s", people=("Anna", "Ben"), first_day=date(2026, 1, 12), turn_days=1),)
)
ESCALATION = EscalationPolicy(
    key="danger",
    priorities=frozenset({Priority.HIGH}),
    steps=(
        EscalationStep(
            after=timedelta(0), whom=Whom.DUTY, name="ops", again_every=5 * MINUTE, again_times=2, channels=("sms",)
        ),
        EscalationStep(after=15 * MINUTE, whom=Whom.CONTACT, name="Chief"),
        EscalationStep(after=30 * MINUTE, whom=Whom.EVERYBODY, again_every=15 * MINUTE, again_times=100),
    ),
)
CALLOUT = OnCall(
    contacts=(ANNA, BEN, CHIEF, WEST),
    zone=ZONE,
    rotas=(ROTA,),
    escalations=(ESCALATION,),
    channels=frozenset({"email", "sms"}),
)


def first(name: str = "Ben", channel: str = "sms") -> SentMessage:
    return SentMessage(contact=name, channel=channel, kind=MessageKind.ALARM, at=T0, occurred_at=T0, key="first")


class Night:
    """An unanswered alarm, decided every minute."""

    def __init__(self, callout: OnCall = CALLOUT, machine: Machine = STANDS) -> None:
        self.callout, self.machine = callout, machine
        self.history = [first()]
        self.calls: list[tuple[int, str, str]] = []

    def decide(self, minute: int) -> None:
        now = T0 + minute * MINUTE
        tells, _ = due_calls(self.callout, DANGER, self.machine, self.history, now=now)
        for tell in tells:
            self.calls.append((minute, tell.contact.name, tell.channel))
            self.history.append(
                SentMessage(
                    contact=tell.contact.name,
                    channel=tell.channel,
                    kind=tell.kind,
                    at=now,
                    occurred_at=T0,
                    key=tell.key,
                )
            )


def test_the_person_on_duty_is_called_first_by_the_escalations_way() -> None:
    # 03:00 on Wednesday belongs to Tuesday's turn: Ben's.
    people = CALLOUT.first_called(DANGER, T0)
    assert people is not None
    assert [(p.name, p.channels) for p in people] == [("Ben", ("sms", "email"))]
    assert people[0].receives("east", Priority.HIGH)


def test_nobody_answers_all_night() -> None:
    night = Night()
    for minute in range(62):
        night.decide(minute)
    assert night.calls == [
        (5, "Ben", "sms"),
        (10, "Ben", "sms"),
        (15, "Chief", "email"),
        (30, "Anna", "email"),
        (30, "Ben", "email"),
        (30, "Chief", "email"),
        (45, "Anna", "email"),
        (45, "Ben", "email"),
        (45, "Chief", "email"),
        (60, "Anna", "email"),
        (60, "Ben", "email"),
        (60, "Chief", "email"),
    ]


@pytest.mark.parametrize(
    "state",
    [s for s in AlarmState if s is not AlarmState.UNACKNOWLEDGED],
)
def test_only_an_unanswered_alarm_climbs(state: AlarmState) -> None:
    night = Night(machine=Machine(state=state, since=T0, occurred_at=T0))
    for minute in range(0, 120, 5):
        night.decide(minute)
    assert night.calls == []


def test_a_service_that_was_away_calls_for_the_present_only() -> None:
    night = Night()
    night.decide(47)
    assert sorted(night.calls) == [
        (47, "Anna", "email"),
        (47, "Ben", "sms"),
        (47, "Chief", "email"),
    ]


def test_deciding_twice_calls_once() -> None:
    night = Night()
    for _ in range(3):
        night.decide(16)
    assert night.calls == [(16, "Ben", "sms"), (16, "Chief", "email")]


def test_a_gap_in_the_rota_calls_the_next_step_at_once() -> None:
    gone = OnCall(contacts=CALLOUT.contacts, zone=ZONE, rotas=(), escalations=(ESCALATION,))
    people = gone.first_called(DANGER, T0)
    assert people is not None
    assert [p.name for p in people] == ["Chief"]


def test_a_escalation_of_strangers_calls_everybody_who_answers_for_the_tank() -> None:
    strangers = EscalationPolicy(key="x", steps=(EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="Nobody"),))
    people = OnCall(contacts=CALLOUT.contacts, zone=ZONE, escalations=(strangers,)).first_called(DANGER, T0)
    assert people is not None
    assert [p.name for p in people] == ["Anna", "Ben", "Chief"]


def test_without_a_escalation_nothing_climbs() -> None:
    flat = OnCall(contacts=CALLOUT.contacts, zone=ZONE)
    assert flat.first_called(DANGER, T0) is None
    assert due_calls(flat, DANGER, STANDS, [first()], now=T0 + 60 * MINUTE) == ((), ())


def test_somebody_who_cannot_be_reached_is_named() -> None:
    pagers = replace(CALLOUT, channels=frozenset({"pager"}))
    _, silences = due_calls(pagers, DANGER, STANDS, [first()], now=T0 + 5 * MINUTE)
    assert [(s.contact, s.reason) for s in silences] == [("Ben", RouteReason.NO_CHANNEL)]


@pytest.mark.parametrize(
    ("at", "key"),
    [
        ("2026-01-16 22:00", "night"),
        ("2026-01-17 05:59", "night"),
        ("2026-01-17 06:00", "rest"),
        ("2026-01-17 22:00", "rest"),
        ("2026-01-18 05:00", "rest"),
        # The night the clocks go forward in New York (IANA): 03:30 EDT is still that night.
        ("2026-03-08 03:30", "night"),
        ("2026-01-19 02:00", "night of Sunday"),
        ("2026-01-18 23:00", "night of Sunday"),
        ("2026-01-13 09:00", "day"),
        ("2026-01-13 16:59", "day"),
        ("2026-01-13 17:00", "rest"),
        ("2026-01-13 08:59", "rest"),
        ("2026-01-14 12:00", "rest"),  # a Wednesday
        ("2026-01-15 08:00", "whole Thursday"),
        ("2026-01-16 07:59", "whole Thursday"),
        ("2026-01-15 07:59", "rest"),
        ("2026-01-16 08:00", "rest"),
    ],
)
def test_escalations_by_priority_and_hour(at: str, key: str) -> None:
    night = EscalationPolicy(key="night", steps=(), start=time(22), end=time(6), weekdays=frozenset(range(5)))
    spring = EscalationPolicy(key="night", steps=(), start=time(22), end=time(6), weekdays=frozenset({5}))
    sunday = EscalationPolicy(
        key="night of Sunday",
        steps=(),
        start=time(22),
        end=time(6),
        weekdays=frozenset({6}),
        priorities=frozenset({Priority.HIGH}),
    )
    day = EscalationPolicy(key="day", steps=(), start=time(9), end=time(17), weekdays=frozenset({1}))
    # Equal ends are a whole day, as in a rota: an escalation that never held would leave its alarms to another.
    whole = EscalationPolicy(key="whole Thursday", steps=(), start=time(8), end=time(8), weekdays=frozenset({3}))
    rest = EscalationPolicy(key="rest", steps=())
    weekly = (whole, sunday, day, night)
    callout = OnCall(contacts=(), zone=ZONE, escalations=(spring, rest) if "03-08" in at else (*weekly, rest))
    found = callout.escalation(Priority.HIGH, datetime.fromisoformat(at).replace(tzinfo=ZONE))
    assert found is not None
    assert found.key == key
    assert OnCall(contacts=(), zone=ZONE, escalations=(ESCALATION,)).escalation(Priority.LOW, T0) is None


def test_an_alarm_of_the_night_keeps_the_nights_escalation_after_dawn() -> None:
    """Else the people change in the midst of it: whoever is next was never to be called, and who was is not."""
    night = EscalationPolicy(
        key="night",
        start=time(22),
        end=time(6),
        steps=(EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="West"),),
    )
    day = EscalationPolicy(key="day", steps=(EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="Anna"),))
    callout = replace(CALLOUT, escalations=(night, day))
    dawn = T0 + timedelta(hours=4)
    begun = replace(STANDS, called_since=dawn)
    people = callout.first_called(DANGER, dawn, begun)
    assert people is not None
    assert [p.name for p in people] == ["West"]
    assert [p.name for p in callout.callable(DANGER, begun, dawn)] == ["West", "Anna", "Ben", "Chief"]


def test_a_step_calls_those_who_can_be_reached_though_another_on_it_cannot() -> None:
    steps = (
        EscalationStep(after=timedelta(0), whom=Whom.EVERYBODY),
        EscalationStep(after=15 * MINUTE, whom=Whom.CONTACT, name="Anna"),
    )
    people = replace(NO_PAGER, escalations=(replace(ESCALATION, steps=steps),)).first_called(DANGER, T0)
    assert people is not None
    assert [p.name for p in people] == ["Anna", "Ben", "Chief"]


def test_where_nobody_can_be_reached_the_first_step_is_named_all_the_same() -> None:
    people = replace(CALLOUT, channels=frozenset({"pager"})).first_called(DANGER, T0)
    assert people is not None
    assert [p.name for p in people] == ["Ben"]
    assert replace(CALLOUT, contacts=()).first_called(DANGER, T0) == ()


def test_what_concerns_the_whole_plant_is_everybodys() -> None:
    assert [c.name for c in CALLOUT.everybody(replace(DANGER, tank=None))] == ["Anna", "Ben", "Chief", "West"]


def test_a_danger_calls_everybody_on_once_every_step_has_had_all_its_rounds() -> None:
    steps = (
        EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="Anna", again_every=5 * MINUTE, again_times=2),
        EscalationStep(after=20 * MINUTE, whom=Whom.CONTACT, name="Chief"),
        EscalationStep(after=20 * MINUTE, whom=Whom.CONTACT, name="Ben", again_every=20 * MINUTE, again_times=1),
    )
    callout = replace(NO_PAGER, contacts=NO_PAGER.contacts[:3], escalations=(replace(ESCALATION, steps=steps),))
    danger, history, calls = replace(DANGER, improve_within=15 * MINUTE), [first("Anna", "email")], []
    for minute in range(60):
        now = T0 + minute * MINUTE
        tells, silences = due_calls(callout, danger, STANDS, history, now=now)
        calls += [(minute, tell.contact.name) for tell in tells]
        assert [s.contact for s in silences].count("Chief") <= 1  # who cannot be reached is named once
        history += [replace(first(t.contact.name, t.channel), at=now, key=t.key) for t in tells]
    assert calls == [(5, "Anna"), (10, "Anna"), (20, "Ben"), (40, "Ben"), (55, "Anna"), (55, "Ben")]


def test_an_alarm_that_calls_again_and_reaches_nobody_waits_from_then_for_all_to_be_called() -> None:
    danger, flat = replace(DANGER, improve_within=15 * MINUTE), OnCall(contacts=(ANNA,), zone=ZONE)
    again = replace(STANDS, called_since=T0 + 60 * MINUTE)
    assert due_calls(flat, danger, again, [], now=T0 + 74 * MINUTE)[0] == ()
    assert [tell.contact.name for tell in due_calls(flat, danger, again, [], now=T0 + 75 * MINUTE)[0]] == ["Anna"]


def test_a_call_again_is_another_message_and_hangs_under_the_first_of_its_own_person_and_way() -> None:
    again = replace(STANDS, called_since=T0 + 60 * MINUTE)
    [before], _ = due_calls(
        CALLOUT, DANGER, STANDS, [first("Chief"), first("Ben", "email"), first()], now=T0 + 5 * MINUTE
    )
    assert before.reply_to == "first"
    told = [
        replace(first(name, way), at=T0 + 60 * MINUTE, key=f"{name} {way}")
        for name, way in (("Chief", "sms"), ("Ben", "email"), ("Ben", "sms"))
    ]
    [after], _ = due_calls(CALLOUT, DANGER, again, told, now=T0 + 65 * MINUTE)
    assert (after.contact.name, after.reply_to) == ("Ben", "Ben sms")
    assert after.key != before.key  # else the outbox would take it for one that was written already


def test_what_was_told_before_its_time_by_another_clock_still_counts() -> None:
    early = [replace(first(), at=T0 - MINUTE)]
    assert told_since_it_called(replace(STANDS, called_since=T0), early) == early


def after_no(machine: Machine, *told: str, callout: OnCall = CALLOUT) -> tuple[list[str], bool, bool]:
    history = [first(name) for name in told]
    found = calls_after_no(callout, DANGER, machine, history, now=T0 + MINUTE)
    return [tell.contact.name for tell in found.tells], found.nobody_new, found.nobody_left


def declined(*names: str, without_code: tuple[str, ...] = ()) -> Machine:
    return replace(STANDS, declined=names, declined_without_code=without_code)


@pytest.mark.parametrize(
    ("machine", "told", "called"),
    [
        (declined("Ben"), ("Ben",), (["Chief"], False, False)),
        (declined(without_code=("Ben",)), ("Ben",), (["Chief"], False, False)),
        (declined("Ben", "Chief"), ("Ben", "Chief"), (["Anna"], False, False)),
        (declined("Ben"), ("Ben", "Chief", "Anna"), (["Chief", "Anna"], True, False)),
        (declined("Ben", "Chief", "Anna"), ("Ben", "Chief", "Anna"), (["Ben", "Chief", "Anna"], True, True)),
        (
            declined(without_code=("Ben", "Chief", "Anna")),
            ("Ben", "Chief", "Anna"),
            (["Ben", "Chief", "Anna"], True, False),
        ),
    ],
)
def test_a_no_calls_the_next_person_at_once(
    machine: Machine, told: tuple[str, ...], called: tuple[list[str], bool, bool]
) -> None:
    assert after_no(machine, *told) == called


def test_only_a_call_about_this_occurrence_is_a_call() -> None:
    """Chief heard that Ben had it, and of last week's alarm: of this danger nobody has told Chief."""
    heard = [
        replace(first("Chief"), kind=MessageKind.ACKNOWLEDGED),
        replace(first("Chief"), occurred_at=T0 - 99 * MINUTE),
    ]
    found = calls_after_no(CALLOUT, DANGER, declined("Ben"), [first(), *heard], now=T0 + MINUTE)
    assert [tell.contact.name for tell in found.tells] == ["Chief"]


def test_a_no_where_nobody_can_be_reached_says_so() -> None:
    pagers = replace(CALLOUT, channels=frozenset({"pager"}))
    assert after_no(declined("Ben"), "Ben", callout=pagers) == ([], True, True)
    assert (
        calls_after_no(CALLOUT, DANGER, replace(STANDS, state=AlarmState.ACKNOWLEDGED), [first()], now=T0) == AfterNo()
    )


def test_a_no_without_a_escalation_calls_who_was_not_called_yet() -> None:
    flat = OnCall(contacts=CALLOUT.contacts, zone=ZONE)
    assert after_no(declined("Ben"), "Ben", "Chief", callout=flat) == (["Anna"], False, False)


def test_who_said_no_with_the_code_is_not_called_again_while_others_are_left() -> None:
    night = Night(machine=declined("Ben"))
    for minute in range(50):
        night.decide(minute)
    assert {name for _, name, _ in night.calls} == {"Chief", "Anna"}


def test_why_somebody_who_said_no_is_not_called_is_told_or_nobody_could_see_who_was_left_out() -> None:
    _, silences = due_calls(CALLOUT, DANGER, declined("Ben"), [first()], now=T0 + 5 * MINUTE)
    assert [(s.contact, s.reason) for s in silences] == [("Ben", RouteReason.SAID_NO)]


def test_when_all_have_said_no_all_are_called() -> None:
    night = Night(machine=declined("Ben", "Chief", "Anna"))
    for minute in range(50):
        night.decide(minute)
    assert {name for _, name, _ in night.calls} == {"Ben", "Chief", "Anna"}


#: Chief has an address, and no channel that works here.
NO_PAGER = replace(CALLOUT, contacts=(ANNA, BEN, replace(CHIEF, channels=("pager",)), WEST))


def test_who_cannot_be_reached_is_nobody_left_to_call() -> None:
    assert after_no(declined("Ben", "Anna"), "Ben", "Anna", callout=NO_PAGER) == (["Ben", "Anna"], True, True)
    assert NO_PAGER.said_no(DANGER, declined("Ben"), T0) == {"Ben"}  # Anna is left
    night = Night(machine=declined("Ben", "Anna"), callout=NO_PAGER)
    for minute in range(50):
        night.decide(minute)
    assert {name for _, name, _ in night.calls} == {"Ben", "Anna"}


def test_who_was_sent_only_what_was_refused_for_good_is_nobody_left_to_call() -> None:
    refused = [first("Ben"), replace(first("Chief"), failed=True), first("Anna")]
    found = calls_after_no(CALLOUT, DANGER, declined("Ben", "Anna"), refused, now=T0 + MINUTE)
    assert (found.nobody_left, [tell.contact.name for tell in found.tells]) == (True, ["Ben", "Chief", "Anna"])
    late, _ = due_calls(CALLOUT, DANGER, declined("Ben", "Anna"), refused, now=T0 + 40 * MINUTE)
    assert {tell.contact.name for tell in late} >= {"Ben", "Anna"}


def test_a_step_where_nobody_can_be_reached_is_not_who_is_called_first() -> None:
    chief_first = replace(NO_PAGER, escalations=(replace(ESCALATION, steps=ESCALATION.steps[1:]),))
    people = chief_first.first_called(DANGER, T0)
    assert people is not None
    assert any(chief_first.way(person) for person in people)


def test_a_no_without_the_code_takes_nobody_off_the_escalation() -> None:
    night = Night(machine=declined(without_code=("Ben",)))
    for minute in range(12):
        night.decide(minute)
    assert [name for _, name, _ in night.calls] == ["Ben", "Ben"]


def test_it_calls_again_first_whoever_had_it_then_the_escalation_from_its_beginning() -> None:
    again = replace(STANDS, since=T0 + 60 * MINUTE, called_since=T0 + 60 * MINUTE, had_by="chief")
    people = CALLOUT.first_called(DANGER, T0 + 60 * MINUTE, again)
    assert people is not None
    assert [p.name for p in people] == ["Chief"]
    night = Night(machine=again)
    night.history.append(replace(first("Chief", "email"), at=T0 + 60 * MINUTE, key="again"))
    for minute in range(60, 86):
        night.decide(minute)
    assert night.calls == [
        (65, "Ben", "sms"),
        (70, "Ben", "sms"),
        (75, "Ben", "sms"),
        (80, "Chief", "email"),
    ]


def test_a_danger_nobody_answers_calls_on_after_the_last_step() -> None:
    danger = replace(DANGER, improve_within=15 * MINUTE)
    flat = OnCall(contacts=(ANNA, BEN), zone=ZONE)
    history = [first("Anna"), first("Ben")]
    calls = []
    for minute in range(61):
        now = T0 + minute * MINUTE
        tells, _ = due_calls(flat, danger, STANDS, history, now=now)
        calls += [(minute, tell.contact.name) for tell in tells]
        history += [replace(first(t.contact.name, t.channel), at=now, key=t.key) for t in tells]
    assert calls == [(m, name) for m in (15, 30, 45, 60) for name in ("Anna", "Ben")]
    assert due_calls(flat, DANGER, STANDS, [first()], now=T0 + 99 * MINUTE)[0] == ()
