"""Groups the alarms of many tanks under one cause: the cause calls, its consequences do not. Pure.

Two causes are known: a source that feeds several tanks falls silent, and several tanks fill at once (storm flow, return
pumps down). A danger is never folded, nor anything more urgent than the cause itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.alarms.machine import QUIET, AlarmState, Machine
from service.alarms.rules import FillingSeen, RuleReason

#: A cause is on people's mind this long; what begins later calls by itself.
FOLDED_WITHIN = timedelta(hours=12)
#: When a cause is over its consequences have this long to end as well, before those that stand call by themselves.
LINGERS = timedelta(minutes=5)

_BY_FILLING = frozenset({AlarmKind.HIGH, AlarmKind.RATE, AlarmKind.TIME_TO_DANGER, AlarmKind.SOLIDS_LOADING})
_SIGNS_OF_FILLING = _BY_FILLING | {AlarmKind.HIGH_HIGH}
#: What a tank's measurement alarm says when no readings arrive; a frozen or faulty sensor has a cause of its own.
_BY_SILENCE = frozenset({RuleReason.NO_SAMPLE, RuleReason.STALE, RuleReason.BLIND})
_SOURCE_SILENT = frozenset({RuleReason.CONNECTOR_DOWN, RuleReason.CONNECTOR_NEVER_GOOD, RuleReason.TANKS_SILENT})
_URGENCY = {priority: number for number, priority in enumerate(Priority)}


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingAlarm:
    """An alarm and where it stands."""

    definition: AlarmDefinition
    machine: Machine


def causes_of(alarms: Iterable[StandingAlarm], *, ended_after: datetime | None = None) -> tuple[StandingAlarm, ...]:
    """The causes among the alarms that are active now, those put on the shelf included.

    Parameters
    ----------
    ended_after : causes that ended after this time count, too.
    """
    return tuple(
        a
        for a in alarms
        if a.definition.watch in (SystemWatch.CONNECTOR, SystemWatch.FILLING)
        and (a.machine.active or _ended_after(a.machine, ended_after))
        and (a.machine.state not in QUIET or a.machine.state is AlarmState.SHELVED)
    )


def _ended_after(machine: Machine, time: datetime | None) -> bool:
    return time is not None and machine.returned_at is not None and machine.returned_at > time


def calling(causes: Sequence[StandingAlarm]) -> tuple[StandingAlarm, ...]:
    """The causes that call people themselves: a new consequence of a shelved one is told."""
    return tuple(cause for cause in causes if cause.machine.state not in QUIET)


def shared_cause(
    alarm: StandingAlarm, causes: Sequence[StandingAlarm], feeds: Mapping[str, frozenset[str]]
) -> AlarmDefinition | None:
    """The active cause whose consequence the alarm is.

    Parameters
    ----------
    causes : from :func:`causes_of`.
    feeds : by tank key the sources its blanket readings come through.
    """
    return next((c.definition for c in causes if _follows(alarm, c, feeds)), None)


def _follows(alarm: StandingAlarm, cause: StandingAlarm, feeds: Mapping[str, frozenset[str]]) -> bool:
    definition, by = alarm.definition, cause.definition
    if definition.tank is None or _URGENCY[definition.priority] > _URGENCY[by.priority]:
        return False
    if by.watch is SystemWatch.FILLING:
        began, caused = alarm.machine.occurred_at, cause.machine.occurred_at
        late = began is not None and caused is not None and began - caused > FOLDED_WITHIN
        return definition.kind in _BY_FILLING and not late
    return (
        definition.kind is AlarmKind.BAD_MEASUREMENT
        and alarm.machine.rule_reason in _BY_SILENCE
        and cause.machine.rule_reason in _SOURCE_SILENT
        and feeds.get(definition.tank, frozenset()) == {by.connector}
    )


def filling_seen(alarms: Iterable[StandingAlarm], names: Mapping[str, str], now: datetime) -> FillingSeen:
    """Which tanks' alarms say that they fill, those nearest to the weir first.

    Parameters
    ----------
    names : what people call each tank, by its key.
    """
    began: dict[str, datetime] = {}
    clearance: dict[str, float] = {}
    for alarm in alarms:
        tank, machine = alarm.definition.tank, alarm.machine
        if tank is None or alarm.definition.kind not in _SIGNS_OF_FILLING:
            continue
        if not machine.active or machine.state in QUIET:
            continue
        began[tank] = min(began.get(tank, now), machine.occurred_at or now)
        if alarm.definition.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH) and machine.value is not None:
            clearance[tank] = machine.value
    tanks = sorted(began, key=lambda tank: (clearance.get(tank, float("inf")), tank))
    return FillingSeen(tanks=tuple((names.get(tank, tank), began[tank]) for tank in tanks))
