"""A tank that gets worse: one conversation in the mailbox, one answer for what stands, and a new call when it is worse."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import Engine, text

from service.alarms.machine import Acknowledge, AlarmState, Decline
from service.jobs.alarms.command import Done, submit_command
from service.jobs.alarms.evaluate import evaluate
from service.notify.channels.base import Message
from service.notify.channels.smtp import compose, message_id
from service.storage.alarms.alarms import AlarmRecord, alarms, journal
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, by, hand_over_all


@pytest.fixture
def plant(engine: Engine) -> AlarmPlant:
    built = AlarmPlant.build(engine)
    built.core(NIGHT - 120 * MINUTE, 1.0)
    return built


def at_clearance(plant: AlarmPlant, minutes: int, clearance: float) -> None:
    """Two looks, so that the on-delay or off-delay is over."""
    for minute in (minutes, minutes + 1):
        plant.believe(NIGHT + minute * MINUTE, clearance)
        evaluate(plant.engine, plant.model, projected={}, now=NIGHT + minute * MINUTE)


def mails(plant: AlarmPlant, to: str = "night@example.org") -> list[dict[str, Any]]:
    query = text("SELECT key, payload FROM outbox WHERE recipient = :to ORDER BY id")
    with transaction(plant.engine) as conn:
        return [{"key": row.key, **row.payload} for row in conn.execute(query, {"to": to})]


def stand(plant: AlarmPlant, key: str) -> AlarmRecord:
    with transaction(plant.engine) as conn:
        return next(record for record in alarms(conn) if record.key == key)


def say(plant: AlarmPlant, key: str, command: Acknowledge | Decline, minutes: int, who: str = "Night operator") -> Done:
    with transaction(plant.engine) as conn:
        return submit_command(conn, plant.model, key, command, by(who), now=NIGHT + minutes * MINUTE)


def state(plant: AlarmPlant, key: str) -> AlarmState:
    return stand(plant, key).machine.state


def test_warning_and_danger_are_one_thread_and_one_answer(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 1.0)
    at_clearance(plant, 5, 0.4)
    warning, danger = mails(plant)
    assert [mail["subject"].split()[0] for mail in (warning, danger)] == ["WARNING", "DANGER"]
    assert warning["reply_to"] is None
    assert danger["reply_to"] == warning["key"]
    message = Message(
        key=danger["key"],
        recipient="night@example.org",
        subject="s",
        text="t",
        created_at=NIGHT,
        reply_to_key=danger["reply_to"],
    )
    mail = compose(message, sender="underweir@example.org", now=NIGHT)
    assert mail["References"] == mail["In-Reply-To"] == message_id(warning["key"], "example.org")

    hand_over_all(plant, NIGHT + 6 * MINUTE)
    say(plant, "east.high-high", Acknowledge(), 7)
    assert state(plant, "east.high-high") is state(plant, "east.high") is AlarmState.ACKNOWLEDGED
    with transaction(plant.engine) as conn:
        [line] = [line for line in journal(conn, key="east.high") if line.event == "acknowledged"]
    assert (line.actor, line.detail["note"]) == ("Night operator", "with east.high-high")
    # Whoever was told of the danger learns once who has it.
    taken = [mail["subject"] for mail in mails(plant, "supervisor@example.org") if mail["subject"].startswith("TAKEN")]
    assert len(taken) == 1


def test_an_answered_warning_does_not_silence_the_danger(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 1.0)
    say(plant, "east.high", Acknowledge(), 3)
    at_clearance(plant, 5, 0.4)
    assert state(plant, "east.high-high") is AlarmState.UNACKNOWLEDGED
    assert mails(plant)[-1]["subject"].startswith("DANGER")
    # Nor does an answer to the warning that comes late.
    assert not say(plant, "east.high", Acknowledge(), 8, who="Supervisor").changed
    assert state(plant, "east.high-high") is AlarmState.UNACKNOWLEDGED


def test_an_answer_to_the_lesser_alarm_leaves_the_graver_one_calling(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 1.0)
    at_clearance(plant, 5, 0.4)
    say(plant, "east.high", Acknowledge(), 7)
    assert state(plant, "east.high-high") is AlarmState.UNACKNOWLEDGED


def test_danger_after_danger_calls_again_though_the_warning_is_answered(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 0.4)
    say(plant, "east.high-high", Acknowledge(), 3)
    at_clearance(plant, 5, 0.9)
    assert (state(plant, "east.high-high"), state(plant, "east.high")) == (AlarmState.NORMAL, AlarmState.ACKNOWLEDGED)
    before = len(mails(plant))
    at_clearance(plant, 10, 0.4)
    assert state(plant, "east.high-high") is AlarmState.UNACKNOWLEDGED
    assert mails(plant)[before:][-1]["subject"].startswith("DANGER")


def test_what_was_answered_together_is_given_back_together(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 1.0)
    at_clearance(plant, 5, 0.4)
    say(plant, "east.high-high", Acknowledge(), 7)
    say(plant, "east.high-high", Decline(who="Night operator", with_code=True), 8)
    assert state(plant, "east.high-high") is state(plant, "east.high") is AlarmState.UNACKNOWLEDGED


def test_a_new_incident_is_a_new_conversation(plant: AlarmPlant) -> None:
    at_clearance(plant, 0, 1.0)
    say(plant, "east.high", Acknowledge(), 3)
    at_clearance(plant, 5, 2.5)
    at_clearance(plant, 10, 1.0)
    again = [mail for mail in mails(plant) if mail["subject"].startswith("WARNING")]
    assert [mail["reply_to"] for mail in again] == [None, None]
