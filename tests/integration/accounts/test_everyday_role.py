"""Who works with the embedded database every day: everything the service does, and nothing that would change what it may not."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import Engine, text

from service.domain.plant.role import Role
from service.errors import StorageError
from service.examination.store import server as examined
from service.jobs.accounts import people
from service.jobs.alarms.evaluate import evaluate
from service.jobs.operations.archive import archive_old
from service.jobs.operations.retention import RetentionPolicy
from service.storage.database.partitions import drop_month, ensure_months, partitions
from service.storage.database.roles import let_everyday_delete
from service.storage.database.schema import migrate, require_current
from service.storage.database.session import make_engine, transaction
from service.storage.embedded.server import EmbeddedServer
from service.storage.readings.batches import open_batch
from tests.conftest import reachable_folder
from tests.support.alarm_plant import MINUTE, NIGHT, TANKS, AlarmPlant
from tests.support.database import FAST

#: Of another time, which retention may take; and one so new that nothing may.
MONTH, NEW_MONTH = datetime(2021, 2, 1, tzinfo=UTC), datetime(2031, 5, 1, tzinfo=UTC)


@contextmanager
def _ready(server: EmbeddedServer) -> Iterator[Engine]:
    """Everyday's engine, after the owner has made the tables as at the service's start."""
    owner, everyday = make_engine(server.owner_url), make_engine(server.url)
    migrate(owner)
    let_everyday_delete(owner, everyday)
    owner.dispose()
    yield everyday
    everyday.dispose()


@pytest.fixture(scope="module")
def server(made_database: Path) -> Iterator[EmbeddedServer]:
    """One for all that is refused."""
    folder = reachable_folder("underweir-everyday-", in_memory=True)
    subprocess.run(["cp", "-a", str(made_database), str(folder / "database")], check=True)
    with EmbeddedServer(folder / "database", settings=FAST) as running:
        with _ready(running) as everyday, transaction(everyday) as conn:
            ensure_months(conn, "reading", NEW_MONTH, NEW_MONTH)
            conn.execute(text("INSERT INTO batch (connector, origin, received_at) VALUES ('drop', 'x', now())"))
        yield running
    shutil.rmtree(folder)


@pytest.fixture
def everyday(database_folder: Path) -> Iterator[Engine]:
    """Everyday at work in a database of this test's own."""
    with EmbeddedServer(database_folder, settings=FAST) as running, _ready(running) as engine:
        yield engine


@pytest.mark.parametrize(
    "statement",
    [
        "ALTER TABLE audit_event DISABLE TRIGGER append_only",
        "ALTER TABLE audit_event DISABLE TRIGGER ALL",
        "DROP TRIGGER append_only ON audit_event",
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN NULL; END'",
        "SET session_replication_role = replica",
        "TRUNCATE audit_event",
        "UPDATE audit_event SET actor = 'nobody'",
        "DELETE FROM audit_event",
        "UPDATE hand_core SET thickness = 0",
        "BEGIN; SET LOCAL underweir.retention = 'on'; DELETE FROM hand_core",
        "BEGIN; SET LOCAL underweir.retention = 'on'; DELETE FROM alarm_event",
        "BEGIN; SET LOCAL underweir.retention = 'on'; DELETE FROM audit_event",
        "BEGIN; SET LOCAL underweir.retention = 'on'; DELETE FROM reading_revision",
        "DELETE FROM reading",
        "DELETE FROM reading_y2031m05",
        "DELETE FROM batch",
        "DELETE FROM person",
        "DELETE FROM outbox",
        "DELETE FROM tank",
        "SELECT drop_month('reading', now())",
        "SELECT drop_month('reading', '2031-05-01 00:00Z')",
        "SELECT drop_old_batches(ARRAY(SELECT id FROM batch))",
        "DROP TABLE reading",
        "ALTER TABLE person ADD COLUMN back_door text",
        "CREATE TABLE public.of_mine (n int)",
        "SELECT make_month('person', now())",
        "SELECT drop_month('audit_event', now())",
        "SELECT make_month('reading; DROP TABLE person', now())",
        "COPY person TO PROGRAM 'cat'",
        "COPY person TO '/tmp/stolen'",
        "SELECT pg_read_file('/etc/passwd')",
        "CREATE ROLE back_door SUPERUSER",
        "ALTER ROLE underweir SUPERUSER",
        "GRANT underweir_owner TO underweir",
        "SET ROLE underweir_owner",
        "SET SESSION AUTHORIZATION underweir_admin",
        "ALTER SYSTEM SET log_statement = 'all'",
        "CREATE EXTENSION plpython3u",
    ],
)
def test_what_everyday_may_not(server: EmbeddedServer, statement: str) -> None:
    """Whoever gets a statement into a page's connection gets no further than the page."""
    with psycopg.connect(server.url, autocommit=True) as conn, pytest.raises(psycopg.Error) as refused:
        conn.execute(statement)
    assert refused.value.sqlstate in ("42501", "23001", "0A000", "42704"), refused.value


