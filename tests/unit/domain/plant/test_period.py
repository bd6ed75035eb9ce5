"""Days and months of the plant's calendar, whatever the clocks do."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.plant.period import PeriodKind, day_of, last_whole, month_of

NEW_YORK = ZoneInfo("America/New_York")


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 1, 14), 24)])
def test_a_day_is_as_long_as_its_clocks_make_it(day: date, hours: int) -> None:
    assert day_of(day, NEW_YORK).length == timedelta(hours=hours)


def test_a_midnight_that_is_skipped_or_repeated_begins_the_day_once() -> None:
    cairo = ZoneInfo("Africa/Cairo")  # clocks go forward at midnight
    skipped = day_of(date(2025, 4, 25), cairo)
    assert skipped.start == day_of(date(2025, 4, 24), cairo).end
    assert skipped.length == timedelta(hours=23)
    havana = ZoneInfo("America/Havana")  # clocks go back from 01:00 to midnight
    repeated = day_of(date(2025, 11, 2), havana)
    assert repeated.length == timedelta(hours=25)


def test_the_last_whole_period_is_over() -> None:
    now = datetime(2026, 1, 1, 4, 59, tzinfo=UTC)  # 23:59 on New Year's Eve
    assert last_whole(PeriodKind.DAILY, now, NEW_YORK).first == date(2025, 12, 30)
    assert last_whole(PeriodKind.MONTHLY, now, NEW_YORK).name == "2025-11"
    later = now + timedelta(minutes=1)
    assert last_whole(PeriodKind.DAILY, later, NEW_YORK).first == date(2025, 12, 31)
    assert last_whole(PeriodKind.MONTHLY, later, NEW_YORK).name == "2025-12"


@settings(max_examples=50)
@given(
    st.dates(date(2000, 1, 1), date(2037, 1, 1)),
    st.sampled_from(["America/New_York", "Africa/Cairo", "America/Havana", "Asia/Beirut", "Pacific/Apia"]),
)
def test_days_meet_and_fill_their_month(day: date, zone: str) -> None:
    place = ZoneInfo(zone)
    assert day_of(day, place).end == day_of(day + timedelta(days=1), place).start
    month = month_of(day, place)
    days = [month.first + timedelta(days=n) for n in range(31) if (month.first + timedelta(days=n)).month == day.month]
    assert sum((day_of(one, place).length for one in days), timedelta(0)) == month.length
