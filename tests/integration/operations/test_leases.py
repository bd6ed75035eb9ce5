"""Leases on a real database: the SQL keeps the rules of the pure model, and the fence turns late writers away."""

from __future__ import annotations

import random
import threading
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.domain.operations.lease import TERM_S, Lease, LeaseStatus, reading
from service.errors import ConfigError, LeaseLost, StorageError
from service.jobs.operations.leadership import LeaseKeeper
from service.storage.calls.outbox import claim, void_claims
from service.storage.database.session import fenced, make_engine, transaction
from service.storage.operations import leases
from service.storage.operations.leases import Fence, Holder
from service.storage.operations.node import acquire_instance_lock
from tests.support.alarm_plant import NIGHT


def holder(name: str) -> Holder:
    return Holder(node=f"id of {name}", node_name=name, process=name)


def renew(engine: Engine, name: str, *works: str) -> dict[str, int]:
    with transaction(engine) as conn:
        return dict(leases.renew(conn, holder(name), works, TERM_S))


def let_pass(engine: Engine, seconds: float) -> None:
    """Time passes for the leases: they end sooner."""
    with transaction(engine) as conn:
        conn.execute(text("UPDATE lease SET expires = expires - make_interval(secs => :s)"), {"s": seconds})


def described(engine: Engine, *works: str) -> None:
    with transaction(engine) as conn:
        leases.create_leases(conn, works)


def note(engine: Engine, key: str) -> None:
    with transaction(engine) as conn:
        conn.execute(text("INSERT INTO ledger_of_test VALUES (:key)"), {"key": key})


@pytest.fixture
def notes(engine: Engine) -> Engine:
    with transaction(engine) as conn:
        conn.execute(text("CREATE TABLE ledger_of_test (key text)"))
    return engine


def noted(engine: Engine) -> list[str]:
    with transaction(engine) as conn:
        return list(conn.execute(text("SELECT key FROM ledger_of_test ORDER BY 1")).scalars())


def test_the_sessions_of_a_run_have_a_name_of_their_own_or_those_of_the_next_would_be_ended_with_them() -> None:
    assert leases.session_name("a") != leases.session_name("b")


def test_a_source_somebody_still_reads_is_shown_though_the_site_no_longer_names_it(engine: Engine) -> None:
    described(engine, "deliver", reading("panel"), reading("gone"))
    renew(engine, "a", "deliver", reading("gone"))
    with transaction(engine) as conn:
        shown = [(worker.node_name, worker.works) for worker in leases.workers(conn, ["panel"])]
    assert shown == [("a", ("messages", "reading gone")), (None, ("reading panel",))]
    let_pass(engine, TERM_S + 1.0)
    with transaction(engine) as conn:
        [nobody] = leases.workers(conn, ["panel"])
    assert (nobody.node_name, set(nobody.works)) == (None, {"messages", "reading panel"})


@pytest.mark.parametrize("seed", range(3))
def test_the_database_keeps_the_rules_of_the_model(engine: Engine, seed: int) -> None:
    rng = random.Random(seed)
    described(engine, "deliver")
    model, now = Lease(), 0.0
    for _ in range(60):
        who = rng.choice("abc")
        match rng.choice(("renew", "renew", "pass", "back", "give up")):
            case "renew":
                # Renewing for a holder and taking for anybody else are one statement of the service.
                model = model.renewed(who, now) if model.holder == who else model.taken(who, now)
                found = renew(engine, who, "deliver")
                assert found == ({"deliver": model.token} if model.holder == who else {})
            case "pass":
                seconds = rng.choice((1.0, 7.0, TERM_S + 1.0))
                now += seconds
                let_pass(engine, seconds)
            case "back":
                now -= 3600.0
                let_pass(engine, -3600.0)
            case "give up":
                model = model.given_up(who)
                with transaction(engine) as conn:
                    leases.release(conn, holder(who))


def test_a_standby_that_finds_nothing_free_writes_nothing_and_a_restart_gives_up_nothing_of_its_own(
    engine: Engine,
) -> None:
    described(engine, "deliver")
    renew(engine, "a", "deliver")
    with transaction(engine) as conn:
        assert leases.renew(conn, holder("b"), ["deliver"], TERM_S) == {}
        assert conn.execute(text("SELECT pg_current_xact_id_if_assigned()")).scalar_one() is None
    with transaction(engine) as conn:
        leases.release_earlier(conn, holder("a"))
        assert leases.active_node(conn, "deliver") == "a"


