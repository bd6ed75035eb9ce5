"""Edges of the alarm rules, and conditions of which each half matters: a call too few or too many at the very limit."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.alarms.backtest import LIMIT_STEPS, Backtest
from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.alarms.machine import (
    AlarmState,
    Evaluate,
    Event,
    Input,
    Machine,
    MachineReason,
    ReturnToService,
    Transition,
    Unshelve,
    step,
)
from service.alarms.rules import Condition, ConnectorSeen, DutySeen, RuleInput, RuleReason, RuleResult, judge
from service.calls.backtest import _active
from service.calls.comparison import AlarmSpell, _first_beyond
from service.calls.contact import Contact, is_mail_address
from service.calls.duty import Rota, Shift, stretches
from service.calls.escalation import EscalationPolicy, EscalationStep, OnCall, Whom, due_calls
from service.calls.replies import TookCore, Unclear, read_reply
from service.calls.retry import PATIENT_WAITS, SIGN_IN_WAITS, WAITS
from service.calls.routing import MessageKind, RouteReason, SentMessage, failover, route
from tests.unit.alarms.cases import T0, situation

MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
UTC_ZONE = ZoneInfo("UTC")
HIGH = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.2)
DANGER = replace(HIGH, key="east.high-high", kind=AlarmKind.HIGH_HIGH, priority=Priority.HIGH)


def person(name: str, *channels: str, **more: object) -> Contact:
    given = {"email": f"{name}@example.org", "phone": "+15550100", "channels": channels or ("email", "sms")}
    return Contact(name=name, **(given | more))  # type: ignore[arg-type]


def said(name: str, channel: str = "email", *, at: datetime = T0, kind: MessageKind = MessageKind.ALARM) -> SentMessage:
    return SentMessage(contact=name, channel=channel, kind=kind, at=at, occurred_at=T0, key=f"{name} {channel} {at}")


# --- who is called -----------------------------------------------------------------------------------------------------


def test_an_address_is_at_most_as_long_as_mail_servers_carry() -> None:
    # RFC 5321 section 4.5.3.1.3: a path has at most 256 octets, two of them its brackets.
    def of(length: int) -> str:
        local = "a" * 64 + "@"
        rest = length - len(local) - len(".org")
        labels = "b" * 63 + "." + "b" * 63 + "." + "b" * (rest - 128)
        return f"{local}{labels}.org"

    assert len(of(254)) == 254
    assert is_mail_address(of(254))
    assert not is_mail_address(of(255))


ROTA = Rota(key="ops", zone=UTC_ZONE, shifts=(Shift(name="s", people=("Anna", "Ben"), first_day=date(2026, 1, 12)),))


def test_a_turn_that_ended_as_the_look_begins_is_no_part_of_it() -> None:
    # Turns of a week, handed over on Monday at 07:00.
    start = datetime(2026, 1, 19, 7, tzinfo=UTC)
    found = stretches(ROTA, start, start + timedelta(hours=5))
    assert [(one.start, one.end, one.person) for one in found] == [(start, start + timedelta(hours=5), "Ben")]


def test_whoever_was_called_a_moment_ago_is_not_called_again_though_others_were_called_long_before() -> None:
    """One call too many within minutes is taken for another alarm."""
    escalation = EscalationPolicy(
        key="danger",
        priorities=frozenset({Priority.HIGH}),
        steps=(
            EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="Anna"),
            EscalationStep(after=15 * MINUTE, whom=Whom.CONTACT, name="Ben"),
        ),
    )
    callout = OnCall(contacts=(person("Anna"), person("Ben")), zone=UTC_ZONE, escalations=(escalation,))
    stands = Machine(state=AlarmState.UNACKNOWLEDGED, since=T0, active=True, code="K7QDHM", occurred_at=T0)
    now = T0 + 15 * MINUTE
    for ago in (MINUTE, 4 * MINUTE - timedelta(seconds=1)):
        tells, silences = due_calls(callout, DANGER, stands, [said("Anna"), said("Ben", at=now - ago)], now=now)
        assert not tells
        assert [(s.contact, s.reason) for s in silences] == [("Ben", RouteReason.JUST_TOLD)]
    tells, _ = due_calls(callout, DANGER, stands, [said("Anna"), said("Ben", at=now - 4 * MINUTE)], now=now)
    assert [tell.contact.name for tell in tells] == ["Ben"]


def test_nobody_who_was_told_already_stands_in_for_another() -> None:
    """Dora has the message by mail; a text to her would reach nobody new, while Eve has heard nothing."""
    anna, dora, eve = person("Anna", "email"), person("Dora"), person("Eve", "email", priorities=(Priority.LOW,))
    history = [said("Anna"), said("Dora")]
    chosen = failover(HIGH, (anna, dora, eve), history[0], history, frozenset({"email", "sms"}))
    assert chosen is not None
    assert (chosen.contact.name, chosen.channel) == ("Eve", "email")


def test_who_stands_in_has_an_address_answers_for_the_tank_and_was_not_tried() -> None:
    both = frozenset({"email", "sms"})

    def instead(definition: AlarmDefinition, *contacts: Contact) -> tuple[str, str] | None:
        # What failed may not be in the history yet.
        found = failover(definition, contacts, said("Anna"), [], both)
        return None if found is None else (found.contact.name, found.channel)

    anna = person("Anna", phone=None)
    east, west = (person(name, tanks=(name,), priorities=(Priority.LOW,)) for name in ("east", "west"))
    assert instead(HIGH, anna) is None
    assert instead(HIGH, anna, west, east) == ("east", "email")
    assert instead(replace(HIGH, tank=None), anna, west, east) == ("west", "email")  # the whole plant's is everybody's


def transition(event: Event, before: AlarmState, after: AlarmState, at: datetime = T0) -> Transition:
    return Transition(
        at=at,
        event=event,
        from_state=before,
        to_state=after,
        reason=MachineReason.BY_PERSON,
        code="K7QDHM",
        occurred_at=T0,
    )


RETURNED = transition(Event.RETURNED, AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, T0 + 30 * MINUTE)
OCCURRED = transition(Event.OCCURRED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED)


def routed(
    moved: Transition, history: list[SentMessage], contacts: tuple[Contact, ...], **more: object
) -> list[tuple[str, str]]:
    [routing] = route(
        (moved,), Machine(state=moved.to_state), HIGH, contacts, history, now=moved.at,
        channels=frozenset({"email", "sms"}), **more,  # type: ignore[arg-type]
    )  # fmt: skip
    return [(tell.contact.name, tell.channel) for tell in routing.tells]


def test_the_end_goes_the_way_the_alarm_went() -> None:
    """Whoever was woken by a text hears by text that they can sleep on, whatever else came by mail meanwhile."""
    history = [said("Anna", "sms"), said("Anna", "email", at=T0 + 9 * MINUTE, kind=MessageKind.ACKNOWLEDGED)]
    assert routed(RETURNED, history, (person("Anna"),)) == [("Anna", "sms")]
    assert routed(RETURNED, [said("Anna")], (person("Anna", "sms", "email"),)) == [("Anna", "email")]


def test_the_end_is_told_after_somebody_took_it_and_not_after_the_end_was_told() -> None:
    taken = [said("Anna"), said("Anna", at=T0 + MINUTE, kind=MessageKind.ACKNOWLEDGED)]
    assert routed(RETURNED, taken, (person("Anna"),)) == [("Anna", "email")]
    over = [said("Anna"), said("Anna", at=T0 + MINUTE, kind=MessageKind.CLEARED)]
    assert routed(RETURNED, over, (person("Anna"),)) == []


def test_a_message_counts_to_the_very_end_of_the_time_it_is_remembered() -> None:
    earlier = replace(said("Anna", at=RETURNED.at - 12 * HOUR), occurred_at=T0 - 20 * HOUR)
    assert routed(RETURNED, [earlier], (person("Anna"),)) == [("Anna", "email")]
    forgotten = replace(earlier, at=earlier.at - timedelta(seconds=1))
    assert routed(RETURNED, [forgotten], (person("Anna"),)) == []
    # Of what was told of this very occurrence the end is told however long it stood.
    assert routed(RETURNED, [replace(forgotten, occurred_at=T0)], (person("Anna"),)) == [("Anna", "email")]


def test_a_consequence_is_folded_only_for_those_whom_its_cause_calls() -> None:
    """Ben answers for this tank alone; the cause is another tank's, so nobody else would call him."""
    cause = replace(HIGH, key="west.high", tank="west")
    both = (person("Anna"), person("Ben", tanks=("east",)))
    assert routed(OCCURRED, [], both, folded_under=cause) == [("Ben", "email")]
    # An escalation calls whom it names, for the cause as well.
    assert routed(OCCURRED, [], both, folded_under=cause, first_called=both) == []


