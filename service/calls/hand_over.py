"""Shifts and hand-over times in plant time, from the rota's hours or, without one, day and night. Pure."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.calls.duty import Rota, Shift

#: Twelve-hour shifts where the site describes none (common practice, no source).
USUAL = {time(7): "day", time(19): "night"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkedShift:
    """One shift from hand-over to hand-over: start ≤ time < end. In a night of changed clocks it is an hour shorter or longer."""

    name: str
    start: datetime
    end: datetime


def hand_over_times(rotas: Sequence[Rota]) -> tuple[time, ...]:
    """Local times at which the plant hands over, in the order of the day.

    Parameters
    ----------
    rotas : the site's; the first one sets the hours.
    """
    if not rotas:
        return tuple(USUAL)
    return tuple(sorted({bound for shift in rotas[0].shifts for bound in (shift.start, shift.end)}))


def shift_at(rotas: Sequence[Rota], zone: ZoneInfo, at: datetime) -> WorkedShift:
    """The shift that holds a moment.

    Parameters
    ----------
    rotas : the site's; the first one sets the hours.
    at : with a time zone.
    """
    times = hand_over_times(rotas)
    here = at.astimezone(zone).date()
    days = [here + timedelta(days=step) for step in range(-2, 3)]
    # A clock put forward over a hand-over may move it onto the next one.
    bounds = sorted({(_instant(day, local, zone), day, local) for day in days for local in times})
    for (start, day, local), (end, _, _) in itertools.pairwise(bounds):
        if start <= at < end:
            return WorkedShift(name=_name(rotas, day, local), start=start, end=end)
    raise AssertionError("no shift holds that moment")  # pragma: no cover


def shift_before(rotas: Sequence[Rota], zone: ZoneInfo, shift: WorkedShift) -> WorkedShift:
    """The shift that hands over to this one."""
    return shift_at(rotas, zone, shift.start - timedelta.resolution)


def shift_after(rotas: Sequence[Rota], zone: ZoneInfo, shift: WorkedShift) -> WorkedShift:
    """The shift this one hands over to."""
    return shift_at(rotas, zone, shift.end)


def _name(rotas: Sequence[Rota], day: date, local: time) -> str:
    if not rotas:
        return USUAL[local]
    begins = [shift for shift in rotas[0].shifts if shift.start == local]
    today: list[Shift] = [shift for shift in begins if day.weekday() in shift.weekdays]
    return next((shift.name for shift in today), f"from {local:%H:%M}")


def _instant(day: date, local: time, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, local, zone).astimezone(UTC)
