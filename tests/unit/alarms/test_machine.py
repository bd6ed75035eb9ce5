"""The alarm state machine against the standard's diagram, the delays and deadband of OPC UA, and what holds always."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import (
    AWAITING,
    QUIET,
    SHELF_WARNING,
    Acknowledge,
    AlarmState,
    Decline,
    Evaluate,
    Event,
    Input,
    Machine,
    MachineReason,
    RemoveFromService,
    Reset,
    ReturnToService,
    Shelve,
    Stepped,
    Suppress,
    Unshelve,
    Unsuppress,
    called_further,
    calls_again_at,
    occurrence_code,
    step,
    unfolded,
)
from service.alarms.rules import Condition, RuleReason, RuleResult, judge
from tests.unit.alarms.cases import situation

T0 = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
PLAIN = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.0)
LATCHING = replace(PLAIN, latching=True)

A, B, C, D, E, F, G, H, I = AlarmState  # noqa: E741  (the standard's own letters)


def evaluation(condition: Condition, *, live: bool = False) -> Evaluate:
    return Evaluate(verdict=RuleResult(condition=condition, reason=RuleReason.BEYOND_LIMIT), live=live)


ABNORMAL, NORMAL = evaluation(Condition.ABNORMAL), evaluation(Condition.NORMAL)
INPUTS: dict[str, Input] = {
    "abnormal": ABNORMAL,
    "normal": NORMAL,
    "acknowledge": Acknowledge(who="Sam"),
    "reset": Reset(who="Sam"),
    "shelve": Shelve(who="Sam", why="diver in tank", until=T0 + timedelta(hours=2)),
    "unshelve": Unshelve(who="Sam"),
    "suppress": Suppress(why="tank empty"),
    "unsuppress": Unsuppress(),
    "remove": RemoveFromService(who="Sam", why="sensor replaced", permit="W-17"),
    "restore": ReturnToService(who="Sam"),
}


def standing(state: AlarmState, *, active: bool | None = None) -> Machine:
    """A machine in that state, its condition being what the state implies unless said otherwise."""
    if active is None:
        active = state in (B, C)
    return Machine(
        state=state,
        since=T0,
        data_to=T0,
        active=active,
        code="K7QDHM",
        occurred_at=T0,
        acknowledged_at=T0,
        shelved_until=T0 + timedelta(hours=1) if state is G else None,
    )


# ANSI/ISA-18.2-2016 and IEC 62682:2014, alarm state transition diagram: the labels A to I and the arrows between them are
# from memory, not looked up in the standard. Rows of G, H and I among each other are ours: the diagram only leads there
# from A to F.
DIAGRAM = {
    #      abnormal normal ack   reset shelve unshelve suppress unsuppress remove restore
    A: (B, None, None, None, G, None, H, None, I, None),
    B: (None, D, C, None, G, None, H, None, I, None),
    C: (None, A, None, None, G, None, H, None, I, None),
    D: (B, None, A, None, G, None, H, None, I, None),
    E: (B, None, F, None, G, None, H, None, I, None),
    F: (B, None, None, A, G, None, H, None, I, None),
    G: (None, None, None, None, G, A, H, None, I, None),
    H: (None, None, None, None, None, None, None, A, I, None),
    I: (None, None, None, None, None, None, None, None, None, A),
}


@pytest.mark.parametrize("state", list(AlarmState))
@pytest.mark.parametrize("name", list(INPUTS))
def test_every_state_and_event_leads_where_the_diagram_says(state: AlarmState, name: str) -> None:
    wanted = dict(zip(INPUTS, DIAGRAM[state], strict=True))[name]
    taken = step(PLAIN, standing(state), INPUTS[name], T0 + MINUTE)
    assert taken.machine.state is (wanted or state)
    assert bool(taken.transitions) is (wanted is not None)
    assert taken.reason in MachineReason
    if wanted is not None:
        assert [(t.from_state, t.to_state, t.reason) for t in taken.transitions] == [(state, wanted, taken.reason)]


@pytest.mark.parametrize(("state", "wanted"), [(B, E), (C, F)])
def test_a_latching_alarm_keeps_standing_when_the_condition_ends(state: AlarmState, wanted: AlarmState) -> None:
    assert step(LATCHING, standing(state), NORMAL, T0 + MINUTE).machine.state is wanted


@pytest.mark.parametrize(("state", "name"), [(G, "unshelve"), (H, "unsuppress"), (I, "restore")])
@pytest.mark.parametrize(("active", "wanted"), [(True, B), (False, A)])
def test_what_was_quiet_comes_back_as_the_condition_is(
    state: AlarmState, name: str, active: bool, wanted: AlarmState
) -> None:
    taken = step(PLAIN, standing(state, active=active), INPUTS[name], T0 + MINUTE)
    assert taken.machine.state is wanted
    if wanted is B:
        assert taken.machine.code == occurrence_code(PLAIN.key, T0 + MINUTE)


@pytest.mark.parametrize("state", sorted(QUIET))
def test_the_condition_is_followed_while_quiet(state: AlarmState) -> None:
    # OPC UA Part 9 v1.05 section 4.8: shelved and suppressed alarms stay fully functional, unlike disabled ones.
    taken = step(PLAIN, standing(state), ABNORMAL, T0 + MINUTE)
    assert taken.machine.active
    assert taken.reason is MachineReason.KEPT_QUIET


def test_abnormal_again_is_since_now_but_answers_to_the_code_already_told() -> None:
    taken = step(PLAIN, standing(D), ABNORMAL, T0 + 9 * MINUTE)
    assert taken.machine.occurred_at == T0 + 9 * MINUTE
    assert taken.machine.code == "K7QDHM"


class TestDelays:
    """On-delay, off-delay, deadband and re-alarm as OPC UA Part 9 Annex B.1.5 words them."""

    def run(self, definition: AlarmDefinition, levels: list[tuple[float, float]]) -> list[tuple[float, Event]]:
        """Blanket heights by minute, and the events they lead to; the side water depth is 5 m."""
        machine = Machine()
        events: list[tuple[float, Event]] = []
        for minute, height in levels:
            at = T0 + minute * MINUTE
            verdict = judge(definition, situation(at=at, height=height, depth=5.0))
            taken = step(definition, machine, Evaluate(verdict=verdict), at)
            machine = taken.machine
            events += [(minute, t.event) for t in taken.transitions if t.event is not Event.STARTED]
        return events

    @pytest.mark.parametrize(("deadband", "holds", "clears"), [(0.10, 2.91, 2.90), (0.25, 2.76, 2.75)])
    def test_clears_only_past_the_deadband(self, deadband: float, holds: float, clears: float) -> None:
        # Span 0-5 m, limit 3.00 m, deadband 2 % of span = 0.10 m: clears at 2.90 m; 5 %: at 2.75 m (worked example,
        # derived from the definition). Height 3.00 m is a clearance of 2.00 m here.
        definition = replace(PLAIN, limit=2.0, deadband=deadband)
        events = self.run(definition, [(0, 2.5), (1, 3.01), (2, 2.99), (3, holds), (4, clears)])
        assert events == [(1, Event.OCCURRED), (4, Event.RETURNED)]

    def test_on_delay_needs_the_whole_time_beyond_the_limit(self) -> None:
        definition = replace(PLAIN, limit=2.0, on_delay=2 * MINUTE)
        assert self.run(definition, [(0, 3.1), (1, 3.1), (1.9, 3.1)]) == []
        assert self.run(definition, [(0, 3.1), (1, 3.1), (2, 3.1)]) == [(2, Event.OCCURRED)]
        assert self.run(definition, [(0, 3.1), (1, 2.9), (2, 3.1), (3, 3.1)]) == []

    def test_waiting_stops_inside_the_deadband(self) -> None:
        definition = replace(PLAIN, limit=2.0, deadband=0.2, on_delay=2 * MINUTE)
        assert self.run(definition, [(0, 3.1), (1, 2.95), (2, 3.1), (3, 3.1)]) == []

    def test_off_delay_keeps_the_alarm_after_the_return(self) -> None:
        definition = replace(PLAIN, limit=2.0, off_delay=2 * MINUTE)
        events = self.run(definition, [(0, 3.1), (1, 2.9), (2, 2.9), (3, 2.9)])
        assert events == [(0, Event.OCCURRED), (3, Event.RETURNED)]
        events = self.run(definition, [(0, 3.1), (1, 2.9), (2, 3.1), (3, 2.9), (4, 2.9)])
        assert events == [(0, Event.OCCURRED)]

    def test_off_delay_stops_inside_the_deadband(self) -> None:
        definition = replace(PLAIN, limit=2.0, deadband=0.2, off_delay=2 * MINUTE)
        events = self.run(definition, [(0, 3.1), (1, 2.7), (2, 2.9), (3, 2.7), (4, 2.7)])
        assert events == [(0, Event.OCCURRED)]

    def test_re_alarm_makes_an_acknowledged_alarm_unacknowledged_again(self) -> None:
        definition = replace(PLAIN, re_alarm_after=30 * MINUTE)
        machine = step(definition, standing(B), INPUTS["acknowledge"], T0).machine
        assert step(definition, machine, ABNORMAL, T0 + 29 * MINUTE).machine.state is C
        taken = step(definition, machine, ABNORMAL, T0 + 30 * MINUTE)
        assert taken.machine.state is B
        assert taken.reason is MachineReason.STILL_ABNORMAL_AFTER_RE_ALARM_TIME


class TestTakenAndNotBetter:
    """A danger somebody has calls again unless it gets better: re-alarming (IEC 62682), by what the value does."""

    DANGER = replace(PLAIN, deadband=0.1, improve_within=15 * MINUTE)

    def taken(self, at: datetime = T0) -> Machine:
        return step(self.DANGER, standing(B), Acknowledge(who="Ben"), at).machine

    def follow(
        self, clearances: dict[int, float | None], condition: Condition = Condition.ABNORMAL
    ) -> tuple[Machine, list[tuple[int, Event]]]:
        """Look every minute at the last clearance given; None is a blind sensor."""
        machine, events, now = self.taken(), [], clearances[min(clearances)]
        for minute in range(1, max(clearances) + 1):
            now = clearances.get(minute, now)
            verdict = RuleResult(
                condition=Condition.UNKNOWN if now is None else condition, reason=RuleReason.BEYOND_LIMIT, value=now
            )
            done = step(self.DANGER, machine, Evaluate(verdict=verdict, live=True), T0 + minute * MINUTE)
            machine = done.machine
            events += [(minute, t.event) for t in done.transitions]
        return machine, events

    @pytest.mark.parametrize(
        "clearances",
        [
            {1: 0.30, 15: 0.30},
            {1: 0.30, 15: 0.20},
            {1: 0.30, 15: 0.39},  # better, but by less than the deadband
            {1: 0.30, 5: 0.60, 12: 0.45, 15: 0.45},  # better than it was, and getting worse
            {1: 0.30, 5: 0.60, 12: 0.50, 15: 0.50},  # by as much as counts
            {
                1: 0.30,
                5: 0.60,
                6: 0.58,
                7: 0.56,
                8: 0.54,
                9: 0.52,
                10: 0.50,
                11: 0.48,
                12: 0.46,
                15: 0.46,
            },  # little by little
            {1: 0.30, 10: 0.60, 14: None, 15: None},  # nobody knows
            {1: None, 15: None},
        ],
    )
    def test_calls_again(self, clearances: dict[int, float | None]) -> None:
        machine, events = self.follow(clearances)
        assert events == [(15, Event.RE_ALARMED)]
        assert (machine.state, machine.had_by, machine.called_since) == (B, "Ben", T0 + 15 * MINUTE)

    @pytest.mark.parametrize(
        ("clearances", "at"),
        [
            ({1: 0.30, 7: 0.16, 8: 0.15, 9: 0.1}, 8),  # half of it is gone
            ({1: 0.12, 5: 0.03, 8: 0.01}, 8),  # half, and at least the deadband
            ({1: 0.30, 14: 0.60, 20: 0.29, 21: 0.1}, 20),  # worse than when last found better, not than at first
        ],
    )
    def test_worse_calls_at_once(self, clearances: dict[int, float | None], at: int) -> None:
        machine, events = self.follow(clearances)
        assert events[:1] == [(at, Event.RE_ALARMED)]
        assert machine.had_by == "Ben"

    def test_what_was_known_when_it_was_answered_is_not_worse(self) -> None:
        assert self.follow({1: -0.05, 14: -0.30})[1] == []

    def test_the_reason_is_named(self) -> None:
        machine, _ = self.follow({1: 0.3, 14: 0.3})
        verdict = RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.BEYOND_LIMIT, value=0.3)
        done = step(self.DANGER, machine, Evaluate(verdict=verdict, live=True), T0 + 15 * MINUTE)
        assert done.reason is MachineReason.NOT_BETTER_IN_TIME

    @pytest.mark.parametrize(
        "clearances",
        [{1: 0.30, 10: 0.40, 20: 0.40}, {1: 0.30, 10: 0.45, 12: 0.42, 15: 0.42}],  # lost less again than counts
    )
    def test_better_by_the_deadband_does_not_call(self, clearances: dict[int, float | None]) -> None:
        assert self.follow(clearances)[1] == []

    def test_without_a_deadband_the_same_is_not_better(self) -> None:
        definition, machine = replace(self.DANGER, deadband=0.0), self.taken()
        verdict = RuleResult(condition=Condition.ABNORMAL, reason=RuleReason.BEYOND_LIMIT, value=0.3)
        for minute in (1, 15):
            machine = step(definition, machine, Evaluate(verdict=verdict), T0 + minute * MINUTE).machine
        assert machine.state is B

    def test_one_step_forward_does_not_end_it_for_good(self) -> None:
        assert self.follow({1: 0.30, 10: 0.45, 60: 0.45})[1] == [(30, Event.RE_ALARMED)]

    def test_on_its_way_out_it_does_not_call(self) -> None:
        definition = replace(self.DANGER, off_delay=30 * MINUTE)
        machine = self.taken()
        verdict = RuleResult(condition=Condition.NORMAL, reason=RuleReason.WITHIN_LIMIT, value=0.3)
        for minute in range(1, 20):
            machine = step(definition, machine, Evaluate(verdict=verdict), T0 + minute * MINUTE).machine
        assert machine.state is C

    def test_an_outage_longer_than_the_time_calls_at_the_first_look(self) -> None:
        taken = step(self.DANGER, self.taken(), ABNORMAL, T0 + 40 * MINUTE)
        assert taken.reason is MachineReason.NOT_BETTER_IN_TIME

    def test_it_calls_again_under_a_new_code_and_keeps_its_beginning(self) -> None:
        before = self.taken()
        machine, _ = self.follow({1: 0.3, 15: 0.3})
        assert machine.code != before.code
        assert machine.occurred_at == before.occurred_at

    def test_taken_again_it_begins_anew(self) -> None:
        machine, _ = self.follow({1: 0.3, 15: 0.3})
        machine = step(self.DANGER, machine, Acknowledge(who="Anna"), T0 + 16 * MINUTE).machine
        assert (machine.had_by, calls_again_at(self.DANGER, machine)) == ("", T0 + 31 * MINUTE)
        assert step(self.DANGER, machine, ABNORMAL, T0 + 30 * MINUTE).machine.state is C
        assert step(self.DANGER, machine, ABNORMAL, T0 + 31 * MINUTE).machine.state is B

    def test_when_it_calls_again_is_the_first_of_both_times_and_never_where_nobody_has_it(self) -> None:
        """Pages and messages say when; too late a time lets somebody sleep on."""
        both = replace(self.DANGER, re_alarm_after=30 * MINUTE)
        taken = self.taken()
        assert calls_again_at(both, taken) == T0 + 15 * MINUTE
        assert calls_again_at(both, replace(taken, better_at=T0 + 10 * MINUTE)) == T0 + 25 * MINUTE
        assert calls_again_at(both, replace(taken, better_at=T0 + 20 * MINUTE)) == T0 + 30 * MINUTE
        assert calls_again_at(both, replace(taken, acknowledged_at=None)) is None
        assert [s for s in AlarmState if calls_again_at(both, standing(s)) is not None] == [C]

    def test_of_both_reasons_to_call_again_the_sites_own_time_is_named(self) -> None:
        both = replace(self.DANGER, re_alarm_after=15 * MINUTE)
        taken = step(both, self.taken(), ABNORMAL, T0 + 15 * MINUTE)
        assert taken.reason is MachineReason.STILL_ABNORMAL_AFTER_RE_ALARM_TIME

    def test_an_alarm_that_was_over_belongs_to_nobody_when_it_comes_anew(self) -> None:
        """Whoever had it last week is not called first, nor is their old code an answer."""
        before = self.taken()
        over = step(self.DANGER, before, NORMAL, T0 + MINUTE).machine
        anew = step(self.DANGER, over, ABNORMAL, T0 + 99 * MINUTE).machine
        assert (anew.state, anew.had_by, anew.occurred_at) == (B, "", T0 + 99 * MINUTE)
        assert anew.code == occurrence_code(self.DANGER.key, T0 + 99 * MINUTE)

    def test_without_it_whoever_has_it_has_it(self) -> None:
        machine = step(PLAIN, standing(B), Acknowledge(who="Ben"), T0).machine
        assert step(PLAIN, machine, ABNORMAL, T0 + 999 * MINUTE).machine.state is C
        assert calls_again_at(PLAIN, machine) is None

    def test_the_memory_survives_storing(self) -> None:
        machine, _ = self.follow({1: 0.3, 10: 0.5, 20: 0.5})
        machine = replace(machine, declined=("Ben",), declined_without_code=("Anna",))
        assert Machine.from_json(json.loads(json.dumps(machine.to_json()))) == machine


class TestDecline:
    """A no changes no state, and is kept."""

    def test_an_unanswered_alarm_stays_unanswered(self) -> None:
        taken = step(PLAIN, standing(B), Decline(who="Ben", with_code=True), T0 + MINUTE)
        assert [(t.event, t.actor) for t in taken.transitions] == [(Event.DECLINED, "Ben")]
        assert (taken.machine.state, taken.machine.declined) == (B, ("Ben",))
        again = step(PLAIN, taken.machine, Decline(who="Ben", with_code=True), T0 + 2 * MINUTE)
        assert again.reason is MachineReason.ALREADY_DECLINED

    def test_without_the_code_it_counts_until_it_calls_again(self) -> None:
        taken = step(PLAIN, standing(B), Decline(who="Ben"), T0 + MINUTE)
        assert (taken.machine.declined, taken.machine.declined_without_code) == ((), ("Ben",))
        assert step(PLAIN, taken.machine, Decline(who="Ben"), T0 + MINUTE).refused
        assert (
            step(PLAIN, taken.machine, Decline(who="Ben", with_code=True), T0 + MINUTE).reason is MachineReason.SAID_NO
        )

    @pytest.mark.parametrize(
        ("who", "with_code", "state"), [("Ben", True, B), ("ben", True, B), ("Ben", False, C), ("Anna", True, C)]
    )
    def test_only_whoever_has_it_gives_it_back_and_by_its_code(
        self, who: str, with_code: bool, state: AlarmState
    ) -> None:
        machine = step(PLAIN, standing(B), Acknowledge(who="Ben"), T0).machine
        taken = step(PLAIN, machine, Decline(who=who, with_code=with_code), T0 + MINUTE)
        assert taken.machine.state is state
        assert taken.reason is (MachineReason.GIVEN_BACK if state is B else MachineReason.ALREADY_ACKNOWLEDGED)

    def test_who_takes_it_after_all_has_not_declined(self) -> None:
        machine = replace(standing(B), declined=("Ben", "Anna"))
        assert step(PLAIN, machine, Acknowledge(who="ben"), T0 + MINUTE).machine.declined == ("Anna",)

    @pytest.mark.parametrize("state", [s for s in AlarmState if s not in (B, C)])
    def test_there_is_nothing_to_decline_elsewhere(self, state: AlarmState) -> None:
        taken = step(PLAIN, standing(state), Decline(who="Ben", with_code=True), T0)
        assert (taken.reason, taken.machine.state) == (MachineReason.NOTHING_TO_ACKNOWLEDGE, state)


class TestNotKnowing:
    """What is not known never clears, and never stops a delay towards telling."""

    UNKNOWN = evaluation(Condition.UNKNOWN)

    @pytest.mark.parametrize("state", list(AlarmState))
    def test_changes_no_state(self, state: AlarmState) -> None:
        assert step(PLAIN, standing(state), self.UNKNOWN, T0 + MINUTE).machine.state is state

    def test_lets_the_on_delay_run_out(self) -> None:
        definition = replace(PLAIN, on_delay=2 * MINUTE)
        machine = step(definition, standing(A), ABNORMAL, T0 + MINUTE).machine
        assert step(definition, machine, self.UNKNOWN, T0 + 3 * MINUTE).machine.state is B

    def test_does_not_let_the_off_delay_run_out(self) -> None:
        definition = replace(PLAIN, off_delay=2 * MINUTE)
        machine = step(definition, standing(B), NORMAL, T0 + MINUTE).machine
        assert step(definition, machine, self.UNKNOWN, T0 + 9 * MINUTE).machine.state is B


class TestTime:
    """Late data, two clocks, and looks at the present."""

    def test_what_speaks_of_a_time_before_the_last_change_is_late(self) -> None:
        machine = step(PLAIN, standing(A), ABNORMAL, T0 + 10 * MINUTE).machine
        taken = step(PLAIN, machine, NORMAL, T0 + 9 * MINUTE)
        assert taken.reason is MachineReason.LATE
        assert taken.machine == machine

    def test_what_speaks_of_the_very_moment_of_the_last_change_still_counts(self) -> None:
        assert step(PLAIN, standing(A), ABNORMAL, T0).machine.state is B

    def test_data_out_of_order_is_late(self) -> None:
        machine = step(PLAIN, standing(A), NORMAL, T0 + 10 * MINUTE).machine
        assert step(PLAIN, machine, ABNORMAL, T0 + 9 * MINUTE).reason is MachineReason.LATE

    def test_a_look_at_the_present_leaves_room_for_data_on_their_way(self) -> None:
        # A file that arrives at 8:16 speaks of 8:05; the look at 8:15 must not have closed that door.
        definition = replace(PLAIN, on_delay=MINUTE)
        machine = step(definition, standing(A), evaluation(Condition.NORMAL, live=True), T0 + 15 * MINUTE).machine
        machine = step(definition, machine, ABNORMAL, T0 + 5 * MINUTE).machine
        taken = step(definition, machine, ABNORMAL, T0 + 6 * MINUTE)
        assert [t.event for t in taken.transitions] == [Event.OCCURRED]
        assert taken.machine.since == T0 + 6 * MINUTE

    def test_a_clock_set_back_does_not_silence_an_alarm_until_it_has_caught_up(self) -> None:
        # The alarm returned while the clock was an hour ahead; then the clock was put right.
        machine = step(PLAIN, standing(B), evaluation(Condition.NORMAL, live=True), T0 + 60 * MINUTE).machine
        assert machine.since == T0 + 60 * MINUTE
        taken = step(PLAIN, machine, evaluation(Condition.ABNORMAL, live=True), T0 + 2 * MINUTE)
        assert [t.event for t in taken.transitions] == [Event.RE_ALARMED]
        assert taken.machine.since == T0 + 2 * MINUTE

    def test_data_ahead_of_our_clock_are_not_taken_for_a_clock_set_back(self) -> None:
        machine = step(PLAIN, standing(A), ABNORMAL, T0 + 10 * MINUTE).machine
        assert step(PLAIN, machine, evaluation(Condition.NORMAL, live=True), T0 + MINUTE).reason is MachineReason.LATE

    def test_a_command_from_a_slow_clock_still_counts(self) -> None:
        machine = step(PLAIN, standing(A), ABNORMAL, T0 + 10 * MINUTE).machine
        taken = step(PLAIN, machine, INPUTS["acknowledge"], T0 + 9 * MINUTE)
        assert taken.machine.state is C
        assert taken.machine.since == T0 + 10 * MINUTE


class TestShelf:
    """Shelving is by a person, with a reason, for a time."""

    def test_warns_once_and_ends_by_itself(self) -> None:
        machine = step(PLAIN, standing(B), INPUTS["shelve"], T0).machine
        machine = step(PLAIN, machine, ABNORMAL, T0 + MINUTE).machine
        near = T0 + timedelta(hours=2) - SHELF_WARNING
        warned = step(PLAIN, machine, ABNORMAL, near)
        assert [(t.event, t.actor) for t in warned.transitions] == [(Event.SHELF_ENDING, "")]
        assert step(PLAIN, warned.machine, ABNORMAL, near + MINUTE).transitions == ()
        ended = step(PLAIN, warned.machine, ABNORMAL, T0 + timedelta(hours=2))
        assert (ended.machine.state, ended.reason) == (B, MachineReason.SHELF_OVER)

    @pytest.mark.parametrize(
        ("change", "reason"),
        [
            ({"who": " "}, MachineReason.NAME_AND_REASON_NEEDED),
            ({"why": ""}, MachineReason.NAME_AND_REASON_NEEDED),
            ({"until": T0}, MachineReason.SHELF_TIME_PAST),
            ({"longest": timedelta(hours=2) - MINUTE}, MachineReason.SHELF_TOO_LONG),
            ({"until": T0 + timedelta(hours=12) + MINUTE}, MachineReason.SHELF_TOO_LONG),  # unless the site allows more
        ],
    )
    def test_refuses_what_the_site_does_not_allow(self, change: dict[str, Any], reason: MachineReason) -> None:
        asked = replace(INPUTS["shelve"], **change)
        taken = step(PLAIN, standing(B), asked, T0)
        assert (taken.reason, taken.machine.state, taken.refused) == (reason, B, True)

    def test_the_longest_time_allowed_is_allowed(self) -> None:
        asked = Shelve(who="Sam", why="diver in tank", until=T0 + timedelta(hours=2), longest=timedelta(hours=2))
        assert step(PLAIN, standing(B), asked, T0).machine.state is G


@pytest.mark.parametrize(
    ("state", "given"),
    [
        (B, Acknowledge(who=" ")),
        (B, Decline(who="", with_code=True)),
        (F, Reset(who="")),
        (B, RemoveFromService(who="", why="sensor replaced")),
        (B, RemoveFromService(who="Sam", why=" ")),
    ],
)
def test_a_command_without_a_name_or_its_reason_changes_nothing(state: AlarmState, given: Input) -> None:
    """IEC 62682 asks who did it, and why it is out of service; a journal without a name answers nothing."""
    taken = step(PLAIN, standing(state), given, T0 + MINUTE)
    assert (taken.reason, taken.machine.state, taken.refused) == (MachineReason.NAME_AND_REASON_NEEDED, state, True)


@pytest.mark.parametrize(
    ("state", "name", "reason"),
    [
        (A, "acknowledge", MachineReason.NOTHING_TO_ACKNOWLEDGE),
        (C, "acknowledge", MachineReason.ALREADY_ACKNOWLEDGED),
        (E, "reset", MachineReason.ACKNOWLEDGE_FIRST),
        (B, "reset", MachineReason.NOT_LATCHED),
        (H, "shelve", MachineReason.ALREADY_SUPPRESSED),
        (I, "shelve", MachineReason.ALREADY_OUT_OF_SERVICE),
        (I, "suppress", MachineReason.ALREADY_OUT_OF_SERVICE),
        (I, "remove", MachineReason.ALREADY_OUT_OF_SERVICE),
        (A, "unshelve", MachineReason.NOT_SHELVED),
        (A, "unsuppress", MachineReason.NOT_SUPPRESSED),
        (A, "restore", MachineReason.NOT_OUT_OF_SERVICE),
    ],
)
def test_whoever_is_refused_is_told_why(state: AlarmState, name: str, reason: MachineReason) -> None:
    assert step(PLAIN, standing(state), INPUTS[name], T0 + MINUTE).reason is reason


@pytest.mark.parametrize(
    ("state", "given", "reason"),
    [
        (A, NORMAL, MachineReason.STILL_NORMAL),
        (B, ABNORMAL, MachineReason.STILL_ABNORMAL),
        (D, NORMAL, MachineReason.WAITS_FOR_ACKNOWLEDGE),
        (E, NORMAL, MachineReason.WAITS_FOR_ACKNOWLEDGE),
        (F, NORMAL, MachineReason.WAITS_FOR_RESET),
    ],
)
def test_an_alarm_says_why_it_stands_where_it_stands(state: AlarmState, given: Input, reason: MachineReason) -> None:
    taken = step(PLAIN, standing(state), given, T0 + MINUTE)
    assert (taken.reason, taken.machine.standing) == (reason, str(reason))


def test_calling_further_and_unfolding_are_written_down_and_change_no_state() -> None:
    for line, event in (
        (called_further(standing(B), T0), Event.CALLED_FURTHER),
        (unfolded(standing(B), T0), Event.UNFOLDED),
    ):
        assert (line.event, line.from_state, line.to_state, line.code) == (event, B, B, "K7QDHM")


@pytest.mark.parametrize("state", list(AlarmState))
def test_a_machine_survives_being_stored(state: AlarmState) -> None:
    machine = replace(standing(state), value=1.25, on_since=T0, rule_reason="stale", rule_detail="LT-1")
    assert Machine.from_json(machine.to_json()) == machine


def test_an_empty_memory_is_a_machine_that_never_looked() -> None:
    assert Machine.from_json({}) == Machine()
    assert not Machine.from_json({}).started


class AlarmLife(RuleBasedStateMachine):
    """Anything may happen to an alarm in any order; some things hold all the same."""

    def __init__(self) -> None:
        super().__init__()
        self.machine = Machine()
        self.now = T0
        self.journal: list[Any] = []
        self.definition = PLAIN

    @initialize(
        on=st.sampled_from([0, 2]),
        off=st.sampled_from([0, 2]),
        latching=st.booleans(),
        again=st.sampled_from([None, 7]),
    )
    def define(self, on: int, off: int, latching: bool, again: int | None) -> None:
        self.definition = replace(
            PLAIN,
            on_delay=on * MINUTE,
            off_delay=off * MINUTE,
            latching=latching,
            re_alarm_after=None if again is None else again * MINUTE,
            improve_within=None if again is None else (again - 2) * MINUTE,
        )

    def do(self, given: Input, at: datetime) -> Stepped:
        before = self.machine
        taken = step(self.definition, before, given, at)
        assert taken.reason in MachineReason
        chain = before.state
        for transition in taken.transitions:
            assert transition.from_state is chain
            chain = transition.to_state
        assert chain is taken.machine.state
        if taken.reason is MachineReason.LATE:
            assert taken.machine == before
        if isinstance(given, Evaluate) and given.verdict.condition is Condition.UNKNOWN:
            ends = {t.event for t in taken.transitions}
            assert Event.RETURNED not in ends
        self.machine = taken.machine
        self.journal += taken.transitions
        return taken

    @rule(minutes=st.integers(0, 12))
    def pass_time(self, minutes: int) -> None:
        self.now += minutes * MINUTE

    @rule(condition=st.sampled_from(list(Condition)), live=st.booleans(), late=st.sampled_from([0, 0, 0, 1, 5]))
    def look(self, condition: Condition, live: bool, late: int) -> None:
        self.do(evaluation(condition, live=live), self.now if live else self.now - late * MINUTE)

    @rule(name=st.sampled_from([name for name in INPUTS if name not in ("abnormal", "normal", "shelve")]))
    def command(self, name: str) -> None:
        self.do(INPUTS[name], self.now)

    @rule(who=st.sampled_from(["Sam", "Ben"]), with_code=st.booleans())
    def decline(self, who: str, with_code: bool) -> None:
        self.do(Decline(who=who, with_code=with_code), self.now)

    @rule(minutes=st.integers(-1, 60))
    def shelve(self, minutes: int) -> None:
        self.do(Shelve(who="Sam", why="diver", until=self.now + minutes * MINUTE), self.now)

    @rule()
    def store_and_load(self) -> None:
        self.machine = Machine.from_json(self.machine.to_json())

    @rule()
    def abnormal_for_long_enough_is_never_silent(self) -> None:
        """However it stands, an abnormal condition that lasts leads to a state people see, unless it is kept quiet."""
        for _ in range(4):
            self.now += 2 * MINUTE
            self.do(ABNORMAL, self.now)
        assert self.machine.active
        assert self.machine.state in QUIET | {B, C}

    @invariant()
    def the_journal_never_runs_backwards(self) -> None:
        times = [transition.at for transition in self.journal]
        assert times == sorted(times)

    @invariant()
    def states_agree_with_the_condition(self) -> None:
        if self.machine.state in (B, C):
            assert self.machine.active
        if self.machine.state in (A, D, E, F):
            assert not self.machine.active

    @invariant()
    def what_awaits_an_answer_can_be_named(self) -> None:
        if self.machine.state in AWAITING:
            assert len(self.machine.code) == 6
            assert self.machine.occurred_at is not None

    @invariant()
    def only_a_latching_alarm_latches(self) -> None:
        assert self.definition.latching or self.machine.state not in (E, F)


TestAlarmLife = AlarmLife.TestCase
TestAlarmLife.settings = settings(max_examples=150, stateful_step_count=40, derandomize=True)
