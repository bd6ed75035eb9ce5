"""The migrations make exactly the tables the program describes, can be undone, and guard what is append-only."""

from __future__ import annotations

import subprocess
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, text

from service.errors import StorageError
from service.storage.database.partitions import ensure_months, is_partition
from service.storage.database.schema import current_revision, downgrade, head_revision, migrate, migrations_folder
from service.storage.database.session import make_engine, transaction
from service.storage.database.tables import PARTITIONED, Base

APPEND_ONLY = ("hand_core", "calibration", "alarm_event", "reading_revision")

#: Everything a table consists of, as PostgreSQL itself describes it. Alembic's comparison leaves out check constraints.
CATALOGUE = {
    "columns": """
        SELECT table_name, column_name, data_type, udt_name, is_nullable, column_default, is_identity, identity_generation
        FROM information_schema.columns WHERE table_schema = 'public' AND table_name <> 'alembic_version'""",
    "constraints": """
        SELECT conrelid::regclass::text, conname, pg_get_constraintdef(oid)
        FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND conrelid::regclass::text <> 'alembic_version'""",
    "indexes": """
        SELECT tablename, indexdef FROM pg_indexes WHERE schemaname = 'public' AND tablename <> 'alembic_version'""",
    "partitioning": """
        SELECT partrelid::regclass::text, pg_get_partkeydef(partrelid) FROM pg_partitioned_table""",
}


def catalogue(engine: Engine) -> dict[str, list[tuple[object, ...]]]:
    with transaction(engine) as connection:
        return {what: sorted(map(tuple, connection.execute(text(sql))), key=str) for what, sql in CATALOGUE.items()}


def leftovers(engine: Engine) -> list[str]:
    """Name what is in the database besides Alembic's own table."""
    with transaction(engine) as connection:
        return list(
            connection.execute(
                text(
                    "SELECT relname FROM pg_class WHERE relnamespace = 'public'::regnamespace AND relname !~ '^alembic_version'"
                    " UNION ALL SELECT proname FROM pg_proc WHERE pronamespace = 'public'::regnamespace"
                )
            ).scalars()
        )


def test_alembic_finds_no_difference_to_the_description(engine: Engine) -> None:
    with transaction(engine) as connection:
        for table in PARTITIONED:  # the partitions a running service makes are no difference
            ensure_months(connection, table, datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC))
        context = MigrationContext.configure(
            connection,
            opts={
                "compare_type": True,
                "compare_server_default": True,
                "include_name": lambda name, kind, _: not (kind == "table" and is_partition(name)),
            },
        )
        assert compare_metadata(context, Base.metadata) == []


def test_postgresql_finds_no_difference_to_the_description(engine: Engine, empty_database_url: str) -> None:
    described = make_engine(empty_database_url)
    try:
        with transaction(described) as connection:
            Base.metadata.create_all(connection)
        expected = catalogue(described)
        assert all(expected.values())
        assert catalogue(engine) == expected
    finally:
        described.dispose()


def test_down_and_up_again_changes_nothing(engine: Engine) -> None:
    before = catalogue(engine)
    with transaction(engine) as connection:
        ensure_months(connection, "reading", datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC))
    downgrade(engine)
    assert current_revision(engine) is None
    assert leftovers(engine) == []
    migrate(engine)
    assert current_revision(engine) == head_revision()
    assert catalogue(engine) == before


def test_there_is_one_head_and_a_line_down_to_the_beginning() -> None:
    config = Config()
    config.set_main_option("script_location", str(migrations_folder()))
    config.set_main_option("path_separator", "os")
    scripts = ScriptDirectory.from_config(config)
    assert len(scripts.get_heads()) == 1
    assert [script.revision for script in scripts.walk_revisions()][-1] == "0001"


def test_the_migrations_folder_is_no_package() -> None:
    """A package named alembic at the top of a checkout would hide the library of that name."""
    assert list(migrations_folder().rglob("__init__.py")) == []


def test_an_empty_database_has_no_revision(empty_database_url: str) -> None:
    assert current_revision(empty_database_url) is None


def test_processes_that_migrate_together_take_turns(empty_database_url: str) -> None:
    code = "import sys; from service.storage.database.schema import migrate; sys.stdin.readline(); migrate(sys.argv[1])"
    command = [sys.executable, "-c", code, empty_database_url]
    processes = [subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(3)]
    for process in processes:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    complaints = [process.communicate(timeout=600)[1] for process in processes]
    assert complaints == ["", "", ""]
    assert current_revision(empty_database_url) == head_revision()


