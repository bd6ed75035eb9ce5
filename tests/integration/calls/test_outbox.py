"""The outbox: one message for one decision, one worker for one message, and nothing lost."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import Engine, text

from service.calls.retry import GiveUp
from service.errors import StorageError
from service.storage.calls.outbox import (
    Claimed,
    OutboxMessage,
    Recipients,
    answers_since,
    claim,
    enqueue,
    existing_keys,
    health,
    last_message,
    lock_reply,
    record_failed,
    record_retry,
    record_sent,
    record_undelivered,
    void_claims,
)
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT
from tests.support.outbox import next_due

SECOND, LEASE = timedelta(seconds=1), timedelta(minutes=3)


def message(key: str, *, kind: str = "alarm", recipient: str = "night@example.org", **more: Any) -> OutboxMessage:
    given: dict[str, Any] = {
        "key": key,
        "alarm_event_id": None,
        "channel": "email",
        "recipient": recipient,
        "payload": {"kind": kind, "contact": recipient, "subject": key, "text": key},
        "created_at": NIGHT,
    }
    return OutboxMessage(**given | more)


def put_all(engine: Engine, *messages: OutboxMessage) -> int:
    with transaction(engine) as conn:
        return enqueue(conn, messages)


def take(
    engine: Engine, now: datetime = NIGHT, limit: int = 1, channels: tuple[str, ...] = ("email",)
) -> list[Claimed]:
    with transaction(engine) as conn:
        return claim(conn, now, channels=channels, lease=LEASE, limit=limit)


def test_a_message_handed_over_but_not_delivered_is_one_that_failed_or_its_silence_would_pass_for_a_call(
    engine: Engine,
) -> None:
    put_all(engine, message("a"))
    [taken] = take(engine)
    with transaction(engine) as conn:
        record_sent(conn, taken.id, NIGHT, "202 accepted", gateway_id="1")
        assert record_undelivered(conn, taken.id, NIGHT + SECOND, "expired")
        assert health(conn).failed_at == NIGHT + SECOND
        assert not record_undelivered(conn, taken.id, NIGHT + 2 * SECOND, "expired"), "once is enough"
        assert health(conn).failed_at == NIGHT + SECOND


def test_a_question_after_keys_is_answered_for_those_alone_or_every_report_would_read_years_of_messages(
    engine: Engine,
) -> None:
    put_all(engine, message("a"), message("b"), message("c"))
    with transaction(engine) as conn:
        assert existing_keys(conn, ["b", "never written"]) == {"b"}


def test_the_same_key_is_written_once(engine: Engine) -> None:
    assert put_all(engine, message("a"), message("b")) == 2
    assert put_all(engine, message("a"), message("c")) == 1
    assert [m.key for m in take(engine, limit=9)] == ["a", "b", "c"]


def test_a_message_in_hand_is_nobody_elses_until_the_lease_ends(engine: Engine) -> None:
    put_all(engine, message("a"))
    assert take(engine)[0].attempts == 1
    assert take(engine, NIGHT + LEASE - SECOND) == []
    assert next_due_of(engine) == NIGHT + LEASE
    assert take(engine, NIGHT + LEASE)[0].attempts == 2


def next_due_of(engine: Engine) -> datetime | None:
    with transaction(engine) as conn:
        return next_due(conn)


def test_only_channels_asked_for(engine: Engine) -> None:
    put_all(engine, message("a", channel="sms"))
    assert take(engine) == []
    assert len(take(engine, channels=("sms",))) == 1


def test_a_rolled_back_claim_leaves_the_message(engine: Engine) -> None:
    put_all(engine, message("a"))

    def claim_and_die() -> None:
        with transaction(engine) as conn:
            assert claim(conn, NIGHT, channels=["email"], lease=LEASE)
            raise RuntimeError

    with pytest.raises(RuntimeError):
        claim_and_die()
    assert len(take(engine)) == 1


def test_retry_waits_and_success_ends_it(engine: Engine) -> None:
    put_all(engine, message("a"))
    taken = take(engine)[0]
    with transaction(engine) as conn:
        record_retry(conn, taken.id, NIGHT, next_attempt_at=NIGHT + 15 * SECOND, reason="refused for now", answer="450")
        assert health(conn).waiting_since == NIGHT
    assert take(engine, NIGHT + 14 * SECOND) == []
    again = take(engine, NIGHT + 15 * SECOND)[0]
    with transaction(engine) as conn:
        record_sent(conn, again.id, NIGHT + 16 * SECOND, "250 OK")
        assert health(conn).waiting == 0
        assert health(conn).waiting_since is None, "nothing waits: the way works again"
        assert health(conn).failed_at is None, "a retry is no message given up"
        rows = conn.execute(text("SELECT outcome, reason, answer FROM delivery_attempt ORDER BY id")).all()
    assert [tuple(row) for row in rows] == [("retry", "refused for now", "450"), ("sent", "", "250 OK")]
    assert take(engine, NIGHT + timedelta(days=1)) == []
    assert next_due_of(engine) is None


def test_a_slow_worker_cannot_undo_what_another_sent(engine: Engine) -> None:
    put_all(engine, message("a"))
    slow = take(engine)[0]
    fast = take(engine, NIGHT + LEASE)[0]
    with transaction(engine) as conn:
        record_sent(conn, fast.id, NIGHT + LEASE, "250 OK")
    with transaction(engine) as conn:
        record_retry(conn, slow.id, NIGHT + LEASE, next_attempt_at=NIGHT, reason="x", answer="")
        record_failed(conn, slow.id, NIGHT + LEASE, give_up=GiveUp.PERMANENT, reason="x", answer="")
        assert conn.execute(text("SELECT status FROM outbox")).scalar_one() == "sent"


def test_given_up_is_remembered(engine: Engine) -> None:
    put_all(engine, message("a"))
    taken = take(engine)[0]
    with transaction(engine) as conn:
        record_failed(conn, taken.id, NIGHT, give_up=GiveUp.PERMANENT, reason="recipient refused", answer="550")
        assert health(conn).failed_at == NIGHT
    assert take(engine, NIGHT + timedelta(days=1)) == []


class TestOrder:
    """The end never overtakes the beginning, and an alarm waits for nothing."""

    def test_cleared_waits_for_its_alarm(self, engine: Engine) -> None:
        put_all(engine, message("alarm"), message("cleared", kind="cleared"))
        first = take(engine, limit=9)
        assert [m.key for m in first] == ["alarm"]
        with transaction(engine) as conn:
            record_retry(conn, first[0].id, NIGHT, next_attempt_at=NIGHT + SECOND, reason="", answer="")
        assert [m.key for m in take(engine, NIGHT + SECOND, limit=9)] == ["alarm"]
        with transaction(engine) as conn:
            record_sent(conn, first[0].id, NIGHT, "250")
        assert [m.key for m in take(engine, limit=9)] == ["cleared"]

    def test_somebody_elses_trouble_holds_nobody_up(self, engine: Engine) -> None:
        put_all(engine, message("alarm"), message("cleared", kind="cleared", recipient="b@example.org"))
        assert len(take(engine, limit=9)) == 2

    def test_another_channels_trouble_holds_nothing_up(self, engine: Engine) -> None:
        put_all(engine, message("alarm", channel="sms"), message("cleared", kind="cleared"))
        assert [m.key for m in take(engine)] == ["cleared"]

    def test_an_alarm_does_not_wait_behind_a_retry(self, engine: Engine) -> None:
        put_all(engine, message("first"))
        taken = take(engine)[0]
        with transaction(engine) as conn:
            record_retry(conn, taken.id, NIGHT, next_attempt_at=NIGHT + LEASE, reason="", answer="")
        put_all(engine, message("second"))
        assert [m.key for m in take(engine)] == ["second"]

    def test_alarms_go_before_the_rest(self, engine: Engine) -> None:
        put_all(engine, message("cleared", kind="cleared", recipient="b@example.org"), message("alarm"))
        assert take(engine)[0].key == "alarm"


def test_ways_share_every_message_and_none_twice(engine: Engine) -> None:
    for who in ("a", "b", "c"):
        put_all(engine, message(f"first for {who}", recipient=who), message(f"second for {who}", recipient=who))
    ways = {"a": Recipients(only="a"), "b": Recipients(only="b"), "rest": Recipients(besides=("a", "b"))}

    def taken() -> dict[str, list[str]]:
        found = {}
        for name, recipients in ways.items():
            with transaction(engine) as conn:
                claimed = claim(conn, NIGHT, channels=("email",), lease=LEASE, limit=9, recipients=recipients)
            found[name] = [m.key for m in claimed]
        return found

    assert taken() == {
        "a": ["first for a", "second for a"],
        "b": ["first for b", "second for b"],
        "rest": ["first for c", "second for c"],
    }
    assert taken() == {"a": [], "b": [], "rest": []}
    with transaction(engine) as conn:  # whoever takes one way over lets go of nothing on the others
        assert void_claims(conn, "email", ways["rest"]) == 2
        assert void_claims(conn, "email", ways["a"]) == 2
        assert void_claims(conn, "email", ways["a"]) == 0, "nothing is in hand any more"
    assert taken() == {"a": ["first for a", "second for a"], "b": [], "rest": ["first for c", "second for c"]}


def test_a_worker_in_the_midst_of_claiming_holds_no_other_up_and_shares_nothing_with_it(engine: Engine) -> None:
    put_all(engine, message("a"), message("b"))
    with transaction(engine) as first:
        assert [m.key for m in claim(first, NIGHT, channels=("email",), lease=LEASE)] == ["a"]
        with transaction(engine) as second:
            second.execute(text("SET LOCAL lock_timeout = '200ms'"))
            assert [m.key for m in claim(second, NIGHT, channels=("email",), lease=LEASE, limit=9)] == ["b"]


def test_what_becomes_of_one_message_is_nothing_to_another(engine: Engine) -> None:
    put_all(engine, message("a"), message("b"), message("c"))
    a, b, c = (taken.id for taken in take(engine, limit=3))
    with transaction(engine) as conn:
        record_retry(conn, b, NIGHT, next_attempt_at=NIGHT + SECOND, reason="x", answer="")
        record_retry(conn, a, NIGHT, next_attempt_at=NIGHT + LEASE, reason="x", answer="")
        record_failed(conn, c, NIGHT, give_up=GiveUp.PERMANENT, reason="x", answer="")
    assert [m.key for m in take(engine, NIGHT + SECOND, limit=3)] == ["b"]


def test_the_way_out_is_as_well_as_the_message_that_waits_longest_in_vain(engine: Engine) -> None:
    hour = timedelta(hours=1)
    put_all(
        engine,
        *(message(key, created_at=NIGHT - n * hour) for key, n in (("c", 0), ("b", 1), ("a", 2), ("x", 3), ("y", 4))),
    )
    with transaction(engine) as conn:
        conn.execute(text("UPDATE outbox SET attempts = 1 WHERE key IN ('b', 'c', 'x')"))
        conn.execute(text("UPDATE outbox SET status = 'sent' WHERE key = 'x'"))
        found = health(conn)
        assert (found.waiting, found.waiting_since) == (4, NIGHT - hour), (
            "what was never tried waits for nobody's trouble"
        )
        for at in (NIGHT + SECOND, NIGHT):
            record_failed(conn, 1, at, give_up=GiveUp.TOO_OLD, reason="x", answer="")
        assert health(conn).failed_at == NIGHT + SECOND


def test_many_workers_share_the_work_without_a_duplicate(engine: Engine) -> None:
    put_all(engine, *(message(f"m{n:03}") for n in range(120)))
    seen: list[str] = []
    lock = threading.Lock()

    def work() -> None:
        while taken := take(engine, limit=3):
            with lock:
                seen.extend(m.key for m in taken)

    workers = [threading.Thread(target=work) for _ in range(4)]
    for worker in workers:
        worker.start()
    for worker in workers:
        worker.join()
    assert sorted(seen) == [f"m{n:03}" for n in range(120)]


def test_a_clock_that_was_ahead_holds_nothing_up(engine: Engine) -> None:
    hour = timedelta(hours=1)
    put_all(engine, message("written ahead", created_at=NIGHT + hour))
    [first] = take(engine)
    with transaction(engine) as conn:
        record_retry(conn, first.id, NIGHT + hour, next_attempt_at=NIGHT + hour + 15 * SECOND, reason="x", answer="")
    assert [m.key for m in take(engine)] == ["written ahead"]  # tried ahead
    with transaction(engine) as conn:
        conn.execute(text("UPDATE outbox SET claimed_until = :at"), {"at": NIGHT + hour})
    assert [m.key for m in take(engine)] == ["written ahead"]  # in hand ahead
    assert take(engine) == []


def test_two_answers_of_one_number_are_handled_one_after_the_other_or_both_would_be_the_first(engine: Engine) -> None:
    def impatient() -> None:
        with transaction(engine) as second:
            second.execute(text("SET LOCAL lock_timeout = '50ms'"))
            lock_reply(second, "+15550100")

    with transaction(engine) as first:
        lock_reply(first, "+15550100")
        with pytest.raises(StorageError):
            impatient()
        with transaction(engine) as another:
            lock_reply(another, "+15550101")


def test_of_the_answers_to_a_number_those_from_then_on_count_or_a_loop_of_last_year_would_silence_it(
    engine: Engine,
) -> None:
    def reply(key: str, at: datetime, **more: Any) -> OutboxMessage:
        payload = {"kind": "reply", "contact": "Sam", "reason": key, "about": "K7QDHM"} | more
        return message(key, recipient=more.pop("recipient", "+15550100"), created_at=at, payload=payload)

    put_all(
        engine,
        reply("before", NIGHT - SECOND),
        reply("then", NIGHT),
        reply("after", NIGHT + SECOND, about=None),
        reply("an alarm", NIGHT, kind="alarm"),
        reply("an end", NIGHT + SECOND, kind="cleared"),
        reply("to another", NIGHT, recipient="+15550199", contact="Kim"),
    )
    with transaction(engine) as conn:
        assert sorted(answers_since(conn, "+15550100", NIGHT)) == [("after", ""), ("then", "K7QDHM")]
        # What somebody was told or answered last: a "yes" speaks of that.
        for since, last in ((NIGHT, "an alarm"), (NIGHT + SECOND, "after")):
            found = last_message(conn, "Sam", since)
            assert found is not None
            assert found["reason"] == last
        assert last_message(conn, "Sam", NIGHT + 2 * SECOND) is None
