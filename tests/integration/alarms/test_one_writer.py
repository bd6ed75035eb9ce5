"""Two at once: an alarm row, a message and a lease each have one writer, shown with the second held up while the first is at it."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest
from sqlalchemy import Connection, Engine, text

from service.alarms.machine import Machine
from service.domain.operations.lease import TERM_S
from service.errors import LeaseLost, StorageError
from service.storage.alarms.alarms import lock_alarms, save_alarms, save_unless_changed
from service.storage.calls.outbox import OutboxMessage, claim, enqueue
from service.storage.database.session import fenced, transaction
from service.storage.operations import leases
from service.storage.operations.leases import Fence, Holder
from tests.support.alarm_plant import NIGHT, AlarmPlant

LEASE = timedelta(minutes=3)


def impatient(conn: Connection) -> None:
    """Rather fail than wait for a lock: it is held for as long as the test looks."""
    conn.execute(text("SET LOCAL lock_timeout = '200ms'"))


def waits_for_a_lock(engine: Engine) -> bool:
    with transaction(engine) as conn:
        waiting = text(
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock'"
        )
        return bool(conn.execute(waiting).scalar_one())


def until_it_waits(engine: Engine, other: threading.Thread) -> None:
    """Return when the other's session waits for a lock, or has ended without waiting."""
    while other.is_alive() and not waits_for_a_lock(engine):
        threading.Event().wait(0.01)


# --- alarm rows -------------------------------------------------------------------------------------------------------


def test_nobody_decides_about_an_alarm_while_another_does_or_an_acknowledgement_would_be_overwritten(
    engine: Engine,
) -> None:
    AlarmPlant.build(engine)

    def second() -> None:
        with transaction(engine) as late:
            impatient(late)
            lock_alarms(late, ["east.high"])

    with transaction(engine) as conn:
        lock_alarms(conn, ["east.high"])
        with pytest.raises(StorageError) as refused:
            second()
    assert refused.value.retryable
    second()  # the first is through


def test_who_waited_for_an_alarm_sees_what_was_decided_meanwhile(engine: Engine) -> None:
    AlarmPlant.build(engine)
    seen: list[Machine] = []

    def second() -> None:
        with transaction(engine) as late:
            seen.append(lock_alarms(late, ["east.high"])["east.high"].machine)

    other = threading.Thread(target=second)
    with transaction(engine) as conn:
        found = lock_alarms(conn, ["east.high"])["east.high"]
        other.start()
        until_it_waits(engine, other)
        save_alarms(conn, [(found.id, Machine(since=NIGHT, code="K7QDHM", actor="Sam"))])
    other.join()
    assert [(m.code, m.actor) for m in seen] == [("K7QDHM", "Sam")]


def test_a_look_that_changed_nothing_does_not_undo_what_a_person_did_meanwhile(engine: Engine) -> None:
    AlarmPlant.build(engine)
    with transaction(engine) as conn:
        read_before = lock_alarms(conn, ["east.high"])["east.high"]
        save_alarms(conn, [(read_before.id, Machine(since=NIGHT, actor="Sam"))])
    with transaction(engine) as conn:
        save_unless_changed(conn, [(read_before, Machine(since=NIGHT, standing="still normal"))])
        assert lock_alarms(conn, ["east.high"])["east.high"].machine.actor == "Sam"


# --- messages ---------------------------------------------------------------------------------------------------------


def a_message(key: str) -> OutboxMessage:
    return OutboxMessage(
        key=key,
        alarm_event_id=None,
        channel="sms",
        recipient="+15550100",
        payload={"kind": "alarm", "contact": "Sam"},
        created_at=NIGHT,
    )


def test_a_message_being_claimed_is_passed_over_by_another_worker_so_nobody_is_called_twice(engine: Engine) -> None:
    with transaction(engine) as conn:
        enqueue(conn, [a_message("first"), a_message("second")])
    with transaction(engine) as one, transaction(engine) as two:
        impatient(two)
        taken = [claim(conn, NIGHT, channels=["sms"], lease=LEASE) for conn in (one, two)]
        assert [[m.key for m in claimed] for claimed in taken] == [["first"], ["second"]]
        assert claim(two, NIGHT, channels=["sms"], lease=LEASE) == []
    with transaction(engine) as conn:
        assert claim(conn, NIGHT, channels=["sms"], lease=LEASE) == []
        attempts = conn.execute(text("SELECT attempts, claimed_until FROM outbox ORDER BY id")).all()
    assert [tuple(row) for row in attempts] == [(1, NIGHT + LEASE)] * 2


