"""A night with an escalation, on a real database: called in turn until somebody answers, and everybody who was called hears who has it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from sqlalchemy import Engine, text

from service.alarms.definition import Priority
from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.calls.escalation import EscalationPolicy, EscalationStep, Whom
from service.jobs.alarms.evaluate import evaluate
from service.storage.alarms.alarms import journal
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, acknowledge, alarm_setup, hand_over_all

PEOPLE = tuple(
    Contact(name=name, email=f"{name.lower()}@example.org", phone=phone, channels=("email",))
    for name, phone in (("Anna", "+15550101"), ("Ben", "+15550102"), ("Chief", "+15550103"))
)


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    setup = alarm_setup(contacts=PEOPLE, channels=frozenset({"email", "sms"}))
    shift = Shift(name="nights", people=("Anna", "Ben"), first_day=date(2026, 1, 12), turn_days=1)
    steps = (
        EscalationStep(
            after=timedelta(0), whom=Whom.DUTY, name="ops", again_every=5 * MINUTE, again_times=1, channels=("sms",)
        ),
        EscalationStep(after=10 * MINUTE, whom=Whom.CONTACT, name="Chief"),
        EscalationStep(after=20 * MINUTE, whom=Whom.EVERYBODY),
    )
    escalation = EscalationPolicy(key="danger", steps=steps, priorities=frozenset({Priority.HIGH}))
    setup = type(setup)(
        definitions=tuple(d for d in setup.definitions if d.key == "east.high-high"),
        contacts=setup.contacts,
        site=setup.site,
        units=setup.units,
        channels=setup.channels,
        rotas=(Rota(key="ops", zone=setup.site.zone, shifts=(shift,)),),
        escalations=(escalation,),
    )
    built = AlarmPlant.build(engine, setup)
    built.core(NIGHT - timedelta(hours=1), 1.0)
    return built


def night(
    plant: AlarmPlant, minutes: int, clearance: Callable[[int], float] = lambda _: 0.3, start: int = 0
) -> datetime:
    now = NIGHT
    for minute in range(start, minutes):
        now = NIGHT + minute * MINUTE
        plant.believe(now, clearance(minute))
        done = evaluate(plant.engine, plant.model, projected={}, now=now)
        assert done.failed == {}
        hand_over_all(plant, now)
    return now


def calls(plant: AlarmPlant) -> list[tuple[int, str, str, str]]:
    with transaction(plant.engine) as conn:
        rows = conn.execute(
            text("SELECT created_at, payload->>'contact', channel, payload->>'kind' FROM outbox ORDER BY id")
        ).all()
    return [((row[0] - NIGHT) // MINUTE, row[1], row[2], row[3]) for row in rows]


CLIMB = [
    (1, "Ben", "sms", "alarm"),
    (6, "Ben", "sms", "alarm"),
    (11, "Chief", "email", "alarm"),
    (21, "Anna", "email", "alarm"),
    (21, "Ben", "email", "alarm"),
    (21, "Chief", "email", "alarm"),
]


def test_nobody_answers(plant: AlarmPlant) -> None:
    night(plant, 40)
    assert calls(plant) == CLIMB
    with transaction(plant.engine) as conn:
        lines = [line for line in journal(conn) if line.event == "called further"]
        mail = (
            conn.execute(text("SELECT payload->>'text' FROM outbox WHERE channel = 'email' ORDER BY id"))
            .scalars()
            .first()
        )
    assert [line.detail["note"] for line in reversed(lines)] == ["Ben", "Chief", "Anna, Ben, Chief"]
    assert {line.reason for line in lines} == {"nobody answered"}
    assert mail is not None
    assert "No answer   from Ben at 03:06 EST" in mail


def test_an_answer_stops_the_calls_and_the_others_hear_of_it(plant: AlarmPlant) -> None:
    now = night(plant, 13)
    acknowledge(plant.engine, plant.model, "east.high-high", who="Chief", now=now)
    night(plant, 40, start=13)
    assert calls(plant) == [*CLIMB[:3], (12, "Ben", "sms", "acknowledged")]


def test_the_end_stops_the_calls_and_those_called_hear_of_it(plant: AlarmPlant) -> None:
    night(plant, 40, lambda minute: 0.3 if minute < 13 else 2.0)
    assert calls(plant) == [*CLIMB[:3], (14, "Ben", "sms", "cleared"), (14, "Chief", "email", "cleared")]


@pytest.mark.parametrize("clearance", [0.3, 0.25])
def test_a_danger_somebody_has_and_that_gets_no_better_calls_them_again_then_the_others(
    plant: AlarmPlant, clearance: float
) -> None:
    plant.setup = replace(
        plant.setup, definitions=tuple(replace(d, improve_within=15 * MINUTE) for d in plant.setup.definitions)
    )
    now = night(plant, 3)
    acknowledge(plant.engine, plant.model, "east.high-high", who="Chief", now=now)
    night(plant, 35, lambda _: clearance, start=3)
    assert calls(plant) == [
        (1, "Ben", "sms", "alarm"),
        (2, "Ben", "sms", "acknowledged"),
        (17, "Chief", "email", "alarm"),
        (22, "Ben", "sms", "alarm"),
        (27, "Ben", "sms", "alarm"),
        (32, "Chief", "email", "alarm"),
    ]
    with transaction(plant.engine) as conn:
        line = next(line for line in journal(conn) if line.event == "re-alarmed")
        mail = conn.execute(text("SELECT payload->>'text' FROM outbox WHERE channel = 'email' ORDER BY id")).scalars()
        first = mail.first()
    assert line.reason == "acknowledged, but not better in time"
    assert [(t["contact"], t["reason"]) for t in line.detail["told"]] == [
        ("Chief", "acknowledged, but not better in time")
    ]
    assert first is not None
    assert "Chief had it, still not over" in " ".join(first.split())


def test_a_danger_somebody_has_and_that_gets_better_calls_nobody(plant: AlarmPlant) -> None:
    plant.setup = replace(
        plant.setup, definitions=tuple(replace(d, improve_within=15 * MINUTE) for d in plant.setup.definitions)
    )
    now = night(plant, 3, lambda _: 0.1)
    acknowledge(plant.engine, plant.model, "east.high-high", who="Chief", now=now)
    night(plant, 45, lambda minute: min(0.1 + 0.01 * (minute - 2), 0.55), start=3)
    assert calls(plant) == [(1, "Ben", "sms", "alarm"), (2, "Ben", "sms", "acknowledged")]