# --- the machine ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "given"),
    [(AlarmState.SHELVED, Unshelve(who=" ")), (AlarmState.OUT_OF_SERVICE, ReturnToService(who=""))],
)
def test_nobody_unnamed_takes_an_alarm_off_the_shelf_or_back_into_service(state: AlarmState, given: Input) -> None:
    """IEC 62682 asks who did it; a journal without a name answers nothing."""
    stands = Machine(state=state, since=T0, shelved_until=T0 + HOUR)
    taken = step(HIGH, stands, given, T0 + MINUTE)
    assert (taken.reason, taken.machine.state, taken.refused) == (MachineReason.NAME_AND_REASON_NEEDED, state, True)


@pytest.mark.parametrize("again", [replace(HIGH, re_alarm_after=HOUR), replace(HIGH, improve_within=HOUR)])
def test_an_acknowledged_alarm_whose_moment_is_not_known_re_alarms_from_when_it_changed_state(
    again: AlarmDefinition,
) -> None:
    stands = Machine(state=AlarmState.ACKNOWLEDGED, since=T0, active=True, code="K7QDHM", occurred_at=T0)
    abnormal = Evaluate(verdict=RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.BEYOND_LIMIT))
    assert step(again, stands, abnormal, T0 + HOUR - MINUTE).machine.state is AlarmState.ACKNOWLEDGED
    assert step(again, stands, abnormal, T0 + HOUR).machine.state is AlarmState.UNACKNOWLEDGED


