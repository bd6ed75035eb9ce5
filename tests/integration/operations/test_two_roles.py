"""A server of one's own, or that of the compose file: its roles are made by what is shipped, and the service lets the everyday one in."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg
import pytest
from pydantic import SecretStr
from sqlalchemy import text

from service.bootstrap import migrated_database
from service.domain.plant.role import Role
from service.examination.store import server as examined
from service.jobs.accounts import people
from service.scheduler import wall_clock
from service.settings import Settings
from service.storage.database.roles import let_everyday_in
from service.storage.database.session import make_engine, transaction
from service.storage.embedded.binaries import TREE, wheel_folder
from service.storage.embedded.server import EmbeddedServer
from tests.support.alarm_plant import NIGHT
from tests.support.containers import REPOSITORY
from tests.support.database import FAST

PASSWORDS = {"database_owner_password": "owner's", "database_everyday_password": "every'day"}


@pytest.fixture
def settings(database_folder: Path, tmp_path: Path) -> Iterator[Settings]:
    """An empty server on which deploy/database/roles.sql was run, with roles of other names beside the embedded server's own."""
    script = (REPOSITORY / "deploy" / "database" / "roles.sql").read_text("utf-8")
    script = re.sub(r"\bunderweir(_owner)?\b", r"composed\1", script).replace("/run/secrets", str(tmp_path))
    for name, password in PASSWORDS.items():
        (tmp_path / name).write_text(password)
    with EmbeddedServer(database_folder, settings=FAST) as server:
        with (database_folder / "hba.conf").open("a") as hba:
            hba.write("local all composed,composed_owner scram-sha-256\n")
        with psycopg.connect(server.admin_url) as conn:
            conn.execute("SELECT pg_reload_conf()")
        psql = [str(wheel_folder() / TREE / "bin" / "psql"), "-X", "-v", "ON_ERROR_STOP=1", server.admin_url]
        subprocess.run(psql, input=script, text=True, check=True, capture_output=True)
        _, _, address = server.url.partition("@/")
        _, _, query = address.partition("?")
        url = "postgresql://{}:{}@/composed?" + query
        yield Settings(
            database_url=SecretStr(url.format("composed", "every%27day")),
            database_owner_url=SecretStr(url.format("composed_owner", "owner%27s")),
            data_dir=tmp_path / "data",
        )


def test_the_service_makes_the_tables_as_one_role_and_works_as_the_other(settings: Settings) -> None:
    with migrated_database(settings) as (engine, _):
        people.add(engine, name="ines", label="", role=Role.VIEWER, password=None, now=NIGHT, actor="x")
        with transaction(engine) as conn:
            [found] = [one for one in examined(conn, wall_clock, None) if one.about == "database role"]
            owned, more = conn.execute(
                text(
                    "SELECT count(*), bool_or(rolsuper OR rolcreaterole OR rolcreatedb OR rolreplication OR rolbypassrls)"
                    " FROM pg_tables JOIN pg_roles ON rolname = tableowner WHERE schemaname = 'public' AND tableowner = 'composed_owner'"
                )
            ).one()
    assert found.found == "composed, which owns no table and is no superuser"
    assert owned > 20
    assert not more
    with migrated_database(settings):  # a second start has nothing to do
        pass


def test_nodes_that_start_together_let_the_role_in_once(settings: Settings) -> None:
    assert settings.database_url is not None
    assert settings.database_owner_url is not None
    everyday = make_engine(settings.database_url.get_secret_value())
    owner = make_engine(settings.database_owner_url.get_secret_value())
    with ThreadPoolExecutor(8) as nodes:
        list(nodes.map(lambda _: let_everyday_in(owner, everyday), range(40)))
    everyday.dispose()
    owner.dispose()
