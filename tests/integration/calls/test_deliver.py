"""From belief to mailbox: evaluate, outbox, delivery and acknowledge on a real database and a real mail server."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from datetime import datetime, timedelta

import pytest
from sqlalchemy import Engine, text

from service.calls.contact import Contact
from service.calls.retry import Failure
from service.jobs.alarms.evaluate import evaluate, evaluate_service
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.deliver import Delivered, deliver
from service.notify.channels.base import Message, Notifier, Receipt
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.storage.alarms.alarms import JournalLine, alarms, journal
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT, AlarmPlant, acknowledge, alarm_setup, plant_of
from tests.support.mail_server import Mailbox, mail_server
from tests.support.outbox import next_due


def look(plant: AlarmPlant, now: datetime) -> int:
    done = evaluate(plant.engine, plant.model, projected={}, now=now)
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
        done = acknowledge(engine, plant.model, danger.detail["code"].lower(), who="Night operator", now=now + MINUTE)
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


class TestFailing:
    """What cannot be handed over is tried again, told otherwise, and is an alarm of its own."""

    @pytest.fixture
    def plant(self, engine: Engine) -> AlarmPlant:
        """A plant with a warning just raised; the supervisor is not asked for warnings."""
        return warned(engine, alarm_setup())

    def test_greylisting_delays_and_loses_nothing(self, plant: AlarmPlant) -> None:
        mailbox = Mailbox(rcpt_answers=["450 4.7.1 greylisted"] * 2)
        clock = Clock(NIGHT + MINUTE)
        with mail_server(mailbox) as port:
            totals = run(plant, {"email": notifier(port)}, clock, timedelta(minutes=5))
        assert (totals.sent, totals.retried, totals.failed) == (1, 2, 0)
        assert len(mailbox.raw) == 1
        assert attempts(plant) == ["retry", "retry", "sent"]

    def test_an_address_refused_for_good_sends_the_message_to_the_next_person_at_once(self, plant: AlarmPlant) -> None:
        mailbox = Mailbox(unknown={"night@example.org"})
        with mail_server(mailbox) as port:
            done = hand_over(plant, {"email": notifier(port)}, NIGHT + MINUTE)
        assert (done.sent, done.failed) == (1, 1)
        assert mailbox.recipients == ["supervisor@example.org"]
        body = mailbox.mails[0].get_body(("plain",))
        assert body is not None
        assert "You get this because Night operator could not be reached." in body.get_content()

    def test_and_is_an_alarm_of_its_own(self, plant: AlarmPlant) -> None:
        mailbox = Mailbox(unknown={"night@example.org"})
        with mail_server(mailbox) as port:
            channels: dict[str, Notifier] = {"email": notifier(port)}
            hand_over(plant, channels, NIGHT + MINUTE)
            evaluate_service(
                plant.engine,
                plant_of(plant.setup, (), plant.ids),
                connectors=[],
                started_at=NIGHT,
                now=NIGHT + 2 * MINUTE,
            )
            hand_over(plant, channels, NIGHT + 2 * MINUTE)
        assert mailbox.subjects[1] == "SERVICE Alder Creek: alarm messages are not getting through"

    def test_a_server_away_for_hours_loses_nothing_and_is_told_elsewhere_meanwhile(self, plant: AlarmPlant) -> None:
        class Away:
            channel = "email"

            def send(self, message: Message, now: datetime) -> Receipt:
                return Receipt(failure=Failure.UNREACHABLE, answer="connection refused")

            def close(self) -> None:
                pass

        clock = Clock(NIGHT + MINUTE)
        away = run(plant, {"email": Away()}, clock, timedelta(hours=6))
        assert away.sent == away.failed == 0
        with transaction(plant.engine) as conn:
            waiting = conn.execute(text("SELECT recipient FROM outbox WHERE status = 'waiting' ORDER BY id")).scalars()
            assert list(waiting) == ["night@example.org", "supervisor@example.org"]
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            back = run(plant, {"email": notifier(port)}, clock, timedelta(minutes=20))
        assert back.sent == 2
        assert sorted(mailbox.recipients) == ["night@example.org", "supervisor@example.org"]

    def test_a_server_that_hangs_delays_no_call_another_way(self, engine: Engine) -> None:
        crew = tuple(
            Contact(
                name=f"Operator {n}", email=f"{n}@example.org", phone=f"+155501001{n:02}", channels=("email", "sms")
            )
            for n in range(12)
        )
        plant = warned(engine, alarm_setup(contacts=crew, channels=frozenset({"email", "sms"})))
        clock, phones = Clock(NIGHT + MINUTE), Phones()
        while clock.now < NIGHT + 10 * MINUTE:
            deliver(plant.engine, plant.setup, {"email": Hanging(clock)}, clock=clock)
            deliver(plant.engine, plant.setup, {"sms": phones}, clock=clock)
            clock.now += timedelta(seconds=5)
        assert sorted(phones.reached) == sorted(str(contact.phone) for contact in crew)  # each once
        assert max(phones.reached.values()) < NIGHT + 6 * MINUTE  # one by one it would have been an hour and a half

    def test_a_message_the_server_chokes_on_holds_up_no_other(self, engine: Engine) -> None:
        crew = tuple(Contact(name=f"Operator {n}", email=f"{n}@example.org", channels=("email",)) for n in range(5))
        plant = warned(engine, alarm_setup(contacts=crew))
        clock = Clock(NIGHT + MINUTE)
        choking = Hanging(clock, only="0@example.org")
        while clock.now < NIGHT + 2 * MINUTE:
            deliver(plant.engine, plant.setup, {"email": choking}, clock=clock)
            clock.now += timedelta(seconds=5)
        assert choking.taken == [f"{n}@example.org" for n in range(1, 5)]

    def test_one_webhook_that_is_away_says_nothing_of_the_others(self, engine: Engine) -> None:
        crew = tuple(Contact(name=name, webhook=name, channels=("webhook",)) for name in ("away", "pager"))
        plant = warned(engine, alarm_setup(contacts=crew, channels=frozenset({"webhook"})))
        hooks = Hanging(Clock(NIGHT), only="away")
        done = deliver(plant.engine, plant.setup, {"webhook": hooks}, clock=lambda: NIGHT + MINUTE)
        assert (hooks.taken, done.sent, done.retried) == (["pager"], 1, 1)

    def test_who_is_asked_to_be_patient_for_long_is_not_waited_for(self, engine: Engine) -> None:
        crew = (Contact(name="Sam", email="sam@example.org", phone="+15550100101", channels=("email", "sms")),)
        plant = warned(engine, alarm_setup(contacts=crew, channels=frozenset({"email", "sms"})))

        class Busy:
            channel = "email"

            def send(self, message: Message, now: datetime) -> Receipt:
                return Receipt(failure=Failure.RATE_LIMITED, answer="later", retry_after=timedelta(minutes=20))

            def close(self) -> None:
                pass

        phones, clock = Phones(), Clock(NIGHT + MINUTE)
        channels: dict[str, Notifier] = {"email": Busy(), "sms": phones}
        run(plant, channels, clock, timedelta(hours=2))
        assert phones.reached == {"+15550100101": NIGHT + MINUTE + timedelta(seconds=10)}

    def test_a_call_that_has_not_left_is_stopped_when_somebody_has_the_alarm(self, plant: AlarmPlant) -> None:
        mailbox = Mailbox(rcpt_answers=["450 4.7.1 greylisted"])
        with mail_server(mailbox) as port:
            channels: dict[str, Notifier] = {"email": notifier(port)}
            hand_over(plant, channels, NIGHT + MINUTE)
            acknowledge(plant.engine, plant.model, "east.high", who="Day shift", now=NIGHT + MINUTE)
            run(plant, channels, Clock(NIGHT + MINUTE), timedelta(minutes=10))
        assert mailbox.raw == []
        assert attempts(plant) == ["retry", "cancelled"]

    def test_a_channel_with_a_defect_neither_loses_nor_stops(self, plant: AlarmPlant) -> None:
        class Broken:
            channel = "email"

            def send(self, message: Message, now: datetime) -> Receipt:
                raise RuntimeError("oops")

            def close(self) -> None:
                pass

        assert hand_over(plant, {"email": Broken()}, NIGHT + MINUTE).retried == 1
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            assert hand_over(plant, {"email": notifier(port)}, NIGHT + 2 * MINUTE).sent == 1

    def test_an_answer_lost_after_the_message_was_taken_costs_one_duplicate_with_the_same_id(
        self, plant: AlarmPlant
    ) -> None:
        mailbox = Mailbox(vanish=True)
        clock = Clock(NIGHT + MINUTE)
        with mail_server(mailbox) as port:
            hand_over(plant, {"email": notifier(port)}, clock())
            mailbox.vanish = False
            run(plant, {"email": notifier(port)}, clock, timedelta(minutes=5))
        assert len(mailbox.raw) == 2
        assert len({str(mail["Message-ID"]) for mail in mailbox.mails}) == 1

    @pytest.mark.parametrize("moment", ["before", "after"])
    def test_a_killed_worker_loses_nothing_and_costs_at_most_one_duplicate(
        self, plant: AlarmPlant, database_url: str, moment: str
    ) -> None:
        """kill -9 with the message in hand: before, or after the server took it, but never recorded."""
        mailbox = Mailbox()
        with mail_server(mailbox) as port:
            worker = subprocess.run(
                [sys.executable, "-c", KILLED, database_url, str(port), moment],
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
                capture_output=True,
                timeout=60,
                check=False,
            )
            assert worker.returncode == -signal.SIGKILL, worker.stderr.decode()
            assert len(mailbox.raw) == (1 if moment == "after" else 0)
            clock = Clock(NIGHT + MINUTE)
            run(plant, {"email": notifier(port)}, clock, timedelta(minutes=10))
            assert len(mailbox.raw) == (2 if moment == "after" else 1)
            assert len({str(mail["Message-ID"]) for mail in mailbox.mails}) == 1
            run(plant, {"email": notifier(port)}, clock, timedelta(hours=1))
            assert len(mailbox.raw) == (2 if moment == "after" else 1)


#: A worker that kills itself around the hand-over; the database is left to find out.
KILLED = """
import os, signal, sys
from service.jobs.calls.deliver import deliver
from service.notify.channels.smtp import SmtpAccount, SmtpNotifier
from service.storage.database.session import make_engine
from tests.support.alarm_plant import MINUTE, NIGHT, alarm_setup

