"""From belief to mailbox: evaluate, outbox, delivery and acknowledge on a real database and a real mail server."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine

from service.jobs.acknowledge import acknowledge
from service.jobs.deliver import Delivered, deliver
from service.jobs.evaluate import evaluate
from service.notify.base import Notifier
from service.notify.smtp import SmtpAccount, SmtpNotifier
from service.storage.alarms import JournalLine, alarms, journal
from service.storage.session import transaction
from tests.alarm_plant import MINUTE, NIGHT, TANKS, AlarmPlant
from tests.mail_server import Mailbox, mail_server


def look(plant: AlarmPlant, now: datetime) -> int:
    done = evaluate(plant.engine, plant.setup, TANKS, plant.ids, projected={}, now=now)
    assert done.failed == {}
    return done.messages


def hand_over(plant: AlarmPlant, channels: Mapping[str, Notifier], now: datetime) -> Delivered:
    return deliver(plant.engine, plant.setup, channels, clock=lambda: now)


def notifier(port: int) -> SmtpNotifier:
    return SmtpNotifier(
        SmtpAccount(host="127.0.0.1", port=port, security="none", sender="underweir@example.org", timeout=5.0)
    )


def test_rising_blanket_is_mailed_taken_and_cleared(engine: Engine) -> None:
    plant = AlarmPlant.build(engine)
    plant.core(NIGHT - timedelta(hours=2), 2.0)
    mailbox = Mailbox()
    with mail_server(mailbox) as port:
        channels: dict[str, Notifier] = {"email": notifier(port)}
        for minute, clearance in enumerate([1.6, 1.5, 1.1, 1.0, 0.9]):
            now = NIGHT + minute * MINUTE
            plant.believe(now, clearance, rate=0.3)
            look(plant, now)
            hand_over(plant, channels, now)
        assert len(mailbox.subjects) == 1, mailbox.subjects
        assert mailbox.subjects[0].startswith("WARNING East clarifier: sludge 3.3 ft under the weir, rising 1.0 ft/h")
        assert mailbox.recipients == ["night@example.org"]

        for minute, clearance in enumerate([0.5, 0.4], start=5):
            now = NIGHT + minute * MINUTE
            plant.believe(now, clearance, rate=0.3)
            look(plant, now)
            hand_over(plant, channels, now)
        assert mailbox.recipients[1:] == ["night@example.org", "supervisor@example.org"]
        assert mailbox.subjects[1].startswith("DANGER East clarifier: sludge 1.3 ft under the weir")
        assert mailbox.subjects[2].startswith("DANGER East clarifier: sludge 0.40 m under the weir")

        danger = next(line for line in journal_of(engine) if line.key == "east.high-high" and line.event == "occurred")
        done = acknowledge(
            engine, plant.setup, TANKS, danger.detail["code"].lower(), who="Night operator", now=now + MINUTE
        )
        assert done.changed
        hand_over(plant, channels, now + MINUTE)
        assert mailbox.recipients[3:] == ["supervisor@example.org"]
        assert mailbox.subjects[3].startswith("TAKEN East clarifier: Night operator has it (danger")

        for minute in range(8, 12):
            now = NIGHT + minute * MINUTE
            plant.believe(now, 2.0, rate=-0.3)
            look(plant, now)
        hand_over(plant, channels, now)
    cleared = sorted(zip(mailbox.recipients[4:], mailbox.subjects[4:], strict=True))
    assert [recipient for recipient, _ in cleared] == [
        "night@example.org",
        "night@example.org",
        "supervisor@example.org",
    ]
    assert all(subject.startswith("CLEARED East clarifier: ") for _, subject in cleared)
    # The second message about the same occurrence is threaded under the first.
    assert mailbox.mails[3]["In-Reply-To"] == mailbox.mails[2]["Message-ID"]


def journal_of(engine: Engine) -> list[JournalLine]:
    with transaction(engine) as conn:
        return journal(conn)


@pytest.mark.parametrize("stored", [True, False])
def test_nothing_to_tell_sends_nothing(engine: Engine, stored: bool) -> None:
    plant = AlarmPlant.build(engine)
    plant.core(NIGHT - timedelta(hours=2), 2.0)
    if stored:
        plant.believe(NIGHT, 2.0)
        assert look(plant, NIGHT) == 0
    with transaction(engine) as conn:
        assert {record.machine.state.value for record in alarms(conn)} == {"normal"}
