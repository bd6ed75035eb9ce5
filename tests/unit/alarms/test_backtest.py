"""Rehearsed alarms move as the machine says, and are summed up by what people would have noticed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.alarms.backtest import Backtest, BacktestAlarm
from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.machine import Evaluate, Machine, Transition, step
from service.alarms.rules import Condition, RuleInput, RuleReason, RuleResult
from service.calls.comparison import compare, spells
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust

START = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
DEPTH = 4.0
HIGH = AlarmDefinition(key="east.high", kind=AlarmKind.HIGH, tank="east", limit=1.5, deadband=0.1, on_delay=MINUTE)
HIGH_HIGH = AlarmDefinition(key="east.high-high", kind=AlarmKind.HIGH_HIGH, tank="east", limit=0.9, deadband=0.1)


def _seen(minute: float, clearance: float) -> RuleInput:
    at = START + minute * MINUTE
    estimate = Estimate(
        tank="east",
        time=at,
        height=DEPTH - clearance,
        sd=0.05,
        rate=0.0,
        trust=Trust.GOOD,
        reason=EstimateReason.SENSOR,
    )
    return RuleInput(at=at, side_water_depth=DEPTH, estimate=estimate)


def _rehearsed(clearances: Sequence[float]) -> Backtest:
    rehearsal = Backtest([HIGH, HIGH_HIGH], "si")
    for minute, clearance in enumerate(clearances):
        seen = _seen(minute, clearance)
        rehearsal.look([seen], seen)
    return rehearsal


@given(
    st.lists(st.tuples(st.sampled_from(Condition), st.booleans(), st.integers(0, 3)), max_size=60),
    st.booleans(),
    st.integers(0, 3),
    st.integers(0, 3),
)
def test_sparing_work_changes_no_transition(
    looks: list[tuple[Condition, bool, int]], latching: bool, on: int, off: int
) -> None:
    definition = AlarmDefinition(
        key="a", kind=AlarmKind.HIGH, tank="east", on_delay=on * MINUTE, off_delay=off * MINUTE, latching=latching
    )
    track, machine, at = BacktestAlarm(definition), Machine(), START
    expected: list[Transition] = []
    for condition, live, minutes in looks:
        at += minutes * MINUTE
        verdict = RuleResult(condition=condition, reason=RuleReason.BEYOND_LIMIT)
        track.see(at, verdict, at, live=live)
        taken = step(definition, machine, Evaluate(verdict=verdict, live=live), at)
        machine = taken.machine
        expected += taken.transitions
    assert [line.transition for line in track.lines] == expected


def test_alarms_leads_and_time_in_alarm_are_counted() -> None:
    # About 3 m of clear water, down to 0.5 m by 0.1 m a minute, held there, and up again at once.
    falling = [3.05 - 0.1 * minute for minute in range(26)]
    found = compare(_rehearsed([*falling, *[0.5] * 10, 3.0, 3.0]), [], START, START + 37 * MINUTE)
    high, danger = found.own
    assert (high.raised, danger.raised, high.standing) == (1, 1, False)
    # High: below 1.5 from minute 16 on (3.05 − 1.6 = 1.45), a minute later it calls; high-high below 0.9 at minute 22.
    assert [lead.lead for lead in high.leads] == [5 * MINUTE]
    assert high.in_alarm == (36 - 17) * MINUTE
    assert danger.in_alarm == (36 - 22) * MINUTE
    trials = {
        (trial.definition.key, round(trial.limit_change, 2), trial.definition.on_delay): trial for trial in found.trials
    }
    # 0.3 m more clear water is three minutes more of warning; five minutes of delay eat all but one of the five.
    assert trials["east.high", 0.3, MINUTE].median_lead == 8 * MINUTE
    assert trials["east.high", 0.0, 5 * MINUTE].median_lead == MINUTE
    assert trials["east.high", 0.0, MINUTE].median_lead == high.median_lead
    assert trials["east.high", -0.3, 5 * MINUTE].missed == 1


def test_the_first_core_beyond_the_danger_limit_is_a_danger_of_its_own() -> None:
    rehearsal = _rehearsed([1.2] * 60)
    cores = [(START + 10 * MINUTE, 1.3), (START + 30 * MINUTE, 0.7), (START + 40 * MINUTE, 0.6)]
    found = compare(rehearsal, cores, START, START + 59 * MINUTE)
    assert [(danger.kind, danger.at) for danger in found.dangers] == [("hand core", START + 30 * MINUTE)]
    high, danger = found.own
    assert high.median_lead == 29 * MINUTE
    assert danger.missed == 1


def test_an_alarm_that_was_over_later_has_warned_too_and_one_that_was_over_before_has_not() -> None:
    cores = [(START + 20 * MINUTE, 0.7)]
    lasted = compare(_rehearsed([3.0, *[1.2] * 30, *[3.0] * 29]), cores, START, START + 59 * MINUTE).own[0]
    assert (lasted.median_lead, lasted.missed) == (18 * MINUTE, 0)
    too_short = compare(_rehearsed([3.0, *[1.2] * 10, *[3.0] * 49]), cores, START, START + 59 * MINUTE).own[0]
    assert (too_short.median_lead, too_short.missed) == (None, 1)


def test_a_core_at_the_limit_is_not_beyond_it() -> None:
    limit = HIGH_HIGH.limit
    assert limit is not None
    cores = [(START + 20 * MINUTE, limit)]
    assert compare(_rehearsed([3.0] * 60), cores, START, START + 59 * MINUTE).dangers == ()


def test_a_danger_alarm_without_a_limit_and_a_limit_of_another_kind_make_no_danger() -> None:
    rehearsal = Backtest([HIGH, replace(HIGH_HIGH, limit=None)], "si")
    rehearsal.look([], _seen(0, 3.0))
    assert compare(rehearsal, [(START, 0.1)], START, START + MINUTE).dangers == ()


def test_what_is_decided_late_warns_late() -> None:
    rehearsal = Backtest([HIGH, HIGH_HIGH], "si")
    rehearsal.look([_seen(0, 3.0)], _seen(19, 3.0))  # the present decides nothing that data on their way speak of
    late = [_seen(minute, 1.2) for minute in range(1, 20)]
    rehearsal.look(late, _seen(20, 1.2))
    [spell] = spells(rehearsal.lines())
    assert spell.start == START + 2 * MINUTE
    assert spell.called_at == START + 20 * MINUTE


def test_the_first_look_decides_on_the_newest_alone_and_nothing_is_decided_twice() -> None:
    rehearsal = Backtest([HIGH], "si")
    past = [_seen(0, 1.2), _seen(1, 1.2), _seen(2, 3.0)]
    rehearsal.look(past, _seen(2, 3.0))
    assert spells(rehearsal.lines()) == []
    # No estimate since, but a core that is beyond: looked at anew, the last estimate would end the delay each time.
    for minute in (3, 4):
        rehearsal.look(past[-1:], _seen(minute, 1.2))
    [spell] = spells(rehearsal.lines())
    assert spell.start == START + 4 * MINUTE


def test_what_comes_after_a_look_without_estimates_is_decided_on_in_turn() -> None:
    rehearsal = Backtest([HIGH], "si")
    rehearsal.look([], _seen(0, 3.0))
    rehearsal.look([_seen(minute, 1.2) for minute in (1, 2, 3)], _seen(3, 1.2))
    [spell] = spells(rehearsal.lines())
    assert spell.start == START + 2 * MINUTE


def test_an_alarm_that_comes_back_unanswered_is_counted_again() -> None:
    found = compare(_rehearsed([3.0, 1.2, 1.2, 3.0, 1.2, 1.2, 1.2]), [], START, START + 6 * MINUTE)
    assert found.own[0].raised == 2
    assert found.own[0].standing