url, port, moment = sys.argv[1:]


class Doomed(SmtpNotifier):
    def send(self, message, now):
        if moment == "after":
            assert super().send(message, now).sent
        os.kill(os.getpid(), signal.SIGKILL)


account = SmtpAccount(host="127.0.0.1", port=int(port), security="none", sender="underweir@example.org")
deliver(make_engine(url), alarm_setup(), {"email": Doomed(account)}, clock=lambda: NIGHT + MINUTE)
"""


def warned(engine: Engine, setup: AlarmSetup) -> AlarmPlant:
    """A plant with a warning just raised."""
    plant = AlarmPlant.build(engine, setup)
    plant.core(NIGHT - timedelta(hours=2), 2.0)
    for minute in range(2):
        plant.believe(NIGHT + minute * MINUTE, 1.0)
        look(plant, NIGHT + minute * MINUTE)
    return plant


class Phones:
    """A gateway that takes every message at once."""

    channel = "sms"

    def __init__(self) -> None:
        self.reached: dict[str, datetime] = {}

    def send(self, message: Message, now: datetime) -> Receipt:
        assert message.recipient not in self.reached
        self.reached[message.recipient] = now
        return Receipt(answer="taken")

    def close(self) -> None:
        pass


class Hanging:
    """A mail server that lets everybody, or one recipient, wait half a minute for nothing."""

    channel = "email"

    def __init__(self, clock: Clock, only: str = "") -> None:
        self._clock = clock
        self._only = only
        self.taken: list[str] = []

    def send(self, message: Message, now: datetime) -> Receipt:
        if self._only in ("", message.recipient):
            self._clock.now += timedelta(seconds=30)
            return Receipt(failure=Failure.TIMED_OUT, answer="timed out")
        self.taken.append(message.recipient)
        return Receipt(answer="taken")

    def close(self) -> None:
        pass


class Clock:
    """A clock the test moves."""

    def __init__(self, now: datetime) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now


def run(plant: AlarmPlant, channels: Mapping[str, Notifier], clock: Clock, span: timedelta) -> Delivered:
    """Deliver every ten seconds for a while, and sum up."""
    sent = retried = failed = 0
    end = clock.now + span
    while clock.now < end:
        with transaction(plant.engine) as conn:
            due = next_due(conn)
        if due is None:
            break
        clock.now = max(clock.now + timedelta(seconds=10), due)
        done = deliver(plant.engine, plant.setup, channels, clock=clock)
        sent, retried, failed = sent + done.sent, retried + done.retried, failed + done.failed
    clock.now = max(clock.now, end)
    return Delivered(sent=sent, retried=retried, failed=failed)


def attempts(plant: AlarmPlant) -> list[str]:
    with transaction(plant.engine) as conn:
        return list(conn.execute(text("SELECT outcome FROM delivery_attempt ORDER BY id")).scalars())