def test_no_role_of_everyday_is_a_superuser_or_owns_anything(server: EmbeddedServer) -> None:
    asked = (
        "SELECT rolname, rolsuper OR rolcreaterole OR rolcreatedb OR rolreplication OR rolbypassrls AS more,"
        " (SELECT count(*) FROM pg_class c WHERE c.relowner = r.oid AND c.relnamespace = 'public'::regnamespace) AS owned"
        " FROM pg_roles r WHERE rolname LIKE 'underweir%' ORDER BY 1"
    )
    with psycopg.connect(server.admin_url) as conn:
        found = {name: (more, owned > 0) for name, more, owned in conn.execute(asked)}
    assert found == {"underweir": (False, False), "underweir_admin": (True, False), "underweir_owner": (False, True)}


def test_what_the_service_does_every_day_it_can(everyday: Engine) -> None:
    """Alarms, estimates, people, months that come and go; the whole of it in the acceptance tests, which run on this server."""
    require_current(everyday)
    plant = AlarmPlant.build(everyday)
    plant.core(NIGHT, 1.0)
    plant.believe(NIGHT + MINUTE, 0.9)
    people.add(everyday, name="ines", label="", role=Role.VIEWER, password=None, now=NIGHT, actor="x")
    assert plant.ids.tanks.keys() == {setup.tank.key for setup in TANKS}
    with transaction(everyday) as conn:
        assert ensure_months(conn, "reading", MONTH, MONTH) == ["reading_y2021m02"]
        conn.execute(text("SELECT count(*) FROM reading_y2021m02"))
        conn.execute(text("LOCK TABLE reading_y2021m02 IN SHARE MODE"))
    with transaction(everyday) as conn:
        drop_month(conn, "reading", MONTH)
        assert "reading_y2021m02" not in partitions(conn, "reading")