def test_whether_another_node_works_is_asked_of_one_lease_and_of_one_that_is_alive(engine: Engine) -> None:
    """Asked wrongly, a site is applied beside a service that runs, or a copy of the database is taken for a live one."""
    described(engine, "evaluate", "deliver")
    renew(engine, "a", "evaluate")
    renew(engine, "b", "deliver")

    def active(besides: str = "") -> str | None:
        with transaction(engine) as conn:
            return leases.active_node(conn, "evaluate", besides=besides)

    assert (active(), active("id of b"), active("id of a")) == ("a", "a", None)
    let_pass(engine, TERM_S)
    assert active() is None


def test_of_two_nodes_at_once_one_gets_the_work(engine: Engine) -> None:
    works = [f"work {i}" for i in range(8)]
    described(engine, *works)
    found: list[dict[str, int]] = []
    threads = [threading.Thread(target=lambda who=who: found.append(renew(engine, who, *works))) for who in "abcdef"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(name for got in found for name in got) == works


def test_what_was_begun_under_an_older_number_is_not_stored(notes: Engine) -> None:
    described(notes, "evaluate")
    token = renew(notes, "a", "evaluate")["evaluate"]
    late = fenced(notes, Fence("evaluate", "a", token))
    note(late, "in time")

    def overtaken() -> None:
        with transaction(late) as conn:
            conn.execute(text("INSERT INTO ledger_of_test VALUES ('late')"))
            let_pass(notes, TERM_S)
            assert renew(notes, "b", "evaluate") == {"evaluate": token + 1}

    with pytest.raises(LeaseLost):
        overtaken()
    assert noted(notes) == ["in time"]


def test_who_only_reads_is_not_asked(notes: Engine) -> None:
    described(notes, "evaluate")
    assert noted(fenced(notes, Fence("evaluate", "nobody", 7))) == []


def test_nobody_takes_over_between_the_fence_and_the_commit(notes: Engine) -> None:
    described(notes, "evaluate")
    fence = Fence("evaluate", "a", renew(notes, "a", "evaluate")["evaluate"])
    let_pass(notes, TERM_S)
    with transaction(notes) as conn:
        conn.execute(text("INSERT INTO ledger_of_test VALUES ('confirmed')"))
        fence.confirm(conn)
        assert renew(notes, "b", "evaluate") == {}
    assert renew(notes, "b", "evaluate") == {"evaluate": fence.token + 1}
    assert noted(notes) == ["confirmed"]


def test_a_node_paused_between_fence_and_commit_is_ended_by_the_server(
    notes: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(leases, "_COMMIT_WITHIN_MS", 50)
    described(notes, "evaluate")
    fence = Fence("evaluate", "a", renew(notes, "a", "evaluate")["evaluate"])
    let_pass(notes, TERM_S)
    got: dict[str, int] = {}

    def paused() -> None:
        nonlocal got
        with transaction(notes) as conn:
            conn.execute(text("INSERT INTO ledger_of_test VALUES ('never')"))
            fence.confirm(conn)
            for _ in range(200):  # this node sleeps; another looks again and again
                got = renew(notes, "b", "evaluate")
                if got:
                    break
                threading.Event().wait(0.05)

    with pytest.raises(StorageError):
        paused()
    assert got == {"evaluate": fence.token + 1}
    assert noted(notes) == []


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def keeper(engine: Engine, name: str, clock: Clock, *works: str) -> LeaseKeeper:
    made = LeaseKeeper(engine, holder(name), works, clock=clock, renew_every=3600.0)
    made.start()
    return made


def test_a_keeper_stops_by_its_own_clock_and_hands_over_when_it_ends(engine: Engine) -> None:
    clock = Clock()
    first, second = keeper(engine, "a", clock, "deliver"), keeper(engine, "b", clock, "deliver")
    held = first.grant("deliver")
    assert held is not None
    assert held.still_leader()
    assert second.grant("deliver") is None
    assert second.status("deliver") is LeaseStatus.ELSEWHERE
    assert second.up_to_date
    clock.now = TERM_S
    assert second.status("deliver") is LeaseStatus.ELSEWHERE
    assert not second.up_to_date, "who has it now, nobody knows"
    assert not held.still_leader()
    assert first.grant("deliver") is None
    assert first.status("deliver") is LeaseStatus.LAPSED
    first.renew()  # the database is back, and nobody came
    assert first.status("deliver") is LeaseStatus.HELD
    assert held.still_leader()
    first.stop()
    second.renew()
    taken = second.grant("deliver")
    assert taken is not None
    assert taken.token == held.token + 1
    assert not held.still_leader()
    second.stop()


def test_a_run_started_again_on_its_node_waits_for_nothing(engine: Engine) -> None:
    clock = Clock()
    killed = Holder(node="north", node_name="north", process="first")
    LeaseKeeper(engine, killed, ["deliver"], clock=clock, renew_every=3600.0).start()
    again = LeaseKeeper(
        engine, Holder(node="north", node_name="north", process="second"), ["deliver"], clock=clock, renew_every=3600.0
    )
    again.start()
    assert again.status("deliver") is LeaseStatus.HELD
    again.stop()


def test_one_run_at_a_time_works_from_a_data_folder(tmp_path: Path) -> None:
    second_run = acquire_instance_lock(tmp_path / "data", "north", timeout_s=0.05)
    with (
        acquire_instance_lock(tmp_path / "data", "north") as first,
        pytest.raises(ConfigError, match="another `underweir run`"),
    ):
        second_run.__enter__()
    with acquire_instance_lock(tmp_path / "data", "north") as second:
        assert second.node == first.node
        assert second.process != first.process


def test_what_the_last_node_had_in_hand_is_taken_up_at_once(engine: Engine) -> None:
    with transaction(engine) as conn:
        conn.execute(
            text(
                "INSERT INTO outbox (key, channel, recipient, payload, status, created_at, next_attempt_at, attempts)"
                " VALUES ('a', 'email', 'x', '{\"kind\": \"alarm\"}', 'waiting', :at, :at, 0)"
            ),
            {"at": NIGHT},
        )

    def take() -> int:
        with transaction(engine) as conn:
            return len(claim(conn, NIGHT, channels=("email",), lease=timedelta(minutes=3)))

    assert [take(), take()] == [1, 0]
    with transaction(engine) as conn:
        assert (void_claims(conn, "sms"), void_claims(conn, "email")) == (0, 1)
    assert take() == 1


def test_people_see_who_does_what_and_what_nobody_does(engine: Engine) -> None:
    described(engine, "evaluate", "deliver", "poll:panel", "poll:gone")
    renew(engine, "north", "evaluate")
    renew(engine, "south", "poll:panel")
    with transaction(engine) as conn:
        found = [(w.node_name, w.works) for w in leases.workers(conn, ["panel"])]
    assert found == [("north", ("alarms",)), ("south", ("reading panel",)), (None, ("messages",))]
    renew(engine, "north", "deliver")
    with transaction(engine) as conn:
        north = leases.workers(conn, [])[0]
        assert north.since == max(one.since for one in leases.leases(conn) if one.since and one.node_name == "north")
    let_pass(engine, TERM_S)
    with transaction(engine) as conn:
        [nobody] = leases.workers(conn, ["panel"])
    assert (nobody.node_name, nobody.since) == (None, None)
    assert nobody.works == ("messages", "alarms", "reading panel")


def test_a_node_that_hangs_in_the_midst_of_a_transaction_holds_nobody_up(notes: Engine, database_url: str) -> None:
    note(notes, "an alarm")
    hanging = make_engine(database_url, application_name=leases.session_name("a"))
    described(notes, "evaluate", "deliver")
    renew(notes, "a", "evaluate", "deliver")

    def hangs() -> None:
        with transaction(hanging) as conn:
            conn.execute(text("SELECT key FROM ledger_of_test FOR UPDATE"))
            let_pass(notes, TERM_S)
            assert len(renew(notes, "b", "evaluate", "deliver")) == 2
            with transaction(notes) as successor:
                successor.execute(text("SELECT key FROM ledger_of_test FOR UPDATE"))

    with pytest.raises(StorageError) as told:
        hangs()
    assert told.value.retryable
    hanging.dispose()


def test_a_node_that_hangs_while_it_renews_does_not_keep_its_leases(
    notes: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(leases, "_COMMIT_WITHIN_MS", 50)
    described(notes, "deliver")
    got: dict[str, int] = {}

    def hangs() -> None:
        nonlocal got
        with transaction(notes) as conn:
            leases.renew(conn, holder("a"), ["deliver"], TERM_S)
            for _ in range(200):
                got = renew(notes, "b", "deliver")
                if got:
                    break
                threading.Event().wait(0.05)

    with pytest.raises(StorageError):
        hangs()
    assert got == {"deliver": 1}
