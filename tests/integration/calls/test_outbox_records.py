"""What became of messages, beside others that must stay as they are: each condition of a statement has a row that only it leaves out."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Connection, Engine, text

from service.alarms.machine import AlarmState, Event, MachineReason, Transition
from service.calls.retry import Failure
from service.errors import StorageError
from service.storage.alarms.alarms import append_events, lock_alarms
from service.storage.calls import outbox
from service.storage.calls.outbox import OutboxMessage, Recipients
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT, AlarmPlant
from tests.support.outbox import next_due

MINUTE, LEASE = timedelta(minutes=1), timedelta(minutes=3)


@pytest.fixture
def events(engine: Engine) -> dict[str, tuple[int, int]]:
    """key of an alarm → (its row, a line of its journal)."""
    AlarmPlant.build(engine)
    with transaction(engine) as conn:
        found = lock_alarms(conn, ["east.high", "east.high-high"])
        made = {}
        for key, record in found.items():
            line = Transition(
                at=NIGHT, event=Event.OCCURRED, from_state=AlarmState.NORMAL, to_state=AlarmState.UNACKNOWLEDGED,
                reason=MachineReason.ABNORMAL_FOR_ON_DELAY,
            )  # fmt: skip
            [event] = append_events(conn, [(record.id, line, {})], recorded_at=NIGHT)
            made[key] = record.id, event
    return made


def put(conn: Connection, key: str, event: int | None = None, *, at: datetime = NIGHT, **payload: Any) -> None:
    given = {
        "kind": "alarm", "contact": "Sam", "subject": key, "reason": "new", "occurred_at": NIGHT.isoformat(), **payload,
    }  # fmt: skip
    outbox.enqueue(
        conn,
        [
            OutboxMessage(
                key=key,
                alarm_event_id=event,
                channel=given.pop("channel", "sms"),
                recipient=given.pop("recipient", "+15550100"),
                payload=given,
                created_at=at,
            )
        ],
    )


def column(conn: Connection, name: str) -> dict[str, Any]:
    return {row.key: row[1] for row in conn.execute(text(f"SELECT key, {name} FROM outbox"))}


def test_taking_an_alarm_cancels_the_calls_about_it_and_no_others(
    engine: Engine, events: dict[str, tuple[int, int]]
) -> None:
    """Too many cancelled, and another tank's danger calls nobody; too few, and whoever has it is called on."""
    alarm, event = events["east.high"]
    _, other_event = events["east.high-high"]
    with transaction(engine) as conn:
        put(conn, "this")
        put(conn, "waiting", event)
        put(conn, "another alarm", other_event)
        put(conn, "an earlier occurrence", event, occurred_at=(NIGHT - MINUTE).isoformat())
        put(conn, "its end", event, kind="cleared")
        put(conn, "sent", event)
        put(conn, "in hand", event)
        put(conn, "let go of", event)
        conn.execute(text("UPDATE outbox SET status = 'sent' WHERE key = 'sent'"))
        hold = text("UPDATE outbox SET claimed_until = :until WHERE key = :key")
        conn.execute(hold, {"key": "in hand", "until": NIGHT + MINUTE})
        conn.execute(hold, {"key": "let go of", "until": NIGHT})
        assert outbox.cancel_calls(conn, alarm, NIGHT, NIGHT, "Sam has it") == 2
        states = column(conn, "status")
        assert {key for key, state in states.items() if state == "cancelled"} == {"waiting", "let go of"}
        assert states["sent"] == "sent"
        tried = conn.execute(text("SELECT outcome, reason FROM delivery_attempt")).all()
    assert [tuple(one) for one in tried] == [("cancelled", "Sam has it")] * 2


