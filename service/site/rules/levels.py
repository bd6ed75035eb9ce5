"""The two limits of a blanket, seen in each tank: inside it, in order, and apart by more than their deadbands."""

from __future__ import annotations

from collections.abc import Iterable

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.domain.plant.tank import Tank
from service.site.conversion.plant import Planned, tank_alarms
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import length
from service.site.rules.size import sound_tank
from service.site.sections.alarm import LIMIT_FIELDS, AlarmSection

_LEVELS = (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)
_RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


def check_levels(draft: Draft, report: Report) -> None:
    """The high and high-high alarms of every tank, written or built in."""
    if "alarm" in draft.incomplete:
        return  # what cannot be read may be what is missing
    tanks = {tank.key: tank for entry in draft.tanks if (tank := sound_tank(entry)) is not None}
    levels: dict[str, list[Planned]] = {key: [] for key in tanks}
    for planned in tank_alarms([entry.section for entry in draft.alarms], tanks.values()):
        if planned.definition.kind in _LEVELS and planned.definition.tank is not None:
            levels[planned.definition.tank].append(planned)
    judge = _Judge(draft, report)
    for key, tank in tanks.items():
        judge.each(levels[key], tank)
        judge.together(levels[key], tank)


class _Judge:
    def __init__(self, draft: Draft, report: Report) -> None:
        self._units = draft.units
        self._report = report
        self._entries = {id(entry.section): entry for entry in draft.alarms}
        self._said: set[tuple[int, str]] = set()

    def each(self, levels: Iterable[Planned], tank: Tank) -> None:
        """Limits outside the tank, and deadbands that reach its floor."""
        for planned in levels:
            entry, definition = self._entry(planned), planned.definition
            if entry is None or definition.limit is None:
                continue
            name, depth = _limit_name(entry), tank.side_water_depth
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

    def together(self, levels: Iterable[Planned], tank: Tank) -> None:
        """Limits in the wrong order, or closer to each other than a deadband."""
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
        if second is not None and _RANK[b.priority] < _RANK[a.priority] and self._first(second, "priority"):
            remedy = 'write priority = "high" for the danger alarm'
            self._report.warning(second, "priority", "is lower than that of the high alarm", remedy)

    def _entry(self, planned: Planned) -> ReadSection[AlarmSection] | None:
        return self._entries.get(id(planned.section))

    def _place(self, definition: AlarmDefinition) -> str:
        return f"{length(definition.limit or 0.0, self._units)} under the weir"

    def _error(self, entry: ReadSection[AlarmSection], name: str, problem: str, remedy: str) -> None:
        if self._first(entry, name):
            self._report.error(entry, name, problem, remedy)

    def _first(self, entry: ReadSection[AlarmSection], name: str) -> bool:
        """An alarm of every tank may be wrong in each; the first tank is enough to find it."""
        said = (id(entry), name) in self._said
        self._said.add((id(entry), name))
        return not said


def _limit_name(entry: ReadSection[AlarmSection]) -> str:
    return next((n for n in LIMIT_FIELDS[entry.section.kind] if getattr(entry.section, n) is not None), "kind")
