"""Shifts follow each other without a hole, also in the nights when the clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from service.calls.duty import Rota, Shift
from service.calls.hand_over import hand_over_times, shift_after, shift_at, shift_before

NEW_YORK = ZoneInfo("America/New_York")


def rota(*shifts: Shift, zone: ZoneInfo = NEW_YORK) -> tuple[Rota, ...]:
    return (Rota(key="duty", zone=zone, shifts=shifts),)


def shift(name: str, start: str, end: str, *weekdays: int) -> Shift:
    return Shift(
        name=name,
        people=("Sam",),
        first_day=date(2026, 1, 5),
        start=time.fromisoformat(start),
        end=time.fromisoformat(end),
        weekdays=frozenset(weekdays or range(7)),
    )


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=NEW_YORK).astimezone(UTC)


THREE = rota(shift("early", "06:00", "14:00"), shift("late", "14:00", "22:00"), shift("night", "22:00", "06:00"))


def test_without_a_rota_there_are_day_and_night() -> None:
    night = shift_at((), NEW_YORK, local("2026-01-14 03:00"))
    assert (night.name, night.start, night.end) == ("night", local("2026-01-13 19:00"), local("2026-01-14 07:00"))
    assert shift_at((), NEW_YORK, local("2026-01-14 07:00")).name == "day"


def test_the_rotas_hours_are_the_plants() -> None:
    assert [t.hour for t in hand_over_times(THREE)] == [6, 14, 22]
    found = shift_at(THREE, NEW_YORK, local("2026-01-14 13:59"))
    assert (found.name, found.end) == ("early", local("2026-01-14 14:00"))
    assert shift_after(THREE, NEW_YORK, found).name == "late"
    assert shift_before(THREE, NEW_YORK, found).name == "night"


def test_hours_nobody_is_named_for_are_a_shift_too() -> None:
    only_nights = rota(shift("nights", "19:00", "07:00", 0, 1, 2, 3, 4))
    assert shift_at(only_nights, NEW_YORK, local("2026-01-14 12:00")).name == "from 07:00"
    # A Saturday: the shift that begins then is not worked, the plant hands over all the same.
    assert shift_at(only_nights, NEW_YORK, local("2026-01-17 20:00")).name == "from 19:00"


def test_a_night_of_changed_clocks_is_an_hour_shorter_or_longer() -> None:
    spring = shift_at((), NEW_YORK, local("2026-03-08 01:00"))
    autumn = shift_at((), NEW_YORK, local("2026-11-01 00:30"))
    assert spring.end - spring.start == timedelta(hours=11)
    assert autumn.end - autumn.start == timedelta(hours=13)


def test_two_hand_overs_in_the_skipped_hour_leave_no_hole() -> None:
    odd = rota(shift("a", "02:15", "03:15"), shift("b", "03:15", "02:15"))
    found = shift_at(odd, NEW_YORK, local("2026-03-08 05:00"))
    assert found.start <= local("2026-03-08 05:00") < found.end


@settings(max_examples=50)
@given(
    minutes=st.integers(0, 6 * 365 * 1440),
    zone=st.sampled_from(["America/New_York", "Europe/Berlin", "Australia/Lord_Howe", "Africa/Cairo", "UTC"]),
    hours=st.lists(st.integers(0, 1439), min_size=1, max_size=4, unique=True),
)
def test_every_moment_is_in_one_shift_and_shifts_meet(minutes: int, zone: str, hours: list[int]) -> None:
    at = datetime(2024, 1, 1, tzinfo=UTC) + timedelta(minutes=minutes)
    times = [f"{minute // 60:02d}:{minute % 60:02d}" for minute in sorted(hours)]
    shifts = [shift(a, a, b) for a, b in zip(times, [*times[1:], times[0]], strict=True)]
    place = ZoneInfo(zone)
    rotas = rota(*shifts, zone=place)
    found = shift_at(rotas, place, at)
    assert found.start <= at < found.end
    assert found.end - found.start <= timedelta(hours=26)
    assert shift_before(rotas, place, found).end == found.start
    assert shift_after(rotas, place, found).start == found.end