# --- leases -----------------------------------------------------------------------------------------------------------


def holder(name: str) -> Holder:
    return Holder(node=f"id of {name}", node_name=name, process=name)


def renew(engine: Engine, name: str) -> int | None:
    with transaction(engine) as conn:
        return leases.renew(conn, holder(name), ["evaluate"], TERM_S).get("evaluate")


def run_out(engine: Engine) -> None:
    with transaction(engine) as conn:
        conn.execute(text("UPDATE lease SET expires = clock_timestamp()"))


def test_a_node_that_lost_its_lease_and_got_it_back_does_not_write_what_it_began_before(engine: Engine) -> None:
    """The same process holds the lease again, but another decided in between: only the number tells the two times apart."""
    with transaction(engine) as conn:
        leases.create_leases(conn, ["evaluate"])
        conn.execute(text("CREATE TABLE written (what text)"))
    before = renew(engine, "a")
    assert before is not None
    run_out(engine)
    between = renew(engine, "b")
    run_out(engine)
    now = renew(engine, "a")
    assert now is not None
    assert (between, now) == (before + 1, before + 2)

    def write(token: int, what: str) -> None:
        with transaction(fenced(engine, Fence("evaluate", "a", token))) as conn:
            conn.execute(text("INSERT INTO written VALUES (:what)"), {"what": what})

    for stale in (before, before + 1, before + 3):
        with pytest.raises(LeaseLost):
            write(stale, "begun before")
    write(now, "begun now")
    with transaction(engine) as conn:
        assert conn.execute(text("SELECT what FROM written")).scalars().all() == ["begun now"]


@pytest.mark.parametrize(("name", "process"), [("deliver", "a"), ("evaluate", "b")])
def test_the_right_number_of_other_work_or_of_another_process_opens_nothing(
    engine: Engine, name: str, process: str
) -> None:
    with transaction(engine) as conn:
        leases.create_leases(conn, ["evaluate", "deliver"])
    token = renew(engine, "a")
    assert token is not None

    def write() -> None:
        with transaction(fenced(engine, Fence(name, process, token))) as conn:
            conn.execute(text("CREATE TABLE written (what text)"))

    with pytest.raises(LeaseLost):
        write()


def test_a_run_forgets_what_earlier_runs_on_its_node_held_and_nothing_else(engine: Engine) -> None:
    with transaction(engine) as conn:
        leases.create_leases(conn, ["evaluate", "deliver", "maintain"])

    def take(node: str, process: str, work: str) -> None:
        with transaction(engine) as conn:
            assert leases.renew(conn, Holder(node=node, node_name=node, process=process), [work], TERM_S)

    take("north", "earlier", "evaluate")
    take("north", "this", "deliver")
    take("south", "that", "maintain")
    with transaction(engine) as conn:
        leases.release_earlier(conn, Holder(node="north", node_name="north", process="this"))
        assert {one.name: one.live for one in leases.leases(conn)} == {
            "evaluate": False,
            "deliver": True,
            "maintain": True,
        }


def test_giving_up_waits_for_no_standby_and_no_lock(engine: Engine) -> None:
    with transaction(engine) as conn:
        leases.release(conn, holder("a"))
        shown = [conn.execute(text(f"SHOW {name}")).scalar_one() for name in ("synchronous_commit", "lock_timeout")]
    assert shown == ["local", "5s"]


def test_a_node_that_stands_by_writes_nothing(engine: Engine) -> None:
    """It looks before it asks for a lock: else every node would write every few seconds."""
    with transaction(engine) as conn:
        leases.create_leases(conn, ["evaluate"])
    renew(engine, "a")
    with transaction(engine) as conn:
        assert leases.renew(conn, holder("b"), ["evaluate"], TERM_S) == {}
        assert conn.execute(text("SELECT pg_current_xact_id_if_assigned()")).scalar_one() is None
        assert leases.database_time(conn) > NIGHT
