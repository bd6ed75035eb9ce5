"""Why was I called, and why not: the chain read back from a night on a real database."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import uuid4

import pytest
from sqlalchemy import Engine

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority
from service.alarms.rules import RuleInput, judge
from service.calls.contact import Contact
from service.domain.blanket.estimate import EstimateReason, Trust
from service.domain.plant.reading import ReadingReason
from service.jobs.alarms.evaluate import evaluate
from service.jobs.alarms.explain import Explanation, explain
from service.jobs.blanket.estimate import Outlook, outlook_all, project_all, standing_at
from service.jobs.calls.deliver import deliver
from service.jobs.forecast.ahead import ahead_of, danger_height
from service.notify.channels.base import Notifier
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.storage.cores.cores import withdraw_core
from service.storage.database.session import transaction
from tests.support.alarm_plant import (
    EAST,
    MINUTE,
    NIGHT,
    NIGHT_OPERATOR,
    TANKS,
    AlarmPlant,
    alarm_setup,
    definitions,
    plant_of,
)
from tests.support.flowing_plant import FLOWING, store_day
from tests.support.flowing_plant import TANKS as FLOWING_TANKS
from tests.support.mail_server import Mailbox, mail_server

DEPUTY = Contact(name="Deputy", email="deputy@example.org", channels=("email",), priorities=(Priority.HIGH,))


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    """Warning at 03:04; the night operator's mailbox was greylisted once. At 03:30 the sensor lost its echo."""
    built = AlarmPlant.build(engine, alarm_setup(contacts=(NIGHT_OPERATOR, DEPUTY)))
    built.core(NIGHT - timedelta(hours=2), 2.0)
    mailbox = Mailbox(rcpt_answers=["450 4.7.1 greylisted"])
    with mail_server(mailbox) as port:
        account = SmtpAccount(host="127.0.0.1", port=port, sender="u@example.org", security="none", timeout=5)
        channels: dict[str, Notifier] = {"email": SmtpNotifier(account)}
        for minute in range(8):
            now = NIGHT + minute * MINUTE
            built.believe(now, 2.0 if minute < 3 else 1.0, rate=0.2)
            evaluate(built.engine, built.model, projected={}, now=now)
            deliver(built.engine, built.setup, channels, clock=lambda now=now: now)  # type: ignore[misc]
    return built


def ask(plant: AlarmPlant, at: datetime, alarm: str | None = "east.high") -> Explanation:
    return explain(plant.engine, plant.model, EAST, at=at, alarm=alarm)


def test_why_was_i_called(plant: AlarmPlant) -> None:
    assert ask(plant, NIGHT + 5 * MINUTE).sentences == (
        "East clarifier, Wed 14 Jan 03:05 EST",
        "Sensor east.blanket: read 10.5 ft above the floor at the wall, 9.8 ft after correction, under 1 min before.",
        "Hand core: 6.6 ft under the weir, 2 h 05 min before.",
        "Belief at 03:05 EST: 3.3 ft under the weir (give or take 0.3 ft), rising 0.7 ft/h; good, from sensor.",
        "Alarm east.high (limit 3.9 ft under the weir): rule says abnormal (beyond limit);"
        " it stood at unacknowledged since Wed 14 Jan 03:04 EST.",
        "  03:00 EST started: first look.",
        "    nobody not told: first look",
        "  03:04 EST occurred: abnormal for the whole on-delay; by 3.3 ft under the weir (beyond limit).",
        "    told Night operator by email, new alarm: handed over;"
        " 03:04 EST retry (refused for now: 450 4.7.1 greylisted); 03:05 EST sent",
        "    Deputy not told: not their tank or priority",
    )


def test_why_was_i_not_called_yet(plant: AlarmPlant) -> None:
    found = ask(plant, NIGHT + 3 * MINUTE).sentences
    assert found[4].startswith(
        "Alarm east.high (limit 3.9 ft under the weir): rule says abnormal (beyond limit); it stood at normal"
    )
    assert not any("told Night operator" in sentence for sentence in found)


def test_every_alarm_of_the_tank_is_answered_for(plant: AlarmPlant) -> None:
    found = ask(plant, NIGHT + 5 * MINUTE, alarm=None)
    assert [answer.key for answer in found.alarms] == ["east.high", "east.high-high", "east.measurement", "east.core"]


def test_before_anything_was_known(plant: AlarmPlant) -> None:
    found = ask(plant, NIGHT - timedelta(days=1)).sentences
    assert found[1:] == (
        "Sensor east.blanket: nothing received up to then.",
        "Hand core: none up to then.",
        "Belief: none yet.",
        "Alarm east.high (limit 3.9 ft under the weir): rule says unknown (no estimate yet); it stood at never looked at.",
        "  Nothing happened to it up to then.",
    )


def test_a_decision_made_late_says_so(plant: AlarmPlant) -> None:
    at = NIGHT + 30 * MINUTE
    for minute in range(4):
        plant.believe(
            at + minute * MINUTE,
            1.0,
            trust=Trust.BLIND,
            reason=EstimateReason.BLIND,
            verdict=ReadingReason.ECHO_LOST,
        )
    evaluate(plant.engine, plant.model, projected={}, now=at + 20 * MINUTE)
    found = ask(plant, at + 5 * MINUTE, alarm="east.measurement").sentences
    assert any("03:32 EST occurred: abnormal for the whole on-delay (decided at 03:50 EST" in line for line in found)
    assert any("echo lost" in line for line in found)


