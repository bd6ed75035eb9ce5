"""A site file comes into force as a whole, and whoever watches goes by it or says that it does not."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr
from sqlalchemy import Engine, text

from service.bootstrap import (
    Configuration,
    apply_and_open,
    apply_site,
    database,
    database_if_any,
    installation_in_force,
    read_only_database,
)
from service.errors import ConfigError, ServiceError, StorageError
from service.jobs.operations.leadership import LeaseKeeper
from service.runtime import Runtime
from service.settings import Settings
from service.site.site import Site, parse_site
from service.storage.accounts.audit import changes
from service.storage.alarms.alarms import alarms
from service.storage.database.schema import current_revision, head_revision, migrate
from service.storage.database.session import make_engine, read_only, transaction
from service.storage.operations.leases import Holder
from service.storage.plant.site_tables import record_version, version_in_force

EXAMPLE = (Path(__file__).parents[3] / "deploy" / "site.example.toml").read_text("utf-8")
NOW = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)

Known = Callable[[str], Configuration]


def renamed(content: str) -> str:
    """The same plant with the east tank under another key."""
    return content.replace('"east"', '"front"')


@pytest.fixture
def known(tmp_path: Path, database_url: str) -> Known:
    settings = Settings(data_dir=tmp_path, database_url=SecretStr(database_url))

    def describe(content: str) -> Configuration:
        path = tmp_path / "site.toml"
        path.write_text(content, "utf-8")
        return Configuration(settings, parse_site(content, path))

    return describe


def active(engine: Engine) -> set[str]:
    with transaction(engine) as conn:
        return {record.key for record in alarms(conn)}


def defined(site: Site) -> set[str]:
    return {definition.key for definition in site.alarm_definitions()}


def watched(known: Configuration, engine: Engine, clock: Callable[[], datetime] = lambda: NOW) -> Runtime:
    return Runtime(installation_in_force(known.settings, engine), [], clock)


def test_who_brought_what_into_force_is_kept(engine: Engine, known: Known) -> None:
    first = apply_site(engine, known(EXAMPLE).site, by="Chief", now=NOW)
    second = apply_site(engine, known(renamed(EXAMPLE)).site, by="Deputy", now=NOW + MINUTE)
    with transaction(engine) as conn:
        assert version_in_force(conn) == second
        newest, oldest = changes(conn)
    assert (second.applied_by, second.applied_at, first.id < second.id) == ("Deputy", NOW + MINUTE, True)
    assert (newest.actor, newest.action) == ("Deputy", "site applied")
    assert newest.detail == {"hash": second.content_hash, "before": first.content_hash}
    assert oldest.detail["before"] is None
    assert active(engine) == defined(known(renamed(EXAMPLE)).site)


def test_of_two_applied_at_once_one_is_in_force_as_a_whole(engine: Engine, known: Known) -> None:
    sites = [known(EXAMPLE).site, known(renamed(EXAMPLE)).site] * 3
    with ThreadPoolExecutor(6) as pool:
        list(pool.map(lambda site: apply_site(engine, site, by="x", now=NOW), sites))
    with transaction(engine) as conn:
        version = version_in_force(conn)
    assert version is not None
    assert active(engine) == defined(parse_site(version.content))


def test_an_old_file_on_a_node_that_joins_takes_nothing_from_the_watch(engine: Engine, known: Known) -> None:
    new, old = known(EXAMPLE), known(renamed(EXAMPLE))
    apply_site(engine, new.site, by="Chief", now=NOW)
    at_work = LeaseKeeper(engine, Holder(node="one", node_name="north", process="1"), ["evaluate"])
    at_work.start()
    try:
        with apply_and_open(old, lambda: NOW, by="run on south", node="two") as plant:
            assert set(plant.tanks) == set(new.tanks)
            assert "is not the site file in force" in plant.file_notice()
        with apply_and_open(old, lambda: NOW, by="run on north", node="one") as plant:
            assert set(plant.tanks) == set(old.tanks), "the node at work itself, started again"
    finally:
        at_work.stop()
    with apply_and_open(new, lambda: NOW, by="run on south", node="two") as plant:
        assert set(plant.tanks) == set(new.tanks), "nobody is at work any more"
        assert plant.file_notice() != "", "the file on disk is the last one written"


def test_a_look_is_left_to_the_version_in_force(engine: Engine, known: Known) -> None:
    old = known(EXAMPLE)
    apply_site(engine, old.site, by="Chief", now=NOW)
    watch = watched(old, engine)
    assert watch.evaluate_alarms(NOW).tanks > 0
    new = known(renamed(EXAMPLE))
    apply_site(engine, new.site, by="Chief", now=NOW + MINUTE)
    assert watch.evaluate_alarms(NOW + MINUTE).tanks == 0
    assert watch.superseded
    changed = Runtime(installation_in_force(new.settings, engine), [], lambda: NOW, before=watch)
    assert not changed.evaluate_alarms(NOW + 2 * MINUTE).failed
    assert not changed.superseded


def test_a_node_that_cannot_go_by_the_version_in_force_goes_on_and_says_so(engine: Engine, known: Known) -> None:
    old = known(EXAMPLE)
    apply_site(engine, old.site, by="Chief", now=NOW)
    watch = watched(old, engine)
    with transaction(engine) as conn:
        record_version(conn, "of = 'a newer program'", at=NOW, by="Chief")
    watch.evaluate_alarms(NOW)
    watch.site_problem = "a secret cannot be read"
    seen = watch.evaluate_alarms(NOW + MINUTE)
    assert seen.tanks > 0
    assert seen.failed == {"site file": "a secret cannot be read"}
    with pytest.raises(ConfigError, match="does not understand the site file in force"):
        installation_in_force(old.settings, engine)


@pytest.mark.parametrize(
    ("spoil", "problem"),
    [
        (
            "UPDATE alarm SET described = false WHERE key = 'west.high-high'",
            "west.high-high is defined, but not active",
        ),
        (
            "INSERT INTO alarm (key, kind, tank_id, state, since, machine) SELECT 'west.flood', kind, tank_id, state, since, machine"
            " FROM alarm WHERE key = 'west.high-high'",
            "west.flood is active in the database, but not defined",
        ),
    ],
)
def test_alarms_that_do_not_fit_their_rows_are_a_failed_look(
    engine: Engine, known: Known, spoil: str, problem: str
) -> None:
    plant = known(EXAMPLE)
    apply_site(engine, plant.site, by="Chief", now=NOW)
    watch = watched(plant, engine)
    assert not watch.evaluate_alarms(NOW).failed
    with transaction(engine) as conn:
        conn.execute(text(spoil))
    seen = watch.evaluate_alarms(NOW + MINUTE)
    assert seen.failed is not None
    assert problem in seen.failed["west"]
    assert seen.tanks == len(plant.tanks), "all that both know of is looked at"
    (look,) = [task for task in watch.tasks() if task.name == "evaluate"]
    with pytest.raises(ServiceError, match=problem):
        look.run(NOW + MINUTE)
    apply_site(engine, plant.site, by="Chief", now=NOW)
    assert not watch.evaluate_alarms(NOW + 2 * MINUTE).failed


def test_who_only_reads_makes_and_moves_no_tables(empty_database_url: str, tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path, database_url=SecretStr(empty_database_url))
    with database_if_any(settings) as found:
        assert found is None
    with pytest.raises(ConfigError, match="underweir apply, or start underweir run"), read_only_database(settings):
        pass
    engine = make_engine(empty_database_url)
    assert current_revision(engine) is None
    migrate(engine, "0001")
    for opened in (read_only_database, database):
        with pytest.raises(StorageError, match="underweir migrate"), opened(settings):
            pass
    assert current_revision(engine) == "0001", "a service may be at work on them"
    migrate(engine)
    assert current_revision(engine) == head_revision()
    with database(settings) as stores, pytest.raises(ConfigError, match="no site file is in force"):
        installation_in_force(settings, stores)
    engine.dispose()


def test_without_a_database_of_its_own_nothing_is_made_by_looking(tmp_path: Path) -> None:
    settings = Settings(data_dir=tmp_path / "data", database_url=None)
    with pytest.raises(ConfigError, match="no site file is in force"), read_only_database(settings):
        pass
    assert not (tmp_path / "data").exists()


def test_what_reads_is_refused_every_write(engine: Engine) -> None:
    looking = read_only(engine)
    with pytest.raises(StorageError, match="25006"), transaction(looking) as conn:
        record_version(conn, "a = 1", at=NOW, by="x")
    with transaction(engine) as conn:
        record_version(conn, "a = 1", at=NOW, by="x")
