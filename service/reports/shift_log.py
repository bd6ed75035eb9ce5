"""Shift log as values: entries from hand-over to hand-over, and what is open at the end. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from uuid import UUID
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, AlarmKind, SystemWatch
from service.alarms.figures import Happened, Occurrence, occurrences_of
from service.alarms.machine import QUIET, AlarmState, Event
from service.calls.hand_over import WorkedShift
from service.domain.blanket.estimate import Estimate, Trust
from service.domain.cores.check import CoreProblem
from service.domain.cores.core import Calibration, Core
from service.domain.cores.round import Round
from service.domain.plant.display import (
    describe_clearance,
    describe_rate,
    format_clock,
    format_duration,
    format_length,
    format_local_time,
)
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.reports.alarm_names import about, name_of

#: Older estimates are not shown.
ESTIMATE_VALID_FOR = timedelta(hours=2)


class EntryKind(StrEnum):
    """What an entry is about."""

    ALARM = "alarm"
    SOURCE = "source"
    CORE = "core"
    ROUND = "round"
    SENSOR_WORK = "sensor work"
    MESSAGE = "message"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedCore:
    """A core of the shift as it stands now; ``warnings`` are what was found when it was logged."""

    core: Core
    corrected: bool = False
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedMessage:
    """A message of the shift. ``status`` is waiting, sent, failed or cancelled."""

    at: datetime
    kind: str
    contact: str
    channel: str
    status: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WrittenNote:
    """A note of the shift."""

    id: UUID
    at: datetime
    author: str
    text: str
    corrects: UUID | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandOver:
    """A signed take-over."""

    who: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftFacts:
    """Everything stored that a shift log is made of.

    ``happened`` goes back far enough to know what stood when the shift began; ``estimates`` are the newest at its end, or
    now. ``alarm_words`` says how bad each alarm is, in a word.
    """

    shift: WorkedShift
    now: datetime
    definitions: Mapping[str, AlarmDefinition]
    alarm_words: Mapping[str, str]
    tanks: Mapping[str, Tank]
    happened: Sequence[Happened] = ()
    cores: Sequence[LoggedCore] = ()
    rounds: Sequence[Round] = ()
    works: Sequence[Calibration] = ()
    tank_of_signal: Mapping[str, str]
    messages: Sequence[LoggedMessage] = ()
    notes: Sequence[WrittenNote] = ()
    taken_over: Sequence[HandOver] = ()
    handed_over: Sequence[HandOver] = ()
    estimates: Mapping[str, Estimate]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftEntry:
    """One line of the log. ``about`` is the tank, or what else it concerns; ``ref`` finds the thing itself."""

    at: datetime
    kind: EntryKind
    about: str
    words: str
    who: str = ""
    ref: str = ""
    corrected: bool = False  #: a note that a later one puts right


@dataclass(frozen=True, slots=True, kw_only=True)
class StandingItem:
    """One open item at the end: a tank, or an alarm, active, shelved or out of service."""

    about: str
    words: str
    doubt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftLog:
    """The whole log. ``until`` is the shift's end, or now while it runs."""

    shift: WorkedShift
    until: datetime
    running: bool
    entries: tuple[ShiftEntry, ...]
    tanks: tuple[StandingItem, ...]
    open: tuple[StandingItem, ...]
    taken_over: tuple[HandOver, ...]
    handed_over: tuple[HandOver, ...]


def shift_log(facts: ShiftFacts, *, units: UnitSystem, zone: ZoneInfo) -> ShiftLog:
    """Compile a shift's log.

    Parameters
    ----------
    facts : what is stored of it.
    units, zone : how the plant reads lengths and times.
    """
    builder = _LogBuilder(facts, units, zone)
    entries = sorted(builder.entries(), key=lambda entry: entry.at)
    return ShiftLog(
        shift=facts.shift,
        until=builder.until,
        running=facts.now < facts.shift.end,
        entries=tuple(entries),
        tanks=tuple(builder.tanks()),
        open=tuple(builder.open()),
        taken_over=tuple(facts.taken_over),
        handed_over=tuple(facts.handed_over),
    )


