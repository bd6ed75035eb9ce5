"""What is folded under which cause, and what never is."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch, system_definitions
from service.alarms.grouping import FOLDED_WITHIN, StandingAlarm, calling, causes_of, filling_seen, shared_cause
from service.alarms.machine import AlarmState, Machine
from service.alarms.rules import Condition, FillingSeen, RuleInput, RuleReason, judge
from tests.unit.alarms.cases import T0

OWN = {definition.key: definition for definition in system_definitions(["plc", "export"])}
FILLING, PLC = OWN["system.filling"], OWN["system.connector.plc"]
FEEDS = {"east": frozenset({"plc"}), "west": frozenset({"plc", "export"})}


def standing(definition: AlarmDefinition, **more: Any) -> StandingAlarm:
    machine = Machine(**{"state": AlarmState.UNACKNOWLEDGED, "active": True, "occurred_at": T0, **more})
    return StandingAlarm(definition=definition, machine=machine)


def of_tank(kind: AlarmKind, tank: str = "east", **more: Any) -> StandingAlarm:
    definition = AlarmDefinition(key=f"{tank}.{kind}", kind=kind, tank=tank, priority=Priority.MEDIUM)
    return standing(definition, **more)


STORM = (standing(FILLING),)
DEAD = (standing(PLC, rule_reason=RuleReason.CONNECTOR_DOWN),)


@pytest.mark.parametrize("kind", list(AlarmKind))
def test_what_a_storm_folds(kind: AlarmKind) -> None:
    folded = {AlarmKind.HIGH, AlarmKind.RATE, AlarmKind.TIME_TO_DANGER, AlarmKind.SOLIDS_LOADING}
    assert (shared_cause(of_tank(kind), STORM, FEEDS) is not None) == (kind in folded)


@pytest.mark.parametrize("causes", [STORM, DEAD, (*STORM, *DEAD)])
def test_a_danger_is_never_folded(causes: tuple[StandingAlarm, ...]) -> None:
    for reason in RuleReason:
        assert shared_cause(of_tank(AlarmKind.HIGH_HIGH, rule_reason=reason), causes, FEEDS) is None


def test_nothing_more_urgent_than_its_cause_is_folded() -> None:
    urgent = of_tank(AlarmKind.BAD_MEASUREMENT, rule_reason=RuleReason.STALE)
    urgent = replace(urgent, definition=replace(urgent.definition, priority=Priority.HIGH))
    assert shared_cause(urgent, DEAD, FEEDS) is None


def test_what_begins_long_after_the_storm_calls_by_itself() -> None:
    at_the_edge = of_tank(AlarmKind.HIGH, occurred_at=T0 + FOLDED_WITHIN)
    assert shared_cause(at_the_edge, STORM, FEEDS) is FILLING
    later = of_tank(AlarmKind.HIGH, occurred_at=T0 + FOLDED_WITHIN + timedelta(seconds=1))
    assert shared_cause(later, STORM, FEEDS) is None


@pytest.mark.parametrize(
    ("tank", "reason", "expected"),
    [
        ("east", RuleReason.STALE, PLC),
        ("east", RuleReason.NO_SAMPLE, PLC),
        ("east", RuleReason.BLIND, PLC),
        ("east", RuleReason.FLAT, None),  # a sensor's own trouble
        ("east", RuleReason.SENSOR_FAULT, None),
        ("west", RuleReason.STALE, None),  # the other source still speaks for it, or has a trouble of its own
        ("north", RuleReason.STALE, None),
    ],
)
def test_what_a_dead_source_folds(tank: str, reason: RuleReason, expected: AlarmDefinition | None) -> None:
    assert shared_cause(of_tank(AlarmKind.BAD_MEASUREMENT, tank, rule_reason=reason), DEAD, FEEDS) is expected


def test_a_source_that_lost_samples_is_not_silent() -> None:
    lossy = (standing(PLC, rule_reason=RuleReason.SAMPLES_LOST),)
    assert shared_cause(of_tank(AlarmKind.BAD_MEASUREMENT, rule_reason=RuleReason.STALE), lossy, FEEDS) is None


def test_causes_are_active_ones_and_a_shelved_one_does_not_call() -> None:
    shelved = standing(PLC, state=AlarmState.SHELVED)
    others = [
        standing(PLC, active=False, state=AlarmState.RETURNED),
        standing(PLC, state=AlarmState.OUT_OF_SERVICE),
        standing(OWN["system.delivery"]),
        of_tank(AlarmKind.HIGH),
    ]
    assert causes_of([*others, *STORM, shelved]) == (*STORM, shelved)
    assert calling((*STORM, shelved)) == STORM


def test_a_cause_that_has_just_ended_counts_a_little_longer() -> None:
    over = standing(PLC, active=False, state=AlarmState.NORMAL, returned_at=T0)
    assert causes_of([over]) == ()
    assert causes_of([over], ended_after=T0) == ()
    assert causes_of([over], ended_after=T0 - timedelta(seconds=1)) == (over,)


def test_filling_names_the_fullest_first_and_leaves_out_what_is_quiet() -> None:
    names = {"a": "Alder", "b": "Birch", "c": "Cedar"}
    seen = filling_seen(
        [
            of_tank(AlarmKind.HIGH, "a", value=1.1),
            of_tank(AlarmKind.HIGH, "b", value=0.9, occurred_at=T0 + timedelta(minutes=5)),
            of_tank(AlarmKind.HIGH_HIGH, "b", value=0.4, occurred_at=T0 + timedelta(minutes=9)),
            of_tank(AlarmKind.RATE, "c"),
            of_tank(AlarmKind.HIGH, "d", state=AlarmState.SUPPRESSED, value=0.1),
            of_tank(AlarmKind.HIGH, "e", active=False, value=0.1),
            of_tank(AlarmKind.CORE_OVERDUE, "f"),
            *STORM,
        ],
        names,
        T0 + timedelta(hours=1),
    )
    assert [tank for tank, _ in seen.tanks] == ["Birch", "Alder", "Cedar"]
    assert dict(seen.tanks)["Birch"] == T0 + timedelta(minutes=5)


@pytest.mark.parametrize(
    ("lately", "long_ago", "condition"),
    [
        (3, 0, Condition.ABNORMAL),
        (2, 0, Condition.NORMAL),
        (2, 1, Condition.DEADBAND),
        (0, 3, Condition.DEADBAND),  # chronic: no new cause, but what was told stays
        (0, 2, Condition.NORMAL),
    ],
)
def test_three_tanks_within_half_an_hour_are_one_cause(lately: int, long_ago: int, condition: Condition) -> None:
    tanks = [(f"new {n}", T0 - timedelta(minutes=30)) for n in range(lately)]
    tanks += [(f"old {n}", T0 - timedelta(minutes=31)) for n in range(long_ago)]
    verdict = judge(FILLING, RuleInput(at=T0, filling=FillingSeen(tanks=tuple(tanks))))
    assert (verdict.condition, verdict.value) == (condition, lately + long_ago)


def test_filling_is_judged_only_where_it_is_looked_for() -> None:
    assert FILLING.watch is SystemWatch.FILLING
    assert judge(FILLING, RuleInput(at=T0)).condition is Condition.UNKNOWN
