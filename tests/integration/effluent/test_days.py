"""Daily values, averages, stretches beyond and the alarm's words, from what is stored."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from sqlalchemy import Engine

from service.domain.effluent.month import EffluentMonth
from service.domain.effluent.permit import NO_PERMIT, Measure, Term
from service.domain.plant.units import from_si
from service.jobs.effluent.days import has_effluent, read_effluent
from service.jobs.effluent.standing import EVERY, PermitStanding
from service.jobs.plant.plant import Plant
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT
from tests.support.effluent_plant import BAD, FIRST, effluent_plant, store_month

LAST = date(2026, 1, 31)


def _read(engine: Engine, plant: Plant) -> EffluentMonth:
    with transaction(engine) as conn:
        return read_effluent(conn, plant, FIRST, LAST, NIGHT)


def test_a_bad_night_across_midnight_is_two_days_one_stretch_and_known_kilograms(engine: Engine) -> None:
    plant = effluent_plant(engine)
    store_month(engine, plant)
    found = _read(engine, plant)
    days = {day.day: day for day in found.of(Measure.SOLIDS)}
    # By hand: (20 h × 20 + 4 h × 200) / 24 = 50 mg/L; (22 × 20 + 2 × 200) / 24 = 35 mg/L.
    assert days[date(2026, 1, 12)].value == pytest.approx(0.050)
    assert days[date(2026, 1, 13)].value == pytest.approx(0.035)
    assert days[date(2026, 1, 11)].within is True
    [stretch] = found.beyond
    assert (stretch.start, stretch.end) == BAD
    assert found.hours_beyond == timedelta(hours=6)
    # 5 MGD = 18 927.06 m³/d; (200 - 60) g/m³ for a quarter of a day = 662.4 kg.
    assert found.lost == pytest.approx(18.92705892 * 140.0 / 4.0)
    load = {day.day: day.value for day in found.of(Measure.LOAD)}[date(2026, 1, 11)]
    assert load is not None
    assert from_si(load, "lb/d") == pytest.approx(5.0 * 20.0 * 8.3454044520)


def test_the_running_month_and_week_are_told_as_far_as_they_have_come(engine: Engine) -> None:
    plant = effluent_plant(engine)
    store_month(engine, plant, silent=[date(2026, 1, 5)])
    found = _read(engine, plant)
    month = next(a for a in found.averages if a.limit.term is Term.MONTHLY and a.limit.measure is Measure.SOLIDS)
    assert (month.days, month.of, month.running, month.verdict) == (12, 31, True, "within so far")
    silent = next(day for day in found.of(Measure.SOLIDS) if day.day == date(2026, 1, 5))
    assert silent.verdict == "no value"
    # The week from Sunday the 11th: (20 + 50 + 35) / 3.
    week = next(a for a in found.averages if a.limit.term is Term.WEEKLY and a.first == date(2026, 1, 11))
    assert week.value == pytest.approx(0.035)
    assert week.running is True


def test_the_alarm_hears_of_the_average_nearest_to_its_limit_and_remembers_it_for_minutes(engine: Engine) -> None:
    plant = effluent_plant(engine)
    store_month(engine, plant)
    standing = PermitStanding()
    found = standing.seen(engine, plant, NIGHT)
    assert found is not None
    # The load: 11 days of 834.5 lb/d, 2086 and 1460 on the bad ones, and three hours of the 14th are no day.
    assert found.words.startswith("this month's average of effluent solids load")
    assert found.share == pytest.approx((11 * 834.54 + 2086.35 + 1460.45) / 13 / 1000.0, rel=1e-3)
    other = replace(plant, permit=replace(plant.permit, limits=plant.permit.limits[:1]))
    assert standing.seen(engine, other, NIGHT + EVERY / 2) is found
    assert standing.seen(engine, other, NIGHT + EVERY) is None  # no day's value yet
    assert standing.seen(engine, replace(plant, permit=NO_PERMIT), NIGHT) is None


def test_a_plant_with_a_meter_and_no_permit_still_has_an_effluent(engine: Engine) -> None:
    plant = effluent_plant(engine, NO_PERMIT)
    store_month(engine, plant)
    assert has_effluent(plant)
    found = _read(engine, plant)
    assert (found.averages, found.beyond, found.hours_beyond) == ((), (), timedelta(0))
    assert found.of(Measure.SOLIDS)[0].verdict == "no limit"
