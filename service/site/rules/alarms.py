"""Alarms that could never come, never go, or contradict each other."""

from __future__ import annotations

from datetime import timedelta

from service.alarms.definition import AlarmKind, SystemWatch
from service.site.conversion.plant import EFFLUENT_ALARMS
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.levels import check_levels
from service.site.rules.names import check_known
from service.site.sections.alarm import ALL_LIMIT_FIELDS, EVERY_TANK, LIMIT_FIELDS, AlarmSection


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
            continue  # judged in the tank
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


#: However a site words it, a danger that stands and gets no better calls again within this time.
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
            'write at most "2 h", or leave it out: then it is time_to_respond',
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
