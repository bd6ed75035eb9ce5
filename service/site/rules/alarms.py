"""Checks alarms: limits inside the tank and in order, deadbands, times, duplicates."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.domain.plant.tank import Tank
from service.site.conversion.plant import EFFLUENT_ALARMS, PlannedAlarm, tank_alarms
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_known, length
from service.site.rules.tanks import LARGEST, tank_with_size
from service.site.sections.alarm import ALL_LIMIT_FIELDS, EVERY_TANK, LIMIT_FIELDS, AlarmSection


def check_alarms(draft: Draft, report: Report) -> None:
    """Check every alarm by itself, then the high and high-high alarms of each tank."""
    for entry in draft.alarms:
        if entry.section.kind is AlarmKind.SYSTEM:
            _check_system(entry, draft, report)
        else:
            _check_tank_alarm(entry, draft, report)
        _check_limit_fields(entry, report)
        _check_times(entry, report)
    _check_twice(draft, report)
    check_levels(draft, report)


def _check_system(entry: ReadSection[AlarmSection], draft: Draft, report: Report) -> None:
    alarm = entry.section
    if alarm.tank != EVERY_TANK:
        report.error(entry, "tank", "has no meaning for a system alarm", "remove it")
    if not entry.has("watch"):
        choice = ", ".join(f'"{w}"' for w in SystemWatch)
        report.error(entry, "watch", "is missing: what does the system alarm watch?", f"write one of {choice}")
    if alarm.connector is not None:
        if alarm.watch is not SystemWatch.CONNECTOR:
            report.error(entry, "connector", 'only fits watch = "connector"', "remove it, or change watch")
        else:
            check_known(entry, "connector", alarm.connector, "connector", draft, report)


def _check_tank_alarm(entry: ReadSection[AlarmSection], draft: Draft, report: Report) -> None:
    alarm = entry.section
    if alarm.tank != EVERY_TANK:
        check_known(entry, "tank", alarm.tank, "tank", draft, report)
    for name in ("watch", "connector"):
        if getattr(alarm, name) is not None:
            report.error(entry, name, 'only fits kind = "system"', "remove it")
    metered = {e.section.tank for e in draft.signals if e.section.limit is not None}
    if alarm.kind in EFFLUENT_ALARMS.values() and not metered & (
        {alarm.tank, None} if alarm.tank != EVERY_TANK else metered
    ):
        remedy = "give the signal of its effluent meter a limit"
        report.warning(entry, "kind", "can never come: no meter of that effluent has a limit", remedy)
    if alarm.kind is AlarmKind.HIGH_HIGH and not alarm.enabled:
        report.warning(entry, "enabled", "switches the danger alarm off", "nobody is called when solids near the weir")


def _check_limit_fields(entry: ReadSection[AlarmSection], report: Report) -> None:
    alarm = entry.section
    own = LIMIT_FIELDS[alarm.kind]
    given = [name for name in ALL_LIMIT_FIELDS if getattr(alarm, name) is not None]
    for name in given:
        if name not in own:
            remedy = f"its limit is written as {' or '.join(own)}" if own else "it has no limit; remove the line"
            report.error(entry, name, f'does not fit a "{alarm.kind}" alarm', remedy)
    fitting = [name for name in given if name in own]
    if len(fitting) > 1:
        report.error(entry, fitting[1], f"is a second limit beside {fitting[0]}", "keep one of them")
    for name in fitting:
        value = getattr(alarm, name)
        if name in ("clearance", "blanket_height", "depth_share"):
            continue  # checked in each tank
        if (value <= timedelta(0)) if isinstance(value, timedelta) else value <= 0:
            report.error(
                entry, name, "is not above zero", "write a limit above zero, or enabled = false to have no such alarm"
            )
    if alarm.deadband is not None and alarm.deadband < 0:
        report.error(entry, "deadband", "is below zero", "write how far past the limit the value must go back, or 0")


def _check_times(entry: ReadSection[AlarmSection], report: Report) -> None:
    alarm = entry.section
    if alarm.time_to_respond is not None and alarm.time_to_respond <= timedelta(0):
        report.error(
            entry, "time_to_respond", "is not above zero", 'write how long somebody has to act, such as "15 min"'
        )
    elif alarm.on_delay is not None and alarm.time_to_respond is not None and alarm.on_delay >= alarm.time_to_respond:
        report.warning(
            entry,
            "on_delay",
            "uses up all of time_to_respond",
            'write a short one; 60 s ("1 min") is usual for a level',
        )
    if alarm.re_alarm_after is not None and alarm.re_alarm_after <= timedelta(0):
        report.error(entry, "re_alarm_after", "is not above zero", "write when to call again, or leave it out")
    _check_improve_within(entry, report)


#: An acknowledged high-high that does not improve re-alarms within this time, whatever the site file says.
_LONGEST_TO_IMPROVE = timedelta(hours=2)


def _check_improve_within(entry: ReadSection[AlarmSection], report: Report) -> None:
    alarm = entry.section
    if alarm.improve_within is None:
        return
    if alarm.kind not in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH):
        report.error(
            entry, "improve_within", "only fits high and high-high alarms", "use re_alarm_after, or leave it out"
        )
    elif alarm.improve_within <= timedelta(0):
        report.error(entry, "improve_within", "is not above zero", "write how long a clearance has to get better")
    elif alarm.kind is AlarmKind.HIGH_HIGH and alarm.improve_within > _LONGEST_TO_IMPROVE:
        report.error(
            entry,
            "improve_within",
            "is longer than 2 h: somebody who took the danger and fell asleep would end it",
            'write at most "2 h", or leave it out: then it is 1 h',
        )


def _check_twice(draft: Draft, report: Report) -> None:
    first: dict[tuple[object, ...], ReadSection[AlarmSection]] = {}
    keys: dict[str, ReadSection[AlarmSection]] = {}
    for entry in draft.alarms:
        alarm = entry.section
        same = (alarm.kind, alarm.tank, alarm.watch, alarm.connector)
        earlier = first.setdefault(same, entry)
        if earlier is not entry:
            whose = "every tank" if alarm.tank == EVERY_TANK else alarm.tank
            if alarm.kind is AlarmKind.SYSTEM:
                whose = "the service"
            problem = f'{whose} has a "{alarm.kind}" alarm already, on line {report.line(earlier)}'
            report.error(entry, "kind", problem, "keep one of the two")
        if alarm.key is not None:
            known = keys.setdefault(alarm.key.casefold(), entry)
            if known is not entry:
                problem = f'"{alarm.key}" is taken already, on line {report.line(known, "key")}'
                report.error(entry, "key", problem, "give each a key of its own, or leave it out")


_LEVELS = (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)
_RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


def check_levels(draft: Draft, report: Report) -> None:
    """Check the high and high-high alarms of every tank, written or default: inside it, in order, further apart than deadbands."""
    if "alarm" in draft.incomplete:
        return  # an unreadable section may be the missing one
    tanks = {tank.key: tank for entry in draft.tanks if (tank := tank_with_size(entry)) is not None}
    levels: dict[str, list[PlannedAlarm]] = {key: [] for key in tanks}
    for planned in tank_alarms([entry.section for entry in draft.alarms], tanks.values()):
        if planned.definition.kind in _LEVELS and planned.definition.tank is not None:
            levels[planned.definition.tank].append(planned)
    level_check = _LevelCheck(draft, report)
    for key, tank in tanks.items():
        level_check.each(levels[key], tank)
        level_check.together(levels[key], tank)


class _LevelCheck:
    def __init__(self, draft: Draft, report: Report) -> None:
        self._units = draft.units
        self._report = report
        self._entries = {id(entry.section): entry for entry in draft.alarms}
        self._reported: set[tuple[int, str]] = set()

    def each(self, levels: Iterable[PlannedAlarm], tank: Tank) -> None:
        """Check for limits outside the tank, and deadbands that reach its floor."""
        for planned in levels:
            entry, definition = self._entry(planned), planned.definition
            if entry is None or definition.limit is None:
                continue
            name, depth = _limit_name(entry), tank.side_water_depth
            if name == "depth_share" and tank.reach > LARGEST:
                continue  # so large a tank is reported; over it any floor falls too deep
            if definition.limit < 0:
                share = entry.section.depth_share
                remedy = f"write a limit below the weir, which is {length(depth, self._units)} above the floor"
                if share is not None:
                    remedy = f'write a part of the side water depth, such as "{share if share > 1 else 25:g} %"'
                problem = f"puts the limit {length(-definition.limit, self._units)} above the weir of {tank.key}"
                self._error(entry, name, problem, remedy)
            elif definition.limit >= depth:
                problem = f"puts the limit at or under the floor of {tank.key}: the alarm would never go"
                remedy = f"the tank is {length(depth, self._units)} deep at the side wall; clearance counts down from the weir"
                self._error(entry, name, problem, remedy)
            elif definition.limit + definition.deadband >= depth:
                problem = f"is so wide that the alarm of {tank.key} would only go with the blanket at the floor"
                room = length(depth - definition.limit, self._units)
                self._error(entry, "deadband", problem, f"write less than {room}; 5 % of the span is a usual start")

    def together(self, levels: Iterable[PlannedAlarm], tank: Tank) -> None:
        """Check for limits in the wrong order, or closer to each other than a deadband."""
        by_kind = {planned.definition.kind: planned for planned in levels}
        if not all(kind in by_kind for kind in _LEVELS):
            return
        high, danger = (by_kind[kind] for kind in _LEVELS)
        first, second = self._entry(high), self._entry(danger)
        a, b = high.definition, danger.definition
        if (
            a.limit is None
            or b.limit is None
            or not all(0 <= limit < tank.side_water_depth for limit in (a.limit, b.limit))
        ):
            return
        entry = second or first
        where = f"{self._place(a)} (high) and {self._place(b)} (high-high) in {tank.key}"
        if b.limit >= a.limit:
            if entry is not None:  # the built-in ones agree with each other
                builtin = ""
                if first is None or second is None:
                    builtin = f"; the {'high' if first is None else 'high-high'} limit is the built-in one"
                remedy = f"write the high-high limit nearer to the weir than the high limit{builtin}"
                self._error(entry, _limit_name(entry), f"high-high would come no later than high: {where}", remedy)
            return
        gap = a.limit - b.limit
        for planned, at in ((high, first), (danger, second)):
            if at is not None and planned.definition.deadband >= gap:
                problem = f"is as wide as the gap between the limits or wider: {where}"
                self._error(at, "deadband", problem, f"write less than {length(gap, self._units)}, or leave it out")
        if second is not None and _RANK[b.priority] < _RANK[a.priority] and self._report_once(second, "priority"):
            remedy = 'write priority = "high" for the danger alarm'
            self._report.warning(second, "priority", "is lower than that of the high alarm", remedy)

    def _entry(self, planned: PlannedAlarm) -> ReadSection[AlarmSection] | None:
        return self._entries.get(id(planned.section))

    def _place(self, definition: AlarmDefinition) -> str:
        return f"{length(definition.limit or 0.0, self._units)} under the weir"

    def _error(self, entry: ReadSection[AlarmSection], name: str, problem: str, remedy: str) -> None:
        if self._report_once(entry, name):
            self._report.error(entry, name, problem, remedy)

    def _report_once(self, entry: ReadSection[AlarmSection], name: str) -> bool:
        """Whether this is the first error on that field: an alarm of every tank may be wrong in each."""
        reported = (id(entry), name) in self._reported
        self._reported.add((id(entry), name))
        return not reported


def _limit_name(entry: ReadSection[AlarmSection]) -> str:
    return next((n for n in LIMIT_FIELDS[entry.section.kind] if getattr(entry.section, n) is not None), "kind")