def test_whose_call_was_cancelled_is_not_told_of_the_end(engine: Engine, events: dict[str, tuple[int, int]]) -> None:
    """The mail server was down from before the alarm until after somebody took it: "cleared" would be the first they hear."""
    alarm, event = events["east.high"]
    _, other_event = events["east.high-high"]
    with transaction(engine) as conn:
        put(conn, "Sam, call", event)
        put(conn, "Sam, end", event, kind="cleared")
        put(conn, "Sam, end of another alarm", other_event, kind="cleared")
        put(conn, "Sam, end of an earlier one", event, kind="cleared", occurred_at=(NIGHT - MINUTE).isoformat())
        put(conn, "Ann, call", event, contact="Ann")
        put(conn, "Ann, the same by mail", event, contact="Ann", channel="email")
        put(conn, "Ann, end", event, contact="Ann", kind="cleared")
        put(conn, "Ben, call refused", event, contact="Ben")
        put(conn, "Ben, call by mail", event, contact="Ben", channel="email")
        put(conn, "Ben, end", event, contact="Ben", kind="cleared")
        put(conn, "Eve, call that perhaps came", event, contact="Eve")
        put(conn, "Eve, end", event, contact="Eve", kind="cleared")
        conn.execute(text("UPDATE outbox SET status = 'sent' WHERE key = 'Ann, the same by mail'"))
        conn.execute(text("UPDATE outbox SET status = 'failed' WHERE key = 'Ben, call refused'"))
        number = conn.execute(text("SELECT id FROM outbox WHERE key = 'Eve, call that perhaps came'")).scalar_one()
        outbox.record_retry(
            conn, number, NIGHT, next_attempt_at=NIGHT, reason=Failure.BROKE_OFF.value, answer="connection lost"
        )
        assert outbox.cancel_calls(conn, alarm, NIGHT, NIGHT, "Kim has it") == 6
        states = column(conn, "status")
        assert {key for key, state in states.items() if state == "cancelled"} == {
            "Sam, call", "Sam, end", "Ann, call", "Ben, call by mail", "Ben, end", "Eve, call that perhaps came",
        }  # fmt: skip
        tried = conn.execute(text("SELECT reason FROM delivery_attempt a JOIN outbox o ON o.id = a.outbox_id WHERE key = 'Sam, end'")).scalar_one()  # fmt: skip
        assert tried == "never heard of the alarm"


def test_a_receipt_speaks_of_the_newest_message_of_that_gateway_and_number(engine: Engine) -> None:
    with transaction(engine) as conn:
        for key, channel, number in (("a", "sms", "1"), ("b", "sms", "1"), ("c", "sms", "2"), ("d", "hook", "1")):
            put(conn, key, channel=channel)
            conn.execute(text("UPDATE outbox SET gateway_id = :n WHERE key = :key"), {"n": number, "key": key})
        found = outbox.find_by_gateway_id(conn, "sms", "1")
        assert found is not None
        assert (found.key, found.channel, found.recipient, found.attempts) == ("b", "sms", "+15550100", 0)
        assert outbox.find_by_gateway_id(conn, "sms", "3") is None


def test_two_receipts_of_one_message_at_once_are_dealt_with_one_after_the_other(engine: Engine) -> None:
    with transaction(engine) as conn:
        put(conn, "a")
        conn.execute(text("UPDATE outbox SET gateway_id = '1'"))

    def second() -> None:
        with transaction(engine) as late:
            late.execute(text("SET LOCAL lock_timeout = '200ms'"))
            assert outbox.find_by_gateway_id(late, "sms", "1") is not None

    with transaction(engine) as conn:
        assert outbox.find_by_gateway_id(conn, "sms", "1") is not None
        with pytest.raises(StorageError):
            second()
    second()


def test_delivered_and_undelivered_count_once_and_for_the_one_message(engine: Engine) -> None:
    with transaction(engine) as conn:
        put(conn, "a")
        put(conn, "b")
        ids = column(conn, "id")
        assert not outbox.record_undelivered(conn, ids["a"], NIGHT, "expired")  # not handed over yet
        for key in "ab":
            outbox.record_sent(conn, ids[key], NIGHT, "taken", gateway_id=key)
        assert outbox.record_delivered(conn, ids["a"], NIGHT + MINUTE, "delivered")
        assert not outbox.record_delivered(conn, ids["a"], NIGHT + 2 * MINUTE, "delivered")
        assert not outbox.record_undelivered(
            conn, ids["a"], NIGHT + 3 * MINUTE, "expired"
        )  # the phone has it after all
        assert outbox.record_undelivered(conn, ids["b"], NIGHT + 3 * MINUTE, "expired")
        assert not outbox.record_undelivered(conn, ids["b"], NIGHT + 4 * MINUTE, "expired")
        assert column(conn, "status") == {"a": "sent", "b": "failed"}
        assert column(conn, "delivered_at") == {"a": NIGHT + MINUTE, "b": None}
        assert outbox.record_delivered(conn, ids["b"], NIGHT + 5 * MINUTE, "late, but there")
        assert column(conn, "status") == {"a": "sent", "b": "sent"}