# --- rules ------------------------------------------------------------------------------------------------------------


def test_without_an_estimate_nothing_is_said_of_its_rate() -> None:
    verdict = judge(replace(HIGH, kind=AlarmKind.RATE, limit=0.3), situation(height=None))
    assert (verdict.condition, verdict.reason) == (Condition.UNKNOWN, RuleReason.NO_ESTIMATE)


def system(watch: SystemWatch, limit: float, **seen: object) -> RuleResult:
    of = AlarmDefinition(key="k", kind=AlarmKind.SYSTEM, tank=None, watch=watch, connector="drop", limit=limit)
    return judge(of, RuleInput(at=T0, **seen))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("gap", "condition", "ahead"),
    [
        (None, Condition.NORMAL, None),
        (24 * HOUR + MINUTE, Condition.NORMAL, None),
        (24 * HOUR, Condition.ABNORMAL, 24.0),
        (timedelta(0), Condition.ABNORMAL, 0.0),
        (-HOUR, Condition.ABNORMAL, 0.0),
    ],
)
def test_a_hole_in_the_rota_is_told_a_day_ahead(
    gap: timedelta | None, condition: Condition, ahead: float | None
) -> None:
    seen = DutySeen(gap_at=None if gap is None else T0 + gap, rota="ops")
    verdict = system(SystemWatch.DUTY, 24.0, duty=seen)
    assert (verdict.condition, verdict.value) == (condition, ahead)
    assert verdict.detail == ("ops" if condition is Condition.ABNORMAL else "")


def test_a_source_is_late_only_beyond_its_time() -> None:
    def good(ago: timedelta) -> Condition:
        seen = ConnectorSeen(key="drop", last_good_at=T0 - ago, started_at=T0 - 2 * HOUR)
        return system(SystemWatch.CONNECTOR, 0.25, connectors=(seen,)).condition

    assert good(15 * MINUTE) is Condition.NORMAL
    assert good(15 * MINUTE + timedelta(microseconds=1)) is Condition.ABNORMAL
    assert (ConnectorSeen(key="drop").lost, ConnectorSeen(key="drop").refused) == (0, 0)


# --- rehearsal --------------------------------------------------------------------------------------------------------


def test_limits_tried_are_half_a_foot_and_a_foot_or_their_round_metres() -> None:
    assert LIMIT_STEPS == {
        "us": (-0.3048, -0.1524, 0.0, 0.1524, 0.3048),
        "si": (-0.3, -0.15, 0.0, 0.15, 0.3),
    }


def test_no_limit_is_tried_at_or_below_the_weir() -> None:
    tried = [replace(HIGH, limit=0.3), replace(HIGH, limit=None), replace(HIGH, kind=AlarmKind.RATE)]
    trials = Backtest(tried, "si").trials
    assert {trial.limit_change for trial in trials} == {-0.15, 0.0, 0.15, 0.3}
    assert {round(trial.track.definition.limit or 0.0, 2) for trial in trials} == {0.15, 0.3, 0.45, 0.6}
    assert {trial.track.definition.on_delay / MINUTE for trial in trials} == {0.0, 1.0, 5.0}


