"""Bounds of trying again, of silence, of folding and of a person's word: what holds at the very limit and what just beyond it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.alarms.backtest import BacktestLine
from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch, system_definitions
from service.alarms.grouping import StandingAlarm, causes_of, filling_seen, shared_cause
from service.alarms.machine import AlarmState, Event, Machine, Transition
from service.alarms.machine import MachineReason as Moved
from service.alarms.observations import CoreSeen, EffluentSeen, TakenBack, contradiction, newest_core
from service.calls.comparison import AlarmSpell, Danger, Lead, Score, _lead, spells
from service.calls.contact import Contact, is_mail_address
from service.calls.retry import OF_CHANNEL, PERMANENT, Failure, GiveUp, next_try
from service.domain.blanket.estimate import Assessment
from service.domain.cores.core import Surface
from service.domain.operations.silence import Liveness, SilenceNotice, due, seen, told
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import SignalKind
from tests.unit.alarms.cases import T0

S, MIN, H, D = timedelta(seconds=1), timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)
F = Failure

# --- trying again -----------------------------------------------------------------------------------------------------

#: failure: (whether trying again can help, whether it is the other side's own trouble, waits after the first tries [s], why)
FAILURES: dict[Failure, tuple[bool, bool, tuple[float, ...], str]] = {
    F.UNREACHABLE: (True, True, (15, 30, 60, 120, 120), "somebody waits to be woken"),
    F.TIMED_OUT: (True, True, (15, 30, 60, 120, 120), "the same"),
    F.TEMPORARY: (True, False, (15, 30, 60, 120, 120), "greylisting (RFC 6647) lets a retry in after minutes"),
    F.TLS: (True, True, (15, 30, 60, 120, 120), "a certificate may be put right at any time"),
    F.BROKE_OFF: (True, False, (15, 30, 60, 120, 240, 480, 900, 900), "it may have been taken: each try may be a copy"),
    F.RATE_LIMITED: (True, True, (15, 30, 60, 120, 240, 480, 900, 900), "it asked for patience"),
    F.GARBAGE: (True, False, (15, 30, 60, 120, 240, 480, 900, 900), "somebody has to look"),
    F.SIGN_IN: (True, True, (120, 240, 480, 900, 900), "accounts tried too often are locked"),
    F.RECIPIENT_REFUSED: (False, False, (), "the next person"),
    F.REFUSED: (False, False, (), "the next person"),
    F.UNUSABLE_ADDRESS: (False, False, (), "the next person"),
}


@pytest.mark.parametrize("failure", list(Failure))
def test_when_each_failure_is_tried_again(failure: Failure) -> None:
    helps, channel, waits, why = FAILURES[failure]
    assert (failure not in PERMANENT) is helps, why
    assert (failure in OF_CHANNEL) is channel, why
    found = [next_try(n, failure, created_at=T0, now=T0).at for n in range(1, len(waits) + 1)]
    assert found == [T0 + timedelta(seconds=wait) for wait in waits], why
    if not helps:
        given_up = next_try(1, failure, created_at=T0, now=T0)
        assert (given_up.at, given_up.give_up, given_up.stuck) == (None, GiveUp.PERMANENT, True)
    else:
        assert next_try(0, failure, created_at=T0, now=T0).at == T0 + timedelta(seconds=waits[0])


def test_four_tries_or_five_minutes_are_stuck() -> None:
    def stuck(attempts: int, age: timedelta) -> bool:
        return next_try(attempts, F.TEMPORARY, created_at=T0 - age, now=T0).stuck

    assert [stuck(n, 0 * S) for n in (1, 2, 3, 4, 5)] == [False, False, False, True, True]
    assert not stuck(1, 5 * MIN - 15 * S)  # at its next try it will have waited five minutes, and no more
    assert stuck(1, 5 * MIN - 14 * S)


def test_after_two_days_a_message_tells_of_the_past_only() -> None:
    last = next_try(9, F.TEMPORARY, created_at=T0 - 2 * D + 2 * MIN, now=T0)
    assert (last.at, last.give_up) == (T0 + 2 * MIN, None)
    over = next_try(9, F.TEMPORARY, created_at=T0 - 2 * D + 2 * MIN - S, now=T0)
    assert (over.at, over.give_up, over.stuck) == (None, GiveUp.TOO_OLD, True)


@pytest.mark.parametrize(
    ("asked", "granted"), [(0 * S, 5 * S), (5 * S, 5 * S), (6 * S, 6 * S), (30 * MIN, 30 * MIN), (D, 30 * MIN)]
)
def test_the_other_side_is_granted_between_seconds_and_half_an_hour(asked: timedelta, granted: timedelta) -> None:
    assert next_try(1, F.RATE_LIMITED, created_at=T0, now=T0, retry_after=asked).at == T0 + granted


# --- silence ----------------------------------------------------------------------------------------------------------


def test_a_silence_is_told_after_its_time_and_again_at_its_interval() -> None:
    limits = {"after": 3 * MIN, "again": 30 * MIN}
    silent = seen(Liveness(), "no answer", T0)
    assert (silent.silent_since, silent.why) == (T0, "no answer")
    assert seen(silent, "refused", T0 + MIN).silent_since == T0
    assert seen(silent, "refused", T0 + MIN).why == "refused"
    assert due(silent, T0 + 3 * MIN - S, **limits) is None
    assert due(silent, T0 + 3 * MIN, **limits) is SilenceNotice.SILENT
    known = told(silent, SilenceNotice.SILENT, T0 + 3 * MIN)
    assert due(known, T0 + 33 * MIN - S, **limits) is None
    assert due(known, T0 + 33 * MIN, **limits) is SilenceNotice.STILL_SILENT
    again = told(known, SilenceNotice.STILL_SILENT, T0 + 33 * MIN)
    assert due(again, T0 + 60 * MIN, **limits) is None
    back = seen(again, None, T0 + 40 * MIN)
    assert due(back, T0 + 40 * MIN, **limits) is SilenceNotice.BACK
    assert due(told(back, SilenceNotice.BACK, T0 + 40 * MIN), T0 + 50 * MIN, **limits) is None
    assert due(Liveness(), T0, **limits) is None


# --- whom an alarm reaches --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("address", "valid"),
    [("a@b.org", True), (".a@b.org", False), ("a.@b.org", False), ("a..b@c.org", False), ("a@-b.org", False), ("a@b-.org", False),
     ("a" * 64 + "@b.org", True), ("a" * 65 + "@b.org", False), ("a@b.o", False), ("a@b", False), ("a b@c.org", False), ("a@b.org\n", False)],
)  # fmt: skip
def test_mail_addresses(address: str, valid: bool) -> None:
    assert is_mail_address(address) is valid


def test_who_answers_for_which_tank_and_priority() -> None:
    east = Contact(name="e", tanks=("east",), priorities=(Priority.HIGH,))
    assert [east.receives(tank, Priority.HIGH) for tank in ("east", "west", None)] == [True, False, True]
    assert not east.receives("east", Priority.LOW)
    assert not east.receives(None, Priority.LOW)
    everywhere = Contact(name="all")
    assert all(everywhere.receives(tank, priority) for tank in ("east", None) for priority in Priority)


# --- one cause, many alarms -------------------------------------------------------------------------------------------

OWN = {one.key: one for one in system_definitions(["plc"])}
FILLING = OWN["system.filling"]


def standing(definition: AlarmDefinition, **more: object) -> StandingAlarm:
    given = {"state": AlarmState.UNACKNOWLEDGED, "active": True, "occurred_at": T0} | more
    return StandingAlarm(definition=definition, machine=Machine(**given))  # type: ignore[arg-type]


def tank_alarm(kind: AlarmKind, tank: str | None = "east", **more: object) -> StandingAlarm:
    return standing(AlarmDefinition(key=f"{tank}.{kind}", kind=kind, tank=tank, priority=Priority.MEDIUM), **more)


def test_as_urgent_as_its_cause_is_folded_and_an_alarm_of_the_plant_never() -> None:
    high = replace(FILLING, priority=Priority.MEDIUM)
    for priority, folded in ((Priority.LOW, True), (Priority.MEDIUM, True), (Priority.HIGH, False)):
        alarm = tank_alarm(AlarmKind.HIGH)
        alarm = replace(alarm, definition=replace(alarm.definition, priority=priority))
        assert (shared_cause(alarm, [standing(high)], {}) is not None) is folded
    assert shared_cause(tank_alarm(AlarmKind.HIGH, tank=None), [standing(high)], {}) is None
    # One that began before the storm is folded too, as is one whose beginning nobody knows.
    assert shared_cause(tank_alarm(AlarmKind.HIGH, occurred_at=T0 - D), [standing(high)], {}) is not None
    assert shared_cause(tank_alarm(AlarmKind.HIGH, occurred_at=None), [standing(high)], {}) is not None
    assert (
        shared_cause(tank_alarm(AlarmKind.HIGH, occurred_at=T0 + D), [standing(high, occurred_at=None)], {}) is not None
    )


def test_a_cause_that_stands_unanswered_though_it_is_over_is_no_cause() -> None:
    over = standing(FILLING, active=False, state=AlarmState.RETURNED, returned_at=T0 + MIN)
    assert causes_of([over]) == ()
    assert causes_of([over], ended_after=T0) == (over,)
    assert causes_of([over], ended_after=T0 + MIN) == ()
    out = standing(FILLING, active=False, state=AlarmState.OUT_OF_SERVICE, returned_at=T0 + MIN)
    assert causes_of([out], ended_after=T0) == ()
    never = standing(FILLING, active=False, state=AlarmState.NORMAL)
    assert causes_of([never], ended_after=T0) == ()


def test_tanks_that_fill_are_told_from_when_the_first_sign_came_nearest_to_the_weir_first() -> None:
    found = filling_seen(
        [
            tank_alarm(AlarmKind.HIGH, "a", occurred_at=T0 + MIN, value=1.0),
            tank_alarm(AlarmKind.RATE, "a", occurred_at=T0, value=0.2),
            tank_alarm(AlarmKind.HIGH_HIGH, "b", occurred_at=T0 + 2 * MIN, value=0.5),
            tank_alarm(AlarmKind.SOLIDS_LOADING, "c", occurred_at=None, value=0.1),
            tank_alarm(AlarmKind.TIME_TO_DANGER, "d", occurred_at=T0, active=False),
            tank_alarm(AlarmKind.HIGH, "e", state=AlarmState.SHELVED),
            tank_alarm(AlarmKind.CORE_OVERDUE, "f"),
            tank_alarm(AlarmKind.HIGH, None),
        ],
        {"a": "Alder"},
        T0 + 9 * MIN,
    )
    assert found.tanks == (("b", T0 + 2 * MIN), ("Alder", T0), ("c", T0 + 9 * MIN))
    assert FILLING.watch is SystemWatch.FILLING


# --- a person's word --------------------------------------------------------------------------------------------------


def core(height: float = 3.0, minutes: float = 0.0, **more: object) -> CoreSeen:
    return CoreSeen(taken_at=T0 + minutes * MIN, height=height, thickness=height, **more)  # type: ignore[arg-type]


def sample(tag: str, minutes: float, height: float) -> Assessment:
    return Assessment(tag=tag, time=T0 + minutes * MIN, height=height, corrected=height, verdict=ReadingReason.NONE)


@pytest.mark.parametrize(
    ("a", "b", "apart", "taken_back"),
    [
        (2.6, 2.5, 10.0, True),
        (2.69, 2.4, 10.0, True),
        (2.71, 2.5, 10.0, False),  # within 0.3 m of the core
        (2.6, 2.31, 10.0, True),
        (2.6, 2.29, 10.0, False),  # more than 0.3 m apart
        (2.6, 2.5, 10.1, False),  # one of them silent for longer than it may be
    ],
)
def test_two_instruments_take_a_core_back_only_clearly_below_it_together_and_fresh(
    a: float, b: float, apart: float, taken_back: bool
) -> None:
    stale = {"a": 10 * MIN, "b": 10 * MIN}
    samples = {"a": [sample("a", 5.0, a)], "b": [sample("b", 5.0 + apart, b)]}
    found = contradiction(core(), samples, stale, {}, T0 + D)
    assert (found is not None) is taken_back
    if found is not None:
        assert (found.at, found.by) == (T0 + (5.0 + apart) * MIN, ("a", "b"))


@pytest.mark.parametrize(("beside", "witness"), [(3.29, True), (2.71, True), (3.31, False), (2.69, False)])
def test_who_differed_from_the_core_by_more_than_a_foot_is_no_witness(beside: float, witness: bool) -> None:
    stale = {"a": 10 * MIN, "b": 10 * MIN}
    samples = {"a": [sample("a", 5.0, 1.0)], "b": [sample("b", 5.0, 1.0)]}
    assert (contradiction(core(), samples, stale, {"a": beside}, T0 + D) is not None) is witness


def test_a_sample_of_the_cores_own_moment_or_of_a_later_cores_speaks_not_of_it() -> None:
    stale = {"a": 10 * MIN, "b": 10 * MIN}
    at_once = {"a": [sample("a", 0.0, 1.0)], "b": [sample("b", 5.0, 1.0)]}
    assert contradiction(core(), at_once, stale, {}, T0 + D) is None
    both = {"a": [sample("a", 5.0, 1.0)], "b": [sample("b", 5.0, 1.0)]}
    assert contradiction(core(), both, stale, {}, T0 + 5 * MIN) is None
    assert contradiction(core(), both, stale, {}, T0 + 5 * MIN + S) is not None


def test_what_a_withdrawn_core_ends() -> None:
    def ended(was: CoreSeen, now: CoreSeen | None) -> bool:
        return TakenBack(seen=was, at=T0, by="x", why="y", known_at=T0, now_says=now).ended(4.0, 1.0)

    assert ended(core(3.1), None)
    assert not ended(core(3.0), None)  # exactly at the limit is not beyond it
    assert ended(core(1.0, fluff_height=3.1), None)
    assert ended(core(1.0, surface=(Surface.SOLIDS_OVER_WEIR,)), None)
    assert not ended(core(1.0, surface=(Surface.FOAM,)), None)
    assert ended(core(3.1), core(2.9))
    assert not ended(core(3.1), core(3.2))


def test_the_highest_sludge_of_the_newest_core_counts() -> None:
    assert core(3.0, fluff_height=2.0).top == 3.0
    assert core(2.0, fluff_height=3.0).top == 3.0
    cores = [core(3.0, 0.0), core(1.0, 5.0), core(2.0, 5.0), core(1.5, 5.0, fluff_height=2.5)]
    assert newest_core(cores) is cores[3]
    assert newest_core([]) is None


@pytest.mark.parametrize(("value", "beyond"), [(30.0, False), (30.1, True), (29.9, False)])
def test_an_effluent_at_its_limit_is_within_it(value: float, beyond: bool) -> None:
    assert EffluentSeen(tag="e", kind=SignalKind.TURBIDITY, at=T0, value=value, limit=30.0).beyond is beyond


# --- what limits would have meant -------------------------------------------------------------------------------------

HIGH = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.2)


def line(minutes: float, event: Event, to: AlarmState, known: float = 0.0) -> BacktestLine:
    moved = Transition(
        at=T0 + minutes * MIN,
        from_state=AlarmState.NORMAL,
        to_state=to,
        event=event,
        reason=Moved.ABNORMAL_FOR_ON_DELAY,
    )
    return BacktestLine(definition=HIGH, transition=moved, known_at=T0 + (minutes + known) * MIN)


def spell(start: float, called: float, end: float | None) -> AlarmSpell:
    return AlarmSpell(start=T0 + start * MIN, called_at=T0 + called * MIN, end=None if end is None else T0 + end * MIN)


@pytest.mark.parametrize(
    ("stood", "lead"),
    [
        ([spell(0, 2, None)], 28.0),
        ([spell(0, 30, None)], 0.0),
        ([spell(0, 31, None)], None),  # called too late
        ([spell(31, 31, None)], None),
        ([spell(0, 2, 30)], 28.0),
        ([spell(0, 2, 29)], None),  # over before
        ([spell(0, 2, 10), spell(20, 21, None)], 9.0),
        ([], None),
    ],
)
def test_a_warning_counts_from_when_people_were_called_if_it_still_stood(
    stood: list[AlarmSpell], lead: float | None
) -> None:
    assert _lead(stood, T0 + 30 * MIN) == (None if lead is None else lead * MIN)


def test_leads_and_misses_are_summed_up() -> None:
    danger = Danger(at=T0, kind="hand core")

    def score(*leads: float | None) -> Score:
        told_before = tuple(Lead(danger=danger, lead=None if lead is None else lead * MIN) for lead in leads)
        return Score(
            definition=HIGH, limit_change=0.0, raised=1, in_alarm=MIN, standing=False, leads=told_before
        )  # fmt: skip

    assert (score(1, 2, 9).median_lead, score(1, 2, 9).missed) == (2 * MIN, 0)
    assert (score(None, 4, 2).median_lead, score(None, 4, 2).missed) == (3 * MIN, 1)
    assert (score(None).median_lead, score(None).missed) == (None, 1)


def test_an_alarm_stands_from_its_call_to_its_return_and_what_calls_meanwhile_begins_nothing() -> None:
    called, over = AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED
    found = spells(
        [
            line(0, Event.RETURNED, over),  # of something before
            line(1, Event.OCCURRED, called, known=2),
            line(3, Event.RE_ALARMED, called),
            line(4, Event.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
            line(6, Event.RETURNED, AlarmState.NORMAL),
            line(7, Event.CALLED_FURTHER, called),
            line(8, Event.UNSHELVED, over),
            line(9, Event.RESTORED, called),
            line(10, Event.RETURNED, over),
            line(11, Event.OCCURRED, called),
        ]
    )
    assert found == [spell(1, 3, 6), spell(9, 9, 10), spell(11, 11, None)]
    assert spells([]) == []
