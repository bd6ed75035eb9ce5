"""Alarms that are defined and alarms that are active must be the same."""

from __future__ import annotations

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.jobs.alarms.setup import SERVICE, unmatched


def alarm(key: str, tank: str | None) -> AlarmDefinition:
    kind = AlarmKind.HIGH if tank else AlarmKind.SYSTEM
    return AlarmDefinition(key=key, kind=kind, tank=tank, priority=Priority.HIGH, limit=1.0)


def test_both_ways_are_told_by_tank() -> None:
    defined = [alarm("east.high", "east"), alarm("west.high", "west"), alarm("system.clock", None)]
    assert unmatched(defined, {"east.high": "east", "west.high": "west", "system.clock": None}) == {}
    assert unmatched(defined, {"east.high": "east", "east.old": "east", "system.old": None}) == {
        "east": "the alarm east.old is active in the database, but not defined",
        SERVICE: "the alarm system.clock is defined, but not active in the database; "
        "the alarm system.old is active in the database, but not defined",
        "west": "the alarm west.high is defined, but not active in the database",
    }