class _LogBuilder:
    def __init__(self, facts: ShiftFacts, units: UnitSystem, zone: ZoneInfo) -> None:
        self._facts = facts
        self._units = units
        self._zone = zone
        self.until = min(facts.now, facts.shift.end)
        priorities = {key: definition.priority for key, definition in facts.definitions.items()}
        known = [line for line in facts.happened if line.at < self.until]
        self._occurrences = occurrences_of(known, priorities)
        self._last = {line.key: line for line in known}

    def entries(self) -> Iterator[ShiftEntry]:
        """Every entry, in no order."""
        facts, shift = self._facts, self._facts.shift
        for occurrence in self._occurrences:
            over = occurrence.returned_at
            if occurrence.occurred_at >= shift.start or over is None or over >= shift.start:
                yield self._occurrence(occurrence)
        for line in facts.happened:
            if shift.start <= line.at < self.until and line.event in _BY_HAND:
                said = f": {line.note}" if line.note else ""
                yield ShiftEntry(
                    at=line.at,
                    kind=self._kind(line.key),
                    about=self._about(line.key),
                    words=f"{self._word(line.key)} {_BY_HAND[line.event]}{said}",
                    who=line.actor,
                    ref=line.key,
                )
        for logged in facts.cores:
            yield self._core(logged)
        for seen in facts.rounds:
            yield ShiftEntry(
                at=seen.taken_at,
                kind=EntryKind.ROUND,
                about=facts.tanks[seen.tank].label,
                words=seen.told,
                who=seen.taken_by,
            )
        for work in facts.works:
            found = "" if work.as_found_offset is None else f", read {self._length(work.as_found_offset)} before"
            left = "" if work.as_left_offset is None else f", {self._length(work.as_left_offset)} after"
            tank = facts.tanks.get(facts.tank_of_signal.get(work.tag, ""))
            why = f": {work.reason}" if work.reason else ""
            yield ShiftEntry(
                at=work.at,
                kind=EntryKind.SENSOR_WORK,
                about=tank.label if tank is not None else work.tag,
                words=f"{work.tag}: {work.kind.value}{why}{found}{left}",
                who=work.done_by,
                ref=work.tag,
            )
        yield from self._messages()
        corrected = {note.corrects for note in facts.notes}
        for note in facts.notes:
            yield ShiftEntry(
                at=note.at,
                kind=EntryKind.NOTE,
                about="",
                words=f"{'Correction: ' if note.corrects else ''}{note.text}",
                who=note.author,
                ref=str(note.id),
                corrected=note.id in corrected,
            )

    def tanks(self) -> Iterator[StandingItem]:
        """State of every tank at the end."""
        for key, tank in self._facts.tanks.items():
            estimate = self._facts.estimates.get(key)
            if (
                estimate is None
                or not math.isfinite(estimate.height)
                or self.until - estimate.time > ESTIMATE_VALID_FOR
            ):
                yield StandingItem(about=tank.label, words="no data", doubt="no estimate: take a core")
                continue
            words = f"{describe_clearance(tank.clearance(estimate.height), self._units, tank.side_water_depth)}, {describe_rate(estimate.rate, self._units)}"
            doubt = {Trust.GOOD: "", Trust.DOUBTFUL: "doubtful", Trust.BLIND: "no valid reading: the number is old"}[
                estimate.trust
            ]
            yield StandingItem(about=tank.label, words=words, doubt=doubt)

    def open(self) -> Iterator[StandingItem]:
        """Active alarms, and those shelved or out of service."""
        for occurrence in self._occurrences:
            last = self._last[occurrence.key]
            if occurrence.returned_at is None and last.to_state not in (*QUIET, AlarmState.NORMAL):
                has = (
                    f"{occurrence.acknowledged_by or 'somebody'} has it"
                    if occurrence.acknowledged_at
                    else "nobody has it"
                )
                yield StandingItem(
                    about=self._about(occurrence.key),
                    words=f"{self._word(occurrence.key)} since {self._when(occurrence.occurred_at)}; {has}",
                )
        for key, line in self._last.items():
            if line.to_state in QUIET:
                by = f" by {line.actor}" if line.actor else ""
                note = f": {line.note}" if line.note else ""
                yield StandingItem(about=self._about(key), words=f"{self._word(key)} {line.to_state}{by}{note}")

    def _occurrence(self, occurrence: Occurrence) -> ShiftEntry:
        definition = self._facts.definitions.get(occurrence.key)
        words = self._word(occurrence.key)
        if (
            definition is not None
            and definition.kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)
            and occurrence.value is not None
        ):
            words += f", {describe_clearance(occurrence.value, self._units)}"
        early = occurrence.occurred_at < self._facts.shift.start
        if early:
            words += f", active since {self._when(occurrence.occurred_at)}"
        if occurrence.acknowledged_at is None:
            words += "; nobody acknowledged it"
        else:
            delay = format_duration(occurrence.acknowledged_at - occurrence.occurred_at)
            words += f"; {occurrence.acknowledged_by or 'somebody'} had it after {delay}"
            words += f" ({occurrence.note})" if occurrence.note else ""
        over = occurrence.returned_at
        words += "; still active" if over is None else f"; over {self._when(over)}"
        return ShiftEntry(
            at=max(occurrence.occurred_at, self._facts.shift.start),
            kind=self._kind(occurrence.key),
            about=self._about(occurrence.key),
            words=words,
            who=occurrence.acknowledged_by,
            ref=occurrence.key,
        )

    def _core(self, logged: LoggedCore) -> ShiftEntry:
        core = logged.core
        tank = self._facts.tanks[core.tank]
        height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
        parts = [
            f"{format_length(core.thickness, self._units)} of sludge"
            f" ({describe_clearance(tank.clearance(height), self._units, tank.side_water_depth)})"
        ]
        parts += [f"no. {core.replicate}"] if core.replicate > 1 else []
        parts += [f"fluff up to {format_length(core.fluff, self._units)}"] if core.fluff else []
        parts += [", ".join(seen.value for seen in core.surface)] if core.surface else []
        parts += [core.note] if core.note else []
        parts += ["corrected"] if logged.corrected else []
        parts += [f"DOUBTFUL: {_DOUBTS.get(found, found)}" for found in logged.warnings]
        return ShiftEntry(
            at=core.taken_at,
            kind=EntryKind.CORE,
            about=tank.label,
            words="; ".join(parts),
            who=core.taken_by,
            ref=str(core.id),
        )

    def _messages(self) -> Iterator[ShiftEntry]:
        """Messages that left together are one line."""
        groups: dict[tuple[datetime, str], list[LoggedMessage]] = {}
        for message in self._facts.messages:
            groups.setdefault((message.at.replace(second=0, microsecond=0), message.kind), []).append(message)
        for (_, kind), sent in groups.items():
            told = list(dict.fromkeys(f"{m.contact} by {m.channel}{_STATUS.get(m.status, '')}" for m in sent))
            yield ShiftEntry(
                at=sent[0].at, kind=EntryKind.MESSAGE, about="", words=f"{_SAID.get(kind, kind)}: {', '.join(told)}"
            )

    def _kind(self, key: str) -> EntryKind:
        definition = self._facts.definitions.get(key)
        of_source = definition is not None and definition.watch is SystemWatch.CONNECTOR
        return EntryKind.SOURCE if of_source else EntryKind.ALARM

    def _about(self, key: str) -> str:
        labels = {tank.key: tank.label for tank in self._facts.tanks.values()}
        return about(key, self._facts.definitions.get(key), labels)

    def _word(self, key: str) -> str:
        return name_of(key, self._facts.definitions.get(key), self._facts.alarm_words)

    def _length(self, value: float) -> str:
        return format_length(value, self._units, signed=True)

    def _when(self, moment: datetime) -> str:
        """The clock, with the date where it is not a moment of this shift."""
        near = self._facts.shift.start <= moment < self._facts.shift.end
        return format_clock(moment, self._zone) if near else format_local_time(moment, self._zone)


#: What people do to alarms, as the log says it.
_BY_HAND: dict[str, str] = {
    Event.SHELVED: "shelved",
    Event.UNSHELVED: "unshelved",
    Event.REMOVED: "removed from service",
    Event.RESTORED: "returned to service",
    Event.RESET: "reset",
}
#: What was found wrong with a core that somebody stood by.
_DOUBTS: dict[str, str] = {
    CoreProblem.UNIT_SLIP: "it would fit another unit",
    CoreProblem.FAR_FROM_ESTIMATE: "far from what was expected",
}
_SAID = {
    "alarm": "Called",
    "cleared": "All clear sent",
    "acknowledged": "Acknowledgement sent",
    "test": "Test call",
    "reply": "Answered",
    "core": "Core reported",
    "report": "Report mailed",
}
_STATUS = {"waiting": " (NOT YET SENT)", "failed": " (NOT SENT)", "cancelled": " (no longer needed)"}