def test_threads_that_migrate_together_take_turns(empty_database_url: str) -> None:
    failures: list[BaseException] = []
    together = threading.Barrier(3)

    def one() -> None:
        together.wait()
        try:
            migrate(empty_database_url)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=one) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert current_revision(empty_database_url) == head_revision()


def test_a_migration_that_fails_leaves_nothing_half_done(empty_database_url: str) -> None:
    engine = make_engine(empty_database_url)
    try:
        with transaction(engine) as connection:
            connection.execute(text("CREATE TABLE outbox (in_the_way int)"))
        with pytest.raises(StorageError, match="already exists"):
            migrate(engine)
        assert current_revision(engine) is None
        assert leftovers(engine) == ["outbox"]
    finally:
        engine.dispose()


@pytest.mark.parametrize("change", [migrate, downgrade])
def test_a_database_of_a_newer_version_is_refused(engine: Engine, change: Callable[[Engine], None]) -> None:
    with transaction(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(StorageError, match=r"9999.*newer version"):
        change(engine)


@pytest.mark.parametrize("table", APPEND_ONLY)
@pytest.mark.parametrize(
    "change",
    ["UPDATE {} SET ctid = ctid WHERE false", "DELETE FROM {}", "TRUNCATE {} CASCADE", "DELETE FROM {} WHERE false"],
)
def test_append_only_tables_refuse_changes(engine: Engine, table: str, change: str) -> None:
    change = change.replace("SET ctid = ctid", "SET reason = reason" if table != "hand_core" else "SET note = note")
    with (
        pytest.raises(StorageError, match=f"{table} is append-only, {change.split()[0]} is refused"),
        transaction(engine) as c,
    ):
        c.execute(text(change.format(table)))


@pytest.mark.parametrize(("table", "prunable"), list(zip(APPEND_ONLY, (False, False, True, True), strict=True)))
def test_only_retention_may_delete_and_not_everywhere(engine: Engine, table: str, prunable: bool) -> None:
    def delete() -> None:
        with transaction(engine) as connection:
            connection.execute(text("SET LOCAL underweir.retention = 'on'"))
            connection.execute(text(f"DELETE FROM {table}"))

    if prunable:
        delete()
    else:
        with pytest.raises(StorageError, match="append-only"):
            delete()
    with (
        pytest.raises(StorageError, match="append-only"),
        transaction(engine) as connection,
    ):  # it ended with its transaction
        connection.execute(text(f"DELETE FROM {table}"))


def test_retention_may_not_update(engine: Engine) -> None:
    def update() -> None:
        with transaction(engine) as connection:
            connection.execute(text("SET LOCAL underweir.retention = 'on'"))
            connection.execute(text("UPDATE alarm_event SET reason = ''"))

    with pytest.raises(StorageError, match="append-only"):
        update()


def test_a_correction_is_a_new_row(engine: Engine) -> None:
    core = """INSERT INTO hand_core (id, tank_id, taken_at, recorded_at, thickness, distance_from_wall, surface, taken_by, note,
              typed_value, typed_unit, source, warnings, supersedes, correction_reason)
              VALUES (:id, 1, now(), now(), 1.2, 5, '{}', 'A. Ender', '', 1.2, 'm', 'cli', '{}', :supersedes, :why)"""
    first, second = "00000000-0000-0000-0000-000000000001", "00000000-0000-0000-0000-000000000002"
    with transaction(engine) as connection:
        connection.execute(
            text(
                "INSERT INTO tank (key, label, kind, shape, side_water_depth, floor_slope, core_distance_from_wall)"
                " VALUES ('t1', 'Tank 1', 'secondary', 'circular', 4, 0.08, 5)"
            )
        )
        connection.execute(text(core), {"id": first, "supersedes": None, "why": ""})
        connection.execute(text(core), {"id": second, "supersedes": first, "why": "misread"})
    third = {"id": "00000000-0000-0000-0000-000000000003", "supersedes": first, "why": "again"}
    with pytest.raises(StorageError, match="uq_hand_core_supersedes"), transaction(engine) as connection:
        connection.execute(text(core), third)  # a row is superseded once: the second correction corrects the first
