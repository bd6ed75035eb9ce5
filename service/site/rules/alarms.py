"""Alarms that could never come, never go, or contradict each other."""

from __future__ import annotations

from datetime import timedelta

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.domain.tank import Tank
from service.site.alarm import ALL_LIMIT_FIELDS, EVERY_TANK, LIMIT_FIELDS, AlarmSection
from service.site.convert import Planned, tank_alarms
from service.site.draft import Draft, Entry, Report
from service.site.rules.names import check_known, length
from service.site.rules.size import sound_tank

_LEVELS = (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)
_RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


def check_alarms(draft: Draft, report: Report) -> None:
    """Every alarm by itself, then the alarms of each tank together."""
    for entry in draft.alarms:
        if entry.section.kind is AlarmKind.SYSTEM:
            _check_system(entry, draft, report)
        else:
            _check_tank_alarm(entry, draft, report)
        _check_limit_fields(entry, report)
        _check_times(entry, report)
    _check_twice(draft, report)
    sections = [entry.section for entry in draft.alarms]
    said: set[tuple[int | None, str]] = set()
    for tank_entry in draft.tanks:
        tank = sound_tank(tank_entry)
        if tank is None or "alarm" in draft.incomplete:
            continue
        planned = list(tank_alarms(sections, [tank]))
        for p in planned:
            _check_level(p, tank, draft, report, said)
        _check_pair(planned, tank, draft, report, said)


def _check_system(entry: Entry[AlarmSection], draft: Draft, report: Report) -> None:
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


def _check_tank_alarm(entry: Entry[AlarmSection], draft: Draft, report: Report) -> None:
    alarm = entry.section
    if alarm.tank != EVERY_TANK:
        check_known(entry, "tank", alarm.tank, "tank", draft, report)
    for name in ("watch", "connector"):
        if getattr(alarm, name) is not None:
            report.error(entry, name, 'only fits kind = "system"', "remove it")
    if alarm.kind is AlarmKind.HIGH_HIGH and not alarm.enabled:
        report.warning(entry, "enabled", "switches the danger alarm off", "nobody is called when solids near the weir")


def _check_limit_fields(entry: Entry[AlarmSection], report: Report) -> None:
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
            continue  # judged in the tank
        if (value <= timedelta(0)) if isinstance(value, timedelta) else value <= 0:
            report.error(
                entry, name, "is not above zero", "write a limit above zero, or enabled = false to have no such alarm"
            )
    if alarm.deadband is not None and alarm.deadband < 0:
        report.error(entry, "deadband", "is below zero", "write how far past the limit the value must go back, or 0")


def _check_times(entry: Entry[AlarmSection], report: Report) -> None:
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


def _check_twice(draft: Draft, report: Report) -> None:
    first: dict[tuple[object, ...], Entry[AlarmSection]] = {}
    keys: dict[str, Entry[AlarmSection]] = {}
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


def _entry_of(planned: Planned, draft: Draft) -> Entry[AlarmSection] | None:
    return next((e for e in draft.alarms if e.section is planned.section), None)


def _limit_name(entry: Entry[AlarmSection]) -> str:
    return next((n for n in LIMIT_FIELDS[entry.section.kind] if getattr(entry.section, n) is not None), "kind")


def _check_level(p: Planned, tank: Tank, draft: Draft, report: Report, said: set[tuple[int | None, str]]) -> None:
    entry, definition = _entry_of(p, draft), p.definition
    if entry is None or definition.kind not in _LEVELS or definition.limit is None:
        return
    name, depth = _limit_name(entry), tank.side_water_depth
    share = entry.section.depth_share
    if definition.limit < 0:
        _say_once(
            said,
            report,
            entry,
            name,
            f"puts the limit {length(-definition.limit, draft.units)} above the weir of {tank.key}",
            f'write a part of the side water depth, such as "{share:g} %"'
            if share is not None and share > 1
            else f"write a limit below the weir, which is {length(depth, draft.units)} above the floor",
        )
    elif definition.limit >= depth:
        _say_once(
            said,
            report,
            entry,
            name,
            f"puts the limit at or under the floor of {tank.key}: the alarm would never go",
            f"the tank is {length(depth, draft.units)} deep at the side wall; clearance counts down from the weir",
        )
    elif definition.limit + definition.deadband >= depth:
        _say_once(
            said,
            report,
            entry,
            "deadband",
            f"is so wide that the alarm of {tank.key} would only go with the blanket at the floor",
            f"write less than {length(depth - definition.limit, draft.units)}; 5 % of the span is a usual start",
        )


def _check_pair(
    planned: list[Planned], tank: Tank, draft: Draft, report: Report, said: set[tuple[int | None, str]]
) -> None:
    by_kind: dict[AlarmKind, Planned] = {}
    for p in planned:
        by_kind.setdefault(p.definition.kind, p)
    if not all(kind in by_kind for kind in _LEVELS):
        return
    high, danger = by_kind[AlarmKind.HIGH], by_kind[AlarmKind.HIGH_HIGH]
    first, second = _entry_of(high, draft), _entry_of(danger, draft)
    entry = second or first
    if entry is None:
        return  # the defaults agree with each other
    a, b = high.definition, danger.definition
    if (
        a.limit is None
        or b.limit is None
        or not all(0 <= limit < tank.side_water_depth for limit in (a.limit, b.limit))
    ):
        return
    where = f"{_clearance(a, draft)} (high) and {_clearance(b, draft)} (high-high) in {tank.key}"
    if b.limit >= a.limit:
        other = "high" if second is not None and first is None else "high-high"
        builtin = f"; the {other} limit is the built-in one" if first is None or second is None else ""
        remedy = f"write the high-high limit nearer to the weir than the high limit{builtin}"
        _say_once(said, report, entry, _limit_name(entry), f"high-high would come no later than high: {where}", remedy)
        return
    gap = a.limit - b.limit
    for p, at in ((high, first), (danger, second)):
        if at is not None and p.definition.deadband >= gap:
            problem = f"is as wide as the gap between the limits or wider: {where}"
            remedy = f"write less than {length(gap, draft.units)}, or leave it out"
            _say_once(said, report, at, "deadband", problem, remedy)
    if second is not None and _RANK[b.priority] < _RANK[a.priority]:
        remedy = 'write priority = "high" for the danger alarm'
        if (id(second), "priority") not in said:
            said.add((id(second), "priority"))
            report.warning(second, "priority", "is lower than that of the high alarm", remedy)


def _clearance(definition: AlarmDefinition, draft: Draft) -> str:
    return f"{length(definition.limit or 0.0, draft.units)} under the weir"


def _say_once(
    said: set[tuple[int | None, str]], report: Report, entry: Entry[AlarmSection], name: str, problem: str, remedy: str
) -> None:
    """An alarm of every tank may be wrong in each; the first tank is enough to find it."""
    if (id(entry), name) not in said:
        said.add((id(entry), name))
        report.error(entry, name, problem, remedy)
