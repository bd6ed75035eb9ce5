"""The way to the person on duty is proven once a shift; the watcher outside hears that the service lives."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, time, timedelta

import pytest
from sqlalchemy import Engine, text

from service.alarms.definition import system_definitions
from service.calls.contact import Contact
from service.calls.duty import Rota, Shift
from service.jobs.alarms.evaluate import evaluate_service
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.channel_tests import send_channel_tests
from service.notify.health_check import send_heartbeat
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, alarm_setup, plant_of
from tests.support.http_gateway import http_gateway

ANNA = Contact(name="Anna", email="anna@example.org", phone="+15550100101", channels=("sms", "email"))
BEN = Contact(name="Ben", email="ben@example.org", channels=("email",))


def setup_with(*weekdays: int) -> AlarmSetup:
    setup = alarm_setup(contacts=(ANNA, BEN), channels=frozenset({"email", "sms"}))
    # NIGHT is 03:00 on Wednesday 14 January in New York.
    shift = Shift(
        name="s",
        people=("Ben", "Anna"),
        first_day=date(2026, 1, 12),
        start=time(3),
        end=time(3),
        turn_days=1,
        weekdays=frozenset(weekdays or range(7)),
    )
    return replace(
        setup,
        definitions=system_definitions([], duty=True),
        rotas=(Rota(key="ops", zone=setup.site.zone, shifts=(shift,)),),
    )


def rows(engine: Engine) -> list[tuple[str, str, str]]:
    with transaction(engine) as conn:
        found = conn.execute(text("SELECT payload->>'contact', channel, payload->>'subject' FROM outbox ORDER BY id"))
        return [(row[0], row[1], row[2]) for row in found]


def test_whoever_begins_a_shift_is_called_once_by_every_way(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, setup_with())
    for minute in (0, 5, 10, 60):
        send_channel_tests(engine, plant.setup, NIGHT + minute * MINUTE)
    words = "TEST Alder Creek: you are on duty until Thu 15 Jan 03:00 EST. Nothing is wrong. Alarms reach you this way."
    assert rows(engine) == [("Ben", "email", words)]
    send_channel_tests(engine, plant.setup, NIGHT + timedelta(days=1))
    assert [(contact, channel) for contact, channel, _ in rows(engine)[1:]] == [("Anna", "sms"), ("Anna", "email")]


def test_a_service_that_was_away_tests_nobody_in_the_middle_of_a_shift(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, setup_with())
    assert send_channel_tests(engine, plant.setup, NIGHT + timedelta(hours=2)) == 0


def test_a_hole_in_the_rota_is_an_alarm_a_day_ahead(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, setup_with(0, 1, 2, 3))
    for hours in (0, 12, 25):
        evaluate_service(
            engine,
            plant_of(plant.setup, (), plant.ids),
            connectors=[],
            started_at=NIGHT,
            now=NIGHT + timedelta(hours=hours),
        )
    (first, *_) = rows(engine)
    assert first[2] == "SERVICE Alder Creek: nobody is on duty in 23 h (rota ops)"
    assert len(rows(engine)) == 2


@pytest.mark.parametrize(("status", "heard"), [(200, None), (503, "the watcher answered 503")])
def test_the_watcher_outside_hears(status: int, heard: str | None) -> None:
    with http_gateway() as gateway:
        gateway.status = status
        assert send_heartbeat(gateway.url + "/live") == heard
        assert [asked.path for asked in gateway.asked] == ["/live"]


def test_a_watcher_that_is_away_stops_nothing_and_its_address_stays_secret() -> None:
    assert send_heartbeat("http://127.0.0.1:1/s3cret") == "ConnectionError"
