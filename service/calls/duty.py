"""Duty rotas: who is on duty at a time, across changes of the clock and with overrides. Pure.

Every hand-over is an instant: the local time written in the rota, on that day, in the plant's zone. Where the autumn's
clock shows it twice the first counts, so nobody's turn starts twice; where the spring's clock skips it, the hand-over is as
long after midnight as written (PEP 495).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from zoneinfo import ZoneInfo

from service.errors import DomainError

#: Weekdays, Monday being 0.
EVERY_DAY = frozenset(range(7))


class DutyReason(StrEnum):
    """Why somebody is on duty."""

    TURN = "their turn"
    OVERRIDE = "stands in"
    NOBODY = "nobody is on duty"


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A part of the day or week that people take in turns.

    ``start`` and ``end`` are local times; an end not after the start is on the next day, so equal times are a whole day.
    ``weekdays`` names the days a shift starts on, Monday being 0. A turn lasts ``turn_days`` days and the first begins on
    ``first_day`` with the first of ``people``.
    """

    name: str
    people: tuple[str, ...]
    first_day: date
    start: time = time(7)
    end: time = time(7)
    weekdays: frozenset[int] = EVERY_DAY
    turn_days: int = 7
    #: Whether the shift is worked on holidays: None as on other days, else only or never on them.
    on_holidays: bool | None = None

    def __post_init__(self) -> None:
        if not self.people:
            raise DomainError(f"shift {self.name} has nobody to take it")
        if self.turn_days < 1:
            raise DomainError(f"shift {self.name}: a turn lasts at least one day")


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """Somebody stands in for whoever would be on duty."""

    start: datetime
    end: datetime
    person: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rota:
    """Shifts in the order they count: where two overlap, the first has it. A later override goes before an earlier one."""

    key: str
    zone: ZoneInfo
    shifts: tuple[Shift, ...]
    overrides: tuple[Override, ...] = ()
    holidays: frozenset[date] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class DutyStretch:
    """A stretch of time and who is on duty in it; nobody is a gap."""

    start: datetime
    end: datetime
    person: str | None
    shift: str
    reason: DutyReason


def on_duty(rota: Rota, at: datetime) -> DutyStretch:
    """Who is on duty at that time, and until when.

    Parameters
    ----------
    at : with a time zone.

    Returns
    -------
    The stretch that holds *at*; its person is None when nobody is on duty. It is looked at a week to either side, so a
    stretch may last longer than it says.
    """
    week = timedelta(days=8)
    return next(s for s in stretches(rota, at - week, at + week) if s.start <= at < s.end)


def stretches(rota: Rota, start: datetime, end: datetime) -> list[DutyStretch]:
    """Who is on duty from *start* to *end*, without a hole: gaps are stretches with nobody."""
    pieces = list(_pieces(rota, start, end))
    bounds = sorted({start, end, *(bound for piece in pieces for bound in (piece.start, piece.end))})
    found: list[DutyStretch] = []
    for left, right in itertools.pairwise(bounds):
        if left < start or right > end:
            continue
        piece = next((p for p in pieces if p.start <= left and right <= p.end), None)
        who = piece.person if piece is not None else None
        shift = piece.shift if piece is not None else ""
        reason = piece.reason if piece is not None else DutyReason.NOBODY
        last = found[-1] if found else None
        if last is not None and (last.person, last.shift, last.reason) == (who, shift, reason):
            found[-1] = DutyStretch(start=last.start, end=right, person=who, shift=shift, reason=reason)
        else:
            found.append(DutyStretch(start=left, end=right, person=who, shift=shift, reason=reason))
    return found


def next_gap(rota: Rota, after: datetime, within: timedelta) -> DutyStretch | None:
    """The first time without anybody on duty, if it begins within that long."""
    return next((s for s in stretches(rota, after, after + within) if s.person is None), None)


def _pieces(rota: Rota, start: datetime, end: datetime) -> Iterator[DutyStretch]:
    """Everybody's stretches that touch start to end, and perhaps more; those that count first."""
    for override in reversed(rota.overrides):
        yield DutyStretch(
            start=override.start.astimezone(UTC),
            end=override.end.astimezone(UTC),
            person=override.person,
            shift="override",
            reason=DutyReason.OVERRIDE,
        )
    for shift in rota.shifts:
        # A day earlier, as a shift may reach into the next day.
        day = start.astimezone(rota.zone).date() - timedelta(days=1)
        last = end.astimezone(rota.zone).date()
        while day <= last:
            if _worked(rota, shift, day):
                begins, ends = _bounds(rota, shift, day)
                yield DutyStretch(
                    start=begins, end=ends, person=_turn(shift, day), shift=shift.name, reason=DutyReason.TURN
                )
            day += timedelta(days=1)


def _worked(rota: Rota, shift: Shift, day: date) -> bool:
    if day < shift.first_day:
        return False
    holiday = day in rota.holidays
    if shift.on_holidays is not None and holiday:
        return shift.on_holidays
    return day.weekday() in shift.weekdays


def _bounds(rota: Rota, shift: Shift, day: date) -> tuple[datetime, datetime]:
    last = day if shift.end > shift.start else day + timedelta(days=1)
    return _instant(day, shift.start, rota.zone), _instant(last, shift.end, rota.zone)


def _instant(day: date, local: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, local, zone).astimezone(UTC)


def _turn(shift: Shift, day: date) -> str:
    return shift.people[(day - shift.first_day).days // shift.turn_days % len(shift.people)]