def test_what_became_of_messages_is_told_in_order_with_every_try(
    engine: Engine, events: dict[str, tuple[int, int]]
) -> None:
    _, event = events["east.high"]
    _, other = events["east.high-high"]
    with transaction(engine) as conn:
        put(conn, "first", event)
        put(conn, "second", event, at=NIGHT + MINUTE)
        put(conn, "of another", other, at=NIGHT + 2 * MINUTE)
        ids = column(conn, "id")
        outbox.record_retry(conn, ids["second"], NIGHT, next_attempt_at=NIGHT, reason="busy", answer="450")
        outbox.record_sent(conn, ids["second"], NIGHT + MINUTE, "250")
        outbox.record_sent(conn, ids["of another"], NIGHT, "250", gateway_id="g")
        outbox.record_delivered(conn, ids["of another"], NIGHT, "there")
        # A row that was touched last lies last on the disk.
        conn.execute(text("UPDATE outbox SET claimed_until = NULL WHERE key = 'first'"))
        found = outbox.traces(conn, [event])
        assert [(one.subject, one.fate) for one in found] == [("first", "waiting"), ("second", "handed over")]
        assert [(t.outcome, t.reason, t.answer) for t in found[1].attempts] == [
            ("retry", "busy", "450"),
            ("sent", "", "250"),
        ]
        assert found[0].attempts == ()
        between = outbox.traces_between(conn, NIGHT + MINUTE, NIGHT + 2 * MINUTE)
        assert [one.subject for one in between] == ["second"]
        whole = outbox.traces_between(conn, NIGHT, NIGHT + 3 * MINUTE)
        assert [(one.subject, one.fate) for one in whole] == [
            ("first", "waiting"), ("second", "handed over"), ("of another", "delivered"),
        ]  # fmt: skip


def test_a_reply_without_a_code_speaks_of_what_its_sender_was_told_last(
    engine: Engine, events: dict[str, tuple[int, int]]
) -> None:
    _, high = events["east.high"]
    _, danger = events["east.high-high"]
    with transaction(engine) as conn:
        put(conn, "old", danger, at=NIGHT - MINUTE)
        put(conn, "1", danger)
        put(conn, "2", danger)
        put(conn, "3", high)
        put(conn, "end", danger, kind="cleared")
        put(conn, "to Kim", danger, contact="Kim")
        assert outbox.last_notified(conn, "Sam", NIGHT) == ["east.high", "east.high-high"]
        assert outbox.last_notified(conn, "Kim", NIGHT) == ["east.high-high"]
        assert outbox.last_notified(conn, "Sam", NIGHT + MINUTE) == []


def test_a_reply_counts_as_answered_by_the_answer_to_it_alone(engine: Engine) -> None:
    with transaction(engine) as conn:
        put(conn, "a", kind="reply", answers="m1")
        put(conn, "b", kind="reply", answers="m2")
        put(conn, "c", kind="alarm", answers="m3")
        assert [outbox.was_answered(conn, one) for one in ("m1", "m2", "m3", "m4")] == [True, True, False, False]


def test_the_next_try_is_that_of_the_message_due_first_and_letting_go_touches_no_sent_one(engine: Engine) -> None:
    with transaction(engine) as conn:
        assert next_due(conn) is None
        put(conn, "later", at=NIGHT + MINUTE)
        put(conn, "sooner", recipient="+15550199")
        put(conn, "sent")
        conn.execute(text("UPDATE outbox SET status = 'sent', claimed_until = :at WHERE key = 'sent'"), {"at": NIGHT})
        assert next_due(conn) == NIGHT
        assert len(outbox.claim(conn, NIGHT, channels=["sms"], lease=LEASE, limit=9)) == 2
        assert next_due(conn) == NIGHT + LEASE
        assert outbox.void_claims(conn, "sms", Recipients(besides=("+15550199",))) == 1
        assert column(conn, "claimed_until") == {"later": None, "sooner": NIGHT + LEASE, "sent": NIGHT}
        assert (
            outbox.claim(conn, NIGHT, channels=["sms"], lease=LEASE, recipients=Recipients(besides=("+15550100",)))
            == []
        )
        assert outbox.enqueue(conn, []) == 0