def test_a_core_at_the_ends_of_the_time_looked_at_counts() -> None:
    cores = [(T0, 0.5), (T0 + HOUR, 2.0), (T0 + 2 * HOUR, 0.5)]
    assert [one.at for one in _first_beyond(cores, 1.2, T0, T0 + 2 * HOUR)] == [T0, T0 + 2 * HOUR]
    assert _first_beyond([(T0, 1.2)], 1.2, T0, T0) == []


def test_an_alarm_is_active_from_when_people_knew_until_it_ended() -> None:
    first = AlarmSpell(start=T0, called_at=T0 + 5 * MINUTE, end=T0 + HOUR)
    standing = AlarmSpell(start=T0 + 3 * HOUR, called_at=T0 + 3 * HOUR, end=None)

    def active(after: timedelta) -> bool:
        return _active([(HIGH, (first, standing))], T0 + after) == [HIGH]

    known = [(timedelta(minutes=4), False), (timedelta(minutes=5), True), (59 * MINUTE, True), (HOUR, False)]
    later = [(2 * HOUR, False), (3 * HOUR, True), (30 * HOUR, True)]
    assert [active(after) for after, _ in known + later] == [wanted for _, wanted in known + later]


def test_of_two_lengths_in_a_reply_the_last_is_the_core() -> None:
    assert read_reply("core from the 6 ft mark east 2.4 ft") == TookCore(2.4, "ft", 2.4 * 0.3048, "from 6 ft mark east")


def test_the_last_number_without_a_unit_is_the_core() -> None:
    assert read_reply("2 ft 6 in") == TookCore(2.5, "ft", 2.5 * 0.3048)
    words = "cored the tank in the east by the stairs, it was 3.1"
    assert isinstance(read_reply(words), TookCore)  # twelve words, which is as long as a core is told
    assert read_reply(f"just {words}") == Unclear()
    found = read_reply("core tank 2 3.1")
    assert isinstance(found, TookCore)
    assert (found.number, found.unit) == (3.1, None)


def test_an_alarm_that_comes_and_goes_stays_silent_though_somebody_took_it_meanwhile() -> None:
    """That Ben has it is no end: the last word Anna had of it is still "alarm"."""
    came = [
        replace(said("Anna", at=T0 - minutes * MINUTE), occurred_at=T0 - minutes * MINUTE) for minutes in (30, 20, 10)
    ]
    taken = replace(said("Anna", at=T0 - 5 * MINUTE, kind=MessageKind.ACKNOWLEDGED), occurred_at=T0 - 10 * MINUTE)
    assert routed(OCCURRED, [*came, taken], (person("Anna"),)) == []
    assert routed(OCCURRED, came[1:], (person("Anna"),)) == [("Anna", "email")]


@pytest.mark.parametrize(
    ("first", "last", "silent"),
    [
        (HOUR, 10 * MINUTE, True),
        (HOUR + MINUTE, 10 * MINUTE, False),
        (HOUR, 15 * MINUTE, False),
        (HOUR, 14 * MINUTE, True),
    ],
)
def test_three_times_within_an_hour_is_silent_for_a_quarter_of_an_hour(
    first: timedelta, last: timedelta, silent: bool
) -> None:
    came = [replace(said("Anna", at=T0 - ago), occurred_at=T0 - ago) for ago in (first, 20 * MINUTE, last)]
    assert (routed(OCCURRED, came, (person("Anna"),)) == []) is silent


def test_ends_and_answers_are_no_coming_and_going() -> None:
    """Only alarms count: three short messages about one alarm must not silence the next."""
    kinds = (MessageKind.ACKNOWLEDGED, MessageKind.CLEARED, MessageKind.ALARM)
    told = [
        replace(said("Anna", at=T0 - ago, kind=kind), occurred_at=T0 - ago)
        for ago, kind in zip((30 * MINUTE, 20 * MINUTE, 10 * MINUTE), kinds, strict=True)
    ]
    assert routed(OCCURRED, told, (person("Anna"),)) == [("Anna", "email")]


