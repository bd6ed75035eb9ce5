"""``[[shift]]``, ``[[stand_in]]``, ``[[holiday]]`` and ``[[escalation]]``: who is on duty, and who is called when nobody answers."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime, time
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from service.alarms.definition import Priority
from service.site.sections.quantity import closest_word, wrong
from service.site.sections.section import Duration, Key, Section, Words

_DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


def _time(value: object) -> time:
    if isinstance(value, str):
        with suppress(ValueError):
            value = time.fromisoformat(value.strip())
    if isinstance(value, time):
        return value
    raise wrong(f"{value!r} is no time of day", 'write it as "07:00"')


def _day(value: object) -> date:
    if isinstance(value, str):
        with suppress(ValueError):
            value = date.fromisoformat(value.strip())
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    raise wrong(f"{value!r} is no day", "write it as 2026-01-31")


def _moment(value: object) -> datetime:
    if isinstance(value, str):
        with suppress(ValueError):
            value = datetime.fromisoformat(value.strip())
    if isinstance(value, datetime):
        return value
    raise wrong(f"{value!r} is no day and time", 'write it as "2026-01-31 19:00", in plant time')


def _weekday(value: object) -> int:
    word = value.strip().casefold() if isinstance(value, str) else ""
    for number, day in enumerate(_DAYS):
        if len(word) >= 3 and day.startswith(word):
            return number
    near = closest_word(word, _DAYS) if word else None
    raise wrong(f"{value!r} is no day of the week", f'did you mean "{near}"?' if near else f"use {', '.join(_DAYS)}")


TimeOfDay = Annotated[time, BeforeValidator(_time)]
Day = Annotated[date, BeforeValidator(_day)]
Moment = Annotated[datetime, BeforeValidator(_moment)]
Weekday = Annotated[int, BeforeValidator(_weekday)]


class ShiftSection(Section):
    """A part of the day or week that people take in turns."""

    name: Words = Field(examples=['"nights"'])
    rota: Key = Field("duty", examples=['"duty"'])
    people: tuple[Words, ...] = Field(min_length=1, examples=['["Night operator"]'])
    first_day: Day = Field(examples=["2026-01-05"])
    start: TimeOfDay = Field(time(7), examples=['"19:00"'])
    end: TimeOfDay = Field(time(7), examples=['"07:00"'])
    weekdays: tuple[Weekday, ...] | None = Field(None, examples=['["mon", "tue"]'])
    turn_days: int = Field(7, ge=1, le=366, examples=["7"])
    on_holidays: bool | None = Field(None, examples=["false"])


class StandInSection(Section):
    """An override: a person on duty instead of whoever the rota names."""

    person: Words = Field(examples=['"Supervisor"'])
    rota: Key = Field("duty", examples=['"duty"'])
    start: Moment = Field(examples=['"2026-01-31 19:00"'])
    end: Moment = Field(examples=['"2026-02-01 07:00"'])
    why: str = ""


class HolidaySection(Section):
    """A day on which other shifts are worked."""

    name: Words = Field(examples=['"New Year"'])
    day: Day = Field(examples=["2027-01-01"])


class EscalationStepSection(Section):
    """One step of an escalation. Exactly one of ``duty``, ``contact`` and ``everybody`` says who is called."""

    after: Duration = Field(examples=['"10 min"'])
    duty: Key | None = Field(None, examples=['"duty"'])
    contact: Words | None = Field(None, examples=['"Supervisor"'])
    everybody: Literal[True] | None = None
    again_every: Duration | None = Field(None, examples=['"5 min"'])
    again_times: int = Field(1, ge=1, le=1000, examples=["2"])
    channels: tuple[Literal["email", "sms", "webhook"], ...] = Field((), examples=['["sms"]'])


class EscalationSection(Section):
    """Whom to call in turn for alarms of some priorities, on some days and hours."""

    key: Key = Field(examples=['"danger"'])
    priorities: tuple[Priority, ...] = Field(tuple(Priority), min_length=1, examples=['["high"]'])
    start: TimeOfDay | None = Field(None, examples=['"19:00"'])
    end: TimeOfDay | None = Field(None, examples=['"07:00"'])
    weekdays: tuple[Weekday, ...] | None = None
    steps: tuple[EscalationStepSection, ...] = Field(min_length=1, examples=['[{ after = "0 min", duty = "duty" }]'])
