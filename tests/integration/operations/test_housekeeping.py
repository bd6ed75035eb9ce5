"""A server's own upkeep is read from a real one; and what is written every few seconds needs none of it to stay small."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import Engine, text

from service.jobs.operations.job_metrics import JobMetrics
from service.storage.alarms.alarms import alarms, save_unless_changed
from service.storage.blanket import recompute
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine, transaction
from service.storage.operations import leases
from service.storage.operations.housekeeping import DeadRows, housekeeping
from service.storage.operations.leases import Holder
from service.storage.readings.connector_state import record_status, record_success
from tests.conftest import reachable_folder
from tests.support.alarm_plant import NIGHT, AlarmPlant
from tests.support.postgres_servers import PostgresServer


def test_a_server_that_clears_up(engine: Engine) -> None:
    with transaction(engine) as conn:
        found = housekeeping(conn, least_dead=1000)
    assert found.autovacuum
    assert 0 < found.oldest_transaction < 200_000_000
    assert (found.snapshot, found.prepared, found.synchronous_standbys, found.dead) == (None, 0, "", ())


def test_dead_rows_and_who_keeps_them(engine: Engine, database_url: str) -> None:
    with transaction(engine) as conn:
        conn.execute(text("CREATE TABLE shed (id integer) WITH (autovacuum_enabled = false)"))
        conn.execute(text("INSERT INTO shed SELECT generate_series(1, 3000)"))
    other = make_engine(database_url, application_name="report tool")
    try:
        with other.connect() as reading:
            reading.execution_options(isolation_level="REPEATABLE READ")
            began = reading.execute(text("SELECT now() FROM shed LIMIT 1")).scalar_one()
            with transaction(engine) as conn:
                conn.execute(text("DELETE FROM shed WHERE id > 1000"))
            with transaction(engine) as conn:
                conn.execute(text("SELECT pg_stat_force_next_flush()"))
            with transaction(engine) as conn:
                found = housekeeping(conn, least_dead=1000)
            assert found.dead == (DeadRows(table="shed", alive=1000, dead=2000),)
            assert found.snapshot is not None
            assert (found.snapshot.application, found.snapshot.since) == ("report tool", began)
    finally:
        other.dispose()


@pytest.fixture
def own_server() -> Iterator[PostgresServer]:
    folder = reachable_folder("underweir-housekeeping-", in_memory=True)
    server = PostgresServer(folder)
    try:
        server.create()
        server.start(max_prepared_transactions="2")
        server.ask("CREATE DATABASE underweir", database="postgres")
        yield server
    finally:
        server.stop()
        shutil.rmtree(folder)


@pytest.mark.postgresql
def test_a_standby_that_does_not_come(own_server: PostgresServer) -> None:
    own_server.ask("SELECT pg_create_physical_replication_slot('two', true)")
    own_server.ask("SELECT pg_switch_wal()")
    own_server.ask("ALTER SYSTEM SET synchronous_standby_names = 'FIRST 1 (two)'")
    own_server.ask("ALTER SYSTEM SET autovacuum = off")
    engine = make_engine(own_server.url)
    try:
        with engine.connect() as left:
            left.execute(text("CREATE TABLE shed ()"))
            left.execute(text("PREPARE TRANSACTION 'never ended'"))
        own_server.ask("SELECT pg_reload_conf()")
        with engine.connect() as conn:
            conn.execute(text("SELECT pg_sleep(0.2)"))
            found = housekeeping(conn, least_dead=1000)
    finally:
        engine.dispose()
    assert (found.synchronous_standbys, found.standbys, found.autovacuum, found.prepared) == (
        "FIRST 1 (two)",
        0,
        False,
        1,
    )
    (slot,) = found.slots
    assert slot.name == "two"
    assert slot.kept_bytes > 0


@pytest.fixture
def own_engine(own_server: PostgresServer) -> Iterator[Engine]:
    migrate(own_server.url)
    engine = make_engine(own_server.url)
    yield engine
    engine.dispose()


@pytest.mark.slow
@pytest.mark.postgresql
def test_what_is_written_every_few_seconds_stays_small(own_engine: Engine) -> None:
    """No index names what changes, so an update takes the place of a dead row on its own page and needs no vacuum
    (PostgreSQL documentation, "Heap-Only Tuples (HOT)"). On a server without neighbours: a long transaction in another
    database makes the server slow to see that a row is dead."""
    engine = own_engine
    tables = ("lease", "job_run", "connector_state", "recompute", "alarm")
    plant, book = AlarmPlant.build(engine), JobMetrics(engine)
    tank = plant.ids.tanks["west"]
    holder = Holder(node="node", node_name="control room", process="node-1")
    with transaction(engine) as conn:
        for table in tables:
            conn.execute(text(f"ALTER TABLE {table} SET (autovacuum_enabled = false)"))
        leases.create_leases(conn, ["work"])
    for beat in range(600):
        at = NIGHT + timedelta(seconds=5 * beat)
        book.note("evaluate", at, 0.1, "")
        book.write(at)
        with transaction(engine) as conn:
            leases.renew(conn, holder, ["work"], 15.0)
            record_success(conn, "panel", at)
            record_status(conn, "panel", at, {"values": beat})
            recompute.mark_dirty(conn, {tank: at})
            save_unless_changed(conn, [(record, replace(record.machine, data_to=at)) for record in alarms(conn)])
        with transaction(engine) as conn:
            (due,) = recompute.claim_due(conn)
        with transaction(engine) as conn:
            assert recompute.settle(conn, due)
    engine.dispose()  # a session says what it did when it ends
    deadline = time.monotonic() + 300.0
    for table in tables:
        while (written := _written(engine, table))[0] < 599:  # the first made the row
            assert time.monotonic() < deadline, f"{table}: {written}"
            time.sleep(0.1)
        assert written[1] > 0.9 * written[0], f"{table}: {written}"


def _written(engine: Engine, table: str) -> tuple[int, int]:
    """How often rows of a table were updated, and how often of these in the place of a dead one."""
    with transaction(engine) as conn:
        row = conn.execute(
            text(
                "SELECT n_tup_upd AS all_of_them, n_tup_hot_upd AS in_place FROM pg_stat_user_tables WHERE relname = :name"
            ),
            {"name": table},
        ).one()
        return row.all_of_them, row.in_place