@pytest.mark.parametrize(("ago", "condition"), [(HOUR, Condition.ABNORMAL), (HOUR + MINUTE, Condition.NORMAL)])
def test_lost_samples_are_told_for_an_hour(ago: timedelta, condition: Condition) -> None:
    seen = ConnectorSeen(key="drop", last_good_at=T0, started_at=T0, lost=3, lost_at=T0 - ago)
    assert system(SystemWatch.CONNECTOR, 0.25, connectors=(seen,)).condition is condition


# --- found by a second sample -------------------------------------------------------------------------------------------


def test_waits_between_tries_are_those_written_down() -> None:
    """Close together for an hour, as somebody is to be woken; further apart where each try may be one more copy, or locks an account."""

    def minutes(waits: tuple[timedelta, ...]) -> list[float]:
        return [wait / MINUTE for wait in waits]

    assert minutes(WAITS) == [0.25, 0.5, 1.0, *[2.0] * 30, 5.0]
    assert minutes(PATIENT_WAITS) == [0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0]
    assert minutes(SIGN_IN_WAITS) == [2.0, 4.0, 8.0, 15.0]


@pytest.mark.parametrize(
    ("ahead", "reason"), [(MINUTE, MachineReason.LATE), (MINUTE + MINUTE / 60, MachineReason.STILL_NORMAL)]
)
def test_a_clock_set_back_by_more_than_clocks_differ_keeps_no_alarm_from_being_looked_at(
    ahead: timedelta, reason: MachineReason
) -> None:
    normal = Evaluate(verdict=RuleResult(condition=Condition.NORMAL, reason=RuleReason.WITHIN_LIMIT), live=True)
    assert step(HIGH, Machine(since=T0 + ahead), normal, T0).reason is reason


def test_without_a_sensor_nothing_reads_high() -> None:
    verdict = judge(replace(HIGH, kind=AlarmKind.READS_HIGH, limit=None), replace(situation(), sensors=()))
    assert (verdict.condition, verdict.reason) == (Condition.NORMAL, RuleReason.SENSOR_GOOD)


def test_the_end_hangs_under_the_message_of_its_own_way_and_occurrence() -> None:
    """A mail program shows them as one conversation; under another channel's or occurrence's key it would not."""
    other_way = said("Anna", "sms", at=T0 - 2 * MINUTE)
    earlier = replace(said("Anna", at=T0 - MINUTE), occurred_at=T0 - HOUR)
    right = said("Anna", at=T0)
    [routing] = route(
        (RETURNED,), Machine(state=RETURNED.to_state), HIGH, (person("Anna"),), [other_way, earlier, right],
        now=RETURNED.at, channels=frozenset({"email", "sms"}),
    )  # fmt: skip
    assert [(tell.channel, tell.reply_to) for tell in routing.tells] == [("email", right.key)]


def test_an_alarm_that_returned_and_came_back_before_anybody_looked_still_calls_however_late() -> None:
    """Only what is over long since is no call; this one stands again."""
    back = transition(Event.RETURNED, AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, T0 + MINUTE)
    again = transition(Event.RE_ALARMED, AlarmState.RETURNED, AlarmState.UNACKNOWLEDGED, T0 + 2 * MINUTE)
    routings = route(
        (OCCURRED, back, again), Machine(state=AlarmState.UNACKNOWLEDGED), HIGH, (person("Anna"),), [],
        now=T0 + 2 * HOUR, channels=frozenset({"email"}),
    )  # fmt: skip
    assert [[tell.contact.name for tell in one.tells] for one in routings] == [[], [], ["Anna"]]


def test_others_called_a_moment_ago_do_not_keep_the_next_person_from_being_called() -> None:
    escalation = EscalationPolicy(
        key="danger",
        priorities=frozenset({Priority.HIGH}),
        steps=(
            EscalationStep(after=timedelta(0), whom=Whom.CONTACT, name="Anna"),
            EscalationStep(after=15 * MINUTE, whom=Whom.CONTACT, name="Ben"),
        ),
    )
    callout = OnCall(contacts=(person("Anna"), person("Ben")), zone=UTC_ZONE, escalations=(escalation,))
    stands = Machine(state=AlarmState.UNACKNOWLEDGED, since=T0, active=True, code="K7QDHM", occurred_at=T0)
    now = T0 + 15 * MINUTE
    history = [said("Anna"), said("Anna", "sms", at=now - MINUTE)]
    tells, _ = due_calls(callout, DANGER, stands, history, now=now)
    assert [tell.contact.name for tell in tells] == ["Ben"]