def test_it_judges_by_the_forecast_the_service_went_by(engine: Engine) -> None:
    """At the minute of the decision, and for a minute in the past, the alarm on the forecast is judged as it was decided."""
    soon = AlarmDefinition(
        key="east.soon",
        kind=AlarmKind.TIME_TO_DANGER,
        tank="east",
        limit=6.0,
        priority=Priority.HIGH,
        on_delay=0 * MINUTE,
        off_delay=15 * MINUTE,
        time_to_respond=30 * MINUTE,
    )
    setup = alarm_setup(alarms=(*definitions(), soon))
    plant = AlarmPlant.build(engine, setup, tanks=FLOWING_TANKS)
    store_day(engine, plant.ids)
    danger = danger_height(FLOWING.tank, setup.of_tank("east"))
    for at in (NIGHT, NIGHT - 20 * MINUTE):
        found = explain(engine, plant_of(setup, TANKS, plant.ids), FLOWING, at=at)
        assert any(sentence.startswith("Forecast: danger") for sentence in found.sentences), found.sentences
        told = next(answer for answer in found.alarms if answer.key == "east.soon").verdict
        assert told.reason.value != "no forecast"
    # Now: exactly what the service's look goes by.
    outlook = outlook_all(engine, [FLOWING], plant.ids, NIGHT)["east"]
    now = standing_at_night(engine, plant)
    assert outlook.forecast is not None
    assert now.forecast is not None
    ahead = ahead_of(outlook.forecast, danger, outlook.solids_loading)
    assert ahead_of(now.forecast, danger, now.solids_loading) == ahead
    situation = ahead.seen_in(RuleInput(at=NIGHT, estimate=project_all(engine, [FLOWING], plant.ids, NIGHT)["east"]))
    told = next(
        a for a in explain(engine, plant_of(setup, TANKS, plant.ids), FLOWING, at=NIGHT).alarms if a.key == "east.soon"
    ).verdict
    assert told == judge(soon, situation)


def standing_at_night(engine: Engine, plant: AlarmPlant) -> Outlook:
    with transaction(engine) as conn:
        standing = standing_at(conn, FLOWING, plant.ids, NIGHT)
    assert standing is not None
    return standing[1]


def test_a_past_minute_tells_what_was_decided_then_from_what_is_known_now(engine: Engine) -> None:
    plant = AlarmPlant.build(engine, alarm_setup(alarms=definitions(on_delay=timedelta(0), off_delay=timedelta(0))))
    plant.believe(NIGHT, 3.0)
    core = plant.core(NIGHT, 3.6)
    evaluate(engine, plant.model, projected={}, now=NIGHT)
    with transaction(engine) as conn:
        withdraw_core(conn, core.id, id=uuid4(), at=NIGHT + 30 * MINUTE, reason="wrong tank", by="Kim")
    plant.believe(NIGHT + 31 * MINUTE, 3.0)
    evaluate(engine, plant.model, projected={}, now=NIGHT + 31 * MINUTE)
    plant.core(NIGHT + 5 * MINUTE, 1.0, recorded_at=NIGHT + 40 * MINUTE)

    at, now = NIGHT + 10 * MINUTE, NIGHT + 60 * MINUTE
    found = explain(engine, plant.model, EAST, at=at, now=now, alarm="east.high-high")
    said = found.sentences
    known, decided = said.index("As known now, with whatever came in, was corrected or withdrawn since:"), said.index(
        "As decided then, by the journal:"
    )  # fmt: skip
    assert (
        "The core of 03:00 EST, 11.8 ft of sludge, counted then;"
        " it was withdrawn at Wed 14 Jan 03:30 EST by Kim (wrong tank)." in said[known:decided]
    )
    late = "The core of 03:05 EST was not known then; it was logged at Wed 14 Jan 03:40 EST."
    assert late in said[known:decided]
    assert said[decided + 1] == (
        "Alarm east.high-high (limit 2.0 ft under the weir): it stood at unacknowledged since Wed 14 Jan 03:00 EST;"
        " as known now its rule says normal (within limit)."
    )
    occurred = next(line for line in said if "occurred" in line)
    assert "; by 1.3 ft under the weir (hand core beyond limit)" in occurred
    assert found.alarms[0].decided is not None
    # The present is told in one piece, as it is.
    present = explain(engine, plant.model, EAST, at=now, now=now, alarm="east.high-high").sentences
    assert not any(sentence.startswith("As ") for sentence in present)


def test_what_was_decided_only_later_is_not_how_it_stood_then(plant: AlarmPlant) -> None:
    at = NIGHT + 30 * MINUTE
    for minute in range(4):
        plant.believe(
            at + minute * MINUTE, 1.0, trust=Trust.BLIND, reason=EstimateReason.BLIND, verdict=ReadingReason.ECHO_LOST
        )  # fmt: skip
    evaluate(plant.engine, plant.model, projected={}, now=at + 20 * MINUTE)
    found = explain(plant.engine, plant.model, EAST, at=at + 5 * MINUTE, now=at + 30 * MINUTE, alarm="east.measurement")
    assert found.alarms[0].state == "normal"
    assert any(
        "it stood at normal since" in sentence and "abnormal (echo lost)" in sentence for sentence in found.sentences
    )
