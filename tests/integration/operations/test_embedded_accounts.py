"""Whom the embedded server runs as, and who is let in."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest

from service.errors import EmbeddedError
from service.storage.embedded.binaries import TREE, wheel_folder
from service.storage.embedded.server import EmbeddedServer
from tests.support.database import FAST
from tests.support.embedded_server import postmaster, server_processes, value


@pytest.mark.root
def test_started_as_root_the_server_runs_as_another_account(database_folder: Path) -> None:
    with EmbeddedServer(database_folder, settings=FAST):
        owners = {process.uids().real for process in server_processes(database_folder)}
    assert len(owners) == 1
    assert owners != {0}
    assert owners == {(database_folder / "cluster").stat().st_uid}


@pytest.mark.root
def test_a_closed_folder_above_is_refused_and_not_opened_up(data_dir: Path) -> None:
    closed = data_dir / "closed"
    closed.mkdir(mode=0o700)
    with pytest.raises(EmbeddedError, match=rf"may not enter {closed}\. Choose a data folder"):
        EmbeddedServer(closed / "database", settings=FAST).start()
    assert closed.stat().st_mode & 0o777 == 0o700


@pytest.mark.root
def test_programs_only_root_can_read_are_copied_once(data_dir: Path) -> None:
    """As when the environment is in root's home: the wheel stays as it is, the account runs a copy."""
    closed = data_dir / "closed"
    closed.mkdir(mode=0o700)
    installed = wheel_folder()
    wheel = closed / installed.name
    shutil.copytree(installed / TREE, wheel / TREE, symlinks=True)
    libraries = installed.with_name(f"{installed.name}.libs")
    shutil.copytree(libraries, closed / libraries.name)
    database = data_dir / "database"
    with EmbeddedServer(database, settings=FAST, wheel=wheel) as server:
        assert value(server.url, "SELECT 1") == 1
        assert postmaster(database).exe().startswith(str(database / "programs"))
    made = (database / "programs").stat().st_ino
    with EmbeddedServer(database, settings=FAST, wheel=wheel) as server:
        assert value(server.url, "SELECT 1") == 1
    assert (database / "programs").stat().st_ino == made
    assert closed.stat().st_mode & 0o777 == 0o700


#: Becomes another account first; everything it will need is read before, for that account may not be able to read it.
AS_ORDINARY_USER = """
import os, sys
from pathlib import Path
import encodings.idna, psycopg, psycopg_binary, psutil
from service.storage.embedded.server import EmbeddedServer
from service.storage.database.schema import current_revision, migrate

folder, wheel, uid = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
os.setgroups([]); os.setgid(uid); os.setuid(uid)
with EmbeddedServer(folder, wheel=wheel) as server:
    with psycopg.connect(server.url) as connection:
        print(connection.execute("SELECT current_user").fetchone()[0], flush=True)
        print({p.uids().real for p in psutil.process_iter() if p.name() == "postgres" and p.uids().real == uid})
"""


@pytest.mark.root
def test_an_ordinary_user_runs_it_too_and_root_leaves_it_to_him(data_dir: Path) -> None:
    nobody = pwd.getpwnam("nobody").pw_uid
    installed = wheel_folder()
    wheel = data_dir / "packages" / installed.name
    shutil.copytree(installed / TREE, wheel / TREE, symlinks=True)
    libraries = installed.with_name(f"{installed.name}.libs")
    shutil.copytree(libraries, wheel.with_name(libraries.name))
    own = data_dir / "own"
    own.mkdir()
    os.chown(own, nobody, nobody)
    done = subprocess.run(
        [sys.executable, "-c", AS_ORDINARY_USER, str(own / "database"), str(wheel), str(nobody)],
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines() == ["underweir", f"{{{nobody}}}"]
    assert (own / "database").stat().st_mode & 0o777 == 0o700
    assert server_processes(own / "database") == []
    with pytest.raises(EmbeddedError, match="belongs to another user"):
        EmbeddedServer(own / "database").start()


@pytest.mark.root
@pytest.mark.parametrize("opened_up", [False, True])
def test_another_account_is_not_let_in(database_folder: Path, opened_up: bool) -> None:
    """Once by the database_folder's mode; and were that ever opened up, by peer authentication."""
    with EmbeddedServer(database_folder, settings=FAST) as server:
        if opened_up:
            (database_folder / "run").chmod(0o711)
            (database_folder / "run" / ".s.PGSQL.5432").chmod(0o777)
        nobody = pwd.getpwnam("nobody")
        outcome = []

        def knock() -> None:
            try:
                psycopg.connect(server.url).close()
                outcome.append("let in")
            except psycopg.OperationalError as error:
                outcome.append(str(error))

        child = os.fork()
        if child == 0:  # pragma: no cover  (another process)
            os.setgroups([])
            os.setgid(nobody.pw_gid)
            os.setuid(nobody.pw_uid)
            knock()
            expected = "Peer authentication failed" if opened_up else "Permission denied"
            os._exit(0 if expected in outcome[0] else 1)
        assert os.waitpid(child, 0)[1] == 0
