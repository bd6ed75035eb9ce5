"""Averages of weeks and months against the permit, and which stands nearest to its limit."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from service.domain.effluent.daily import DayOrigin, DayValue
from service.domain.effluent.month import EffluentMonth, averages, broken_before, nearest, week_of
from service.domain.effluent.permit import SECONDARY_TREATMENT, Measure, Permit, PermitLimit, Term

MONTHLY = PermitLimit(Measure.SOLIDS, Term.MONTHLY, SECONDARY_TREATMENT.monthly)
WEEKLY = PermitLimit(Measure.SOLIDS, Term.WEEKLY, SECONDARY_TREATMENT.weekly)
DAILY = PermitLimit(Measure.SOLIDS, Term.DAILY, 0.060)
PERMIT = Permit(limits=(MONTHLY, WEEKLY, DAILY))
FIRST, LAST = date(2026, 3, 1), date(2026, 3, 31)  # a Sunday and a Tuesday
LATER = date(2026, 5, 1)


def day(at: date, value: float | None, covered: float = 1.0) -> DayValue:
    origin = None if value is None else DayOrigin.ONLINE
    return DayValue(day=at, measure=Measure.SOLIDS, value=value, origin=origin, covered=covered, limit=0.060)


def march(*values: float | None) -> list[DayValue]:
    return [day(FIRST + timedelta(days=n), value) for n, value in enumerate(values)]


def test_an_average_is_the_mean_of_the_daily_values_there_are() -> None:
    """40 CFR 122.2: the sum of all daily discharges measured in the month over the number of days measured."""
    days = march(*[0.020] * 10, *[None] * 10, *[0.050] * 10)
    [month] = [a for a in averages(PERMIT, days, FIRST, LAST, LATER) if a.limit is MONTHLY]
    assert month.value == pytest.approx(0.035)
    assert month.days == 20
    assert month.of == 31
    assert month.verdict == "OVER"


def test_a_week_belongs_to_the_month_in_which_it_ends() -> None:
    days = march(*[0.020] * 31)
    weeks = [(a.first, a.last) for a in averages(PERMIT, days, FIRST, LAST, LATER) if a.limit is WEEKLY]
    assert weeks == [(date(2026, 3, d), date(2026, 3, d + 6)) for d in (1, 8, 15, 22)]
    april = averages(PERMIT, days, date(2026, 4, 1), date(2026, 4, 30), LATER)
    assert (april[0].first, april[0].last, april[0].days) == (date(2026, 3, 29), date(2026, 4, 4), 3)
    assert week_of(date(2026, 3, 1), 0) == (date(2026, 2, 23), date(2026, 3, 1))


def test_a_week_can_be_over_in_a_month_that_is_within() -> None:
    days = march(*[0.020] * 7, *[0.050] * 7, *[0.020] * 17)
    found = {(a.limit.term, a.first): a.verdict for a in averages(PERMIT, days, FIRST, LAST, LATER)}
    assert found[Term.WEEKLY, date(2026, 3, 8)] == "OVER"
    assert found[Term.MONTHLY, FIRST] == "within"
    assert EffluentMonth(permit=PERMIT, days=tuple(days), averages=averages(PERMIT, days, FIRST, LAST, LATER)).broken


def test_incomplete_days_are_told_beside_a_limit_kept() -> None:
    days = [*march(*[0.020] * 30), day(LAST, 0.020, covered=0.4)]
    month = averages(PERMIT, days, FIRST, LAST, LATER)[-1]
    assert (month.whole, month.days, month.verdict) == (30, 31, "within, days incomplete")


def test_the_average_nearest_to_its_limit_is_found() -> None:
    today = date(2026, 3, 10)  # a Tuesday: the week began on the 8th
    days = march(*[0.020] * 7, 0.040, 0.041, 0.044)
    found = nearest(PERMIT, days, today)
    assert found is not None
    assert found.limit.term == Term.WEEKLY
    assert found.share == pytest.approx((0.040 + 0.041 + 0.044) / 3 / 0.045)
    over = nearest(PERMIT, [*days[:-1], day(today, 0.130)], today)
    assert over is not None
    assert over.limit.term == Term.DAILY
    assert over.share == pytest.approx(0.130 / 0.060)


def test_nothing_measured_is_near_nothing() -> None:
    assert nearest(PERMIT, [day(date(2026, 3, 1), None)], date(2026, 3, 1)) is None


def test_an_average_is_broken_once_nothing_discharged_would_bring_it_back() -> None:
    # The week from the 8th, limit 45: 50 and 50 may still end within it; 100, 110 and 110 are more than seven days of 45.
    short = Permit(limits=(WEEKLY,))
    early = march(*[0.020] * 7, 0.050, 0.050)
    assert broken_before(short, early, date(2026, 3, 10)) is None
    days = march(*[0.020] * 7, 0.100, 0.110, 0.110, 0.010)
    assert broken_before(short, days, date(2026, 3, 10)) is None
    for today in (date(2026, 3, 11), date(2026, 3, 12)):
        found = broken_before(short, days, today)
        assert found is not None
        assert (found.limit.term, found.until) == (Term.WEEKLY, today - timedelta(days=1))
    assert broken_before(PERMIT, march(*[0.020] * 11), date(2026, 3, 12)) is None


def test_what_a_day_or_an_ended_week_broke_is_told_the_day_after() -> None:
    bad = march(*[0.020] * 9, 0.090, 0.020)
    found = broken_before(PERMIT, bad, date(2026, 3, 11))
    assert found is not None
    assert (found.limit.term, found.until, found.value) == (Term.DAILY, date(2026, 3, 10), 0.090)
    assert broken_before(PERMIT, bad, date(2026, 3, 12)) is None
    week = march(*[0.020] * 7, *[0.050] * 7, 0.010)
    short = Permit(limits=(WEEKLY,))
    last = broken_before(short, week, date(2026, 3, 15))
    assert last is not None
    assert (last.limit.term, last.until) == (Term.WEEKLY, date(2026, 3, 14))
    assert broken_before(short, week, date(2026, 3, 16)) is None
