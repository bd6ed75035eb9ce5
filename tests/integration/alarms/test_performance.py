"""Performance figures from a real journal."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import Engine

from service.alarms.definition import Priority
from service.jobs.alarms.evaluate import evaluate
from service.jobs.alarms.performance import alarm_figures, monthly_figures
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, acknowledge, alarm_setup, definitions


def test_figures_of_a_night(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, alarm_setup(alarms=definitions("east")[:2]))
    for minute in range(12):
        now = NIGHT + minute * MINUTE
        plant.believe(now, 0.3 if 2 <= minute <= 5 else 2.0)
        evaluate(engine, plant.model, projected={}, now=now)
        if minute == 5:
            acknowledge(engine, plant.model, "east.high-high", who="Sam", now=now)
    found = alarm_figures(engine, plant.setup, NIGHT, NIGHT + timedelta(hours=1))
    assert found.by_alarm == {"east.high": 1, "east.high-high": 1}
    assert found.priority_shares == {Priority.LOW: 0.0, Priority.MEDIUM: 0.5, Priority.HIGH: 0.5}
    # One answer counts for every blanket alarm of the tank that stands.
    assert (found.acknowledged, found.median_time_to_acknowledge) == (2, 2 * MINUTE)
    months = monthly_figures(engine, plant.setup, NIGHT + timedelta(days=40), months=3)
    assert [month.alarms for month in months] == [0, 2, 0]
    # Plant time: January begins at 05:00 UTC in New York.
    assert months[1].start.isoformat() == "2026-01-01T05:00:00+00:00"
