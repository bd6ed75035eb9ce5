"""When reports leave, in the plant's own time."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.calls.contact import Contact
from service.reports.mailing import Mailing

ZONE = ZoneInfo("America/New_York")
ANN = Contact(name="Ann", email="ann@example.org", channels=("email",))
BOTH = Mailing(to=(ANN,), daily=time(6), monthly=time(7))


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).astimezone(UTC)


@pytest.mark.parametrize(
    ("now", "due"),
    [
        ("2026-01-14 05:59", []),
        ("2026-01-14 06:00", ["2026-01-13"]),
        ("2026-01-14 23:59", ["2026-01-13"]),
        ("2026-01-15 00:30", []),  # too late for the day before yesterday
        ("2026-03-01 06:30", ["2026-02-28"]),
        ("2026-03-01 07:00", ["2026-02-28", "2026-02"]),
        ("2026-03-05 12:00", ["2026-03-04", "2026-02"]),
        ("2026-03-09 06:00", ["2026-03-08"]),  # the day the clocks went forward
    ],
)
def test_a_report_leaves_after_its_period_at_its_time(now: str, due: list[str]) -> None:
    assert [period.name for period in BOTH.due(ZONE, local(now))] == due


def test_nothing_leaves_that_nobody_asked_for() -> None:
    noon = local("2026-03-01 12:00")
    assert Mailing(to=(ANN,)).due(ZONE, noon) == []
    assert Mailing(daily=time(6)).due(ZONE, noon) == []


def test_a_day_is_due_once_a_day_for_a_whole_year() -> None:
    start = local("2026-01-01 12:00")
    names = [period.name for day in range(365) for period in BOTH.due(ZONE, start + timedelta(days=day))]
    assert len({name for name in names if len(name) == 10}) == 365
    assert len({name for name in names if len(name) == 7}) == 12