def test_old_months_and_what_they_came_in_with_go_to_files_and_nothing_newer(
    everyday: Engine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Retention as everyday has it: what is set may say three months, and the owner's functions keep those, whoever asks."""
    with transaction(everyday) as conn:
        now, this_month = conn.execute(text("SELECT now(), date_trunc('month', now(), 'UTC')")).one()
        kept = [this_month.replace(year=this_month.year - years) for years in (0, 1, 2)]
        for month in kept:
            received = month + timedelta(days=1)
            batch = open_batch(conn, "drop", "x", received)
            ensure_months(conn, "reading", month, month)
            conn.execute(
                text(
                    "INSERT INTO reading (signal_id, time, value, batch_id, quality, reason) VALUES (1, :time, 1, :batch, 0, 0)"
                ),
                {"time": received, "batch": batch},
            )
    done = archive_old(everyday, RetentionPolicy(tmp_path, {"reading": 13}), now)
    assert sorted((file.source, file.month) for file in done) == [("batch", kept[2]), ("reading", kept[2])]
    # A service that is set, or made, to keep nothing.
    with pytest.raises(StorageError, match="is kept"):
        archive_old(everyday, RetentionPolicy(tmp_path, {"reading": 0}), now + timedelta(days=62))
    with transaction(everyday) as conn:
        assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 1


def test_examine_says_which_role_it_is(server: EmbeddedServer) -> None:
    said = {}
    for url in (server.url, server.owner_url, server.admin_url):
        engine = make_engine(url)
        with transaction(engine) as conn:
            [found] = [one for one in examined(conn, lambda: datetime.now(UTC), None) if one.about == "database role"]
        engine.dispose()
        said[url.partition("//")[2].partition("@")[0]] = found.found
    assert said["underweir"] == "underweir, which owns no table and is no superuser"
    assert said["underweir_owner"].startswith("underweir_owner, which owns the tables: ")
    assert said["underweir_admin"].startswith("underweir_admin, a superuser of the server: ")


def test_a_table_of_somebody_elses_in_the_place_of_ours_is_not_taken_for_it(server: EmbeddedServer) -> None:
    """The functions that run with the owner's rights look into no other schema, whatever the caller's path says."""
    with psycopg.connect(server.url) as conn:
        conn.execute("CREATE TEMPORARY TABLE reading (n int)")
        conn.execute("SET search_path = pg_temp, public")
        conn.execute("SELECT make_month('reading', '2031-03-31 23:30+00')")
        found = conn.execute("SELECT pg_get_expr(relpartbound, oid) FROM pg_class WHERE relname = 'reading_y2031m03'")
        [(bound,)] = found.fetchall()
    assert "2031-03-01 00:00:00+00" in bound
    assert "2031-04-01 00:00:00+00" in bound


def test_of_the_journal_everyday_deletes_what_retention_may_and_nothing_newer(everyday: Engine) -> None:
    """Thirteen whole months stay, whatever is set and whoever asks through a connection of everyday."""
    plant = AlarmPlant.build(everyday)
    for minute in range(4):
        plant.believe(NIGHT + minute * MINUTE, 2.0 if minute == 0 else 0.3)
        evaluate(everyday, plant.model, projected={}, now=NIGHT + minute * MINUTE)
    with transaction(everyday) as conn:
        # The lines of that night once more, at times that tell: by the server's own clock.
        made = [
            conn.execute(
                text(
                    "INSERT INTO alarm_event (alarm_id, at, recorded_at, event, from_state, to_state, reason, actor, detail)"
                    " SELECT alarm_id, date_trunc('month', now(), 'UTC') - make_interval(months => :months) + interval '1 day',"
                    " recorded_at, event, from_state, to_state, reason, actor, detail FROM alarm_event ORDER BY id LIMIT 1 RETURNING id"
                ),
                {"months": months},
            ).scalar_one()
            for months in (14, 13, 0)
        ]
    old, *kept = made
    asked = text("SELECT drop_old_journal(:events, '{}')")
    for event in kept:
        with pytest.raises(StorageError, match="is kept"), transaction(everyday) as conn:
            conn.execute(asked, {"events": [old, event]})
    with transaction(everyday) as conn:
        conn.execute(asked, {"events": [old]})
        left = set(conn.execute(text("SELECT id FROM alarm_event WHERE id = ANY(:made)"), {"made": made}).scalars())
    assert left == set(kept)
    with transaction(everyday) as conn:  # nor a message without its line
        message = conn.execute(text("SELECT min(id) FROM outbox WHERE alarm_event_id IS NOT NULL")).scalar_one()
    assert message is not None
    with pytest.raises(StorageError, match="is kept"), transaction(everyday) as conn:
        conn.execute(text("SELECT drop_old_journal('{}', :messages)"), {"messages": [message]})
