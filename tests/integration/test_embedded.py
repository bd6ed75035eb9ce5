"""The embedded server survives what happens to servers: killed owners, killed servers, stale notes, company."""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import psycopg
import pytest

from service.errors import EmbeddedError
from service.storage.binaries import TREE, wheel_folder
from service.storage.embedded import EmbeddedServer
from service.storage.locks import FileLock
from tests.conftest import reachable_folder
from tests.database import FAST

#: Uses the server from a process of its own: says "ready", then does a line's bidding at a time.
OTHER_PROCESS = """
import sys
from pathlib import Path
import psycopg
from service.storage.embedded import EmbeddedServer

server = EmbeddedServer(Path(sys.argv[1]), settings=dict(pair.split("=") for pair in sys.argv[2:]))
connection = psycopg.connect(server.start(), autocommit=True)
print("ready", flush=True)
for line in sys.stdin:
    if line == "leave\\n":
        connection.close()
        server.stop()
        break
    connection.execute(line)
    print("done", flush=True)
"""


class Other:
    """Another process that uses the same server."""

    def __init__(self, folder: Path, settings: dict[str, str] | None = None) -> None:
        options = [f"{name}={value}" for name, value in (FAST if settings is None else settings).items()]
        self.process = subprocess.Popen(
            [sys.executable, "-c", OTHER_PROCESS, str(folder), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ready(self) -> Other:
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"
        return self

    def run(self, sql: str) -> None:
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.write(sql + "\n")
        self.process.stdin.flush()
        assert self.process.stdout.readline() == "done\n"

    def leave(self) -> None:
        self.process.communicate("leave\n", timeout=60)
        assert self.process.returncode == 0

    def kill(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def others() -> Iterator[Callable[..., Other]]:
    """Start other processes; those a failed test leaves behind are killed."""
    started: list[Other] = []

    def start(folder: Path, settings: dict[str, str] | None = None) -> Other:
        started.append(Other(folder, settings))
        return started[-1]

    yield start
    for other in started:
        if other.process.poll() is None:
            other.kill()


def server_processes(folder: Path) -> list[psutil.Process]:
    """List every process of the folder's server: PostgreSQL works in its data folder."""
    found = []
    for process in psutil.process_iter():
        with suppress(psutil.Error):
            if process.name() == "postgres" and process.cwd() == str(folder / "cluster"):
                found.append(process)
    return found


def postmaster(folder: Path) -> psutil.Process:
    everyone = server_processes(folder)
    return next(process for process in everyone if process.ppid() not in {other.pid for other in everyone})


def kill_all(folder: Path) -> None:
    processes = server_processes(folder)
    assert processes
    for process in processes:
        process.send_signal(signal.SIGSTOP)  # so that none of them does anything in an orderly way meanwhile
    for process in processes:
        process.kill()
    psutil.wait_procs(processes)


def value(url: str, sql: str) -> object:
    with psycopg.connect(url) as connection:
        row = connection.execute(sql).fetchone()
    return row[0] if row else None


def run(url: str, sql: str) -> None:
    with psycopg.connect(url) as connection:
        connection.execute(sql)


@pytest.fixture(scope="module")
def made() -> Iterator[Path]:
    """A database made once, to be copied: making one takes most of a test's time."""
    place = reachable_folder("underweir-made-")
    with EmbeddedServer(place / "database", settings=FAST):
        pass
    yield place / "database"
    shutil.rmtree(place)


@pytest.fixture
def new_folder(data_dir: Path) -> Iterator[Path]:
    """A folder yet to be made; whatever still runs in it at the end is killed, after the test has had its say."""
    place = data_dir / "database"
    yield place
    for process in server_processes(place):
        with suppress(psutil.NoSuchProcess):
            process.kill()
            process.wait()


@pytest.fixture
def folder(new_folder: Path, made: Path) -> Path:
    """A folder with a stopped, empty database in it."""
    subprocess.run(["cp", "-a", str(made), str(new_folder)], check=True)
    return new_folder


def test_data_stay_and_a_clean_stop_leaves_no_server(new_folder: Path) -> None:
    with EmbeddedServer(new_folder, settings=FAST) as server:
        run(server.url, "CREATE TABLE kept AS SELECT 42 AS answer")
        assert server_processes(new_folder)
    assert server_processes(new_folder) == []
    assert list((new_folder / "run").iterdir()) == []
    with EmbeddedServer(new_folder, settings=FAST) as server:
        assert value(server.url, "SELECT answer FROM kept") == 42


def test_there_is_no_network_port_and_nobody_else_may_enter(folder: Path) -> None:
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SHOW listen_addresses") == ""
        listening = [c for p in server_processes(folder) for c in p.net_connections("inet") if c.status == "LISTEN"]
        assert listening == []
        assert (folder / "run").stat().st_mode & 0o077 == 0
        assert (folder / "cluster").stat().st_mode & 0o077 == 0
        # Peer authentication holds by itself: even a role of the right name is not enough for a wrong account.
        rules = (folder / "hba.conf").read_text().splitlines()
        assert rules == ["local all underweir peer map=owner"]


def test_starting_twice_is_starting_once_and_stopping_twice_is_stopping_once(folder: Path) -> None:
    server = EmbeddedServer(folder, settings=FAST)
    assert server.start() == server.start()
    server.stop()
    server.stop()
    assert server_processes(folder) == []
    with pytest.raises(EmbeddedError, match="not started"):
        _ = server.url


def test_our_process_killed_leaves_the_data_and_the_next_clean_stop_ends_the_server(
    folder: Path, others: Callable[..., Other]
) -> None:
    other = others(folder).ready()
    other.run("CREATE TABLE kept (n int)")
    other.run("INSERT INTO kept VALUES (7)")
    first = postmaster(folder).pid
    other.kill()
    assert server_processes(folder), "the server outlives a killed owner"
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT n FROM kept") == 7
        assert postmaster(folder).pid == first
    assert server_processes(folder) == []


def test_every_acknowledged_row_is_back_after_the_whole_server_was_killed(
    folder: Path, others: Callable[..., Other]
) -> None:
    other = others(folder, settings={}).ready()  # with fsync, as in service
    other.run("CREATE TABLE kept (n int)")
    for n in range(200):
        other.run(f"INSERT INTO kept VALUES ({n})")
    kill_all(folder)
    other.kill()
    assert (folder / "cluster" / "postmaster.pid").exists()
    with EmbeddedServer(folder) as server:
        assert value(server.url, "SELECT array_agg(n ORDER BY n) FROM kept") == list(range(200))
    assert server_processes(folder) == []


def test_a_killed_server_is_started_again_while_another_process_still_uses_it(
    folder: Path, others: Callable[..., Other]
) -> None:
    other = others(folder).ready()
    kill_all(folder)
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
    assert server_processes(folder), "the other process has not left"
    other.process.communicate()  # its connection died with the first server, and so does it
    with EmbeddedServer(folder, settings=FAST):
        pass
    assert server_processes(folder) == []


def test_a_stale_pid_that_now_belongs_to_a_living_process_does_not_matter(folder: Path) -> None:
    with EmbeddedServer(folder, settings=FAST) as server:
        run(server.url, "CREATE TABLE kept AS SELECT 42 AS answer")
        note = (folder / "cluster" / "postmaster.pid").read_text()
        owner = postmaster(folder).uids().real
    assert not (folder / "cluster" / "postmaster.pid").exists()
    foreign = subprocess.Popen(
        ["sleep", "600"], user=owner
    )  # of the same account: PostgreSQL itself would give up on it
    try:
        stale = folder / "cluster" / "postmaster.pid"
        stale.write_text("\n".join([str(foreign.pid), *note.splitlines()[1:]]) + "\n")
        os.chown(stale, owner, -1)
        with EmbeddedServer(folder, settings=FAST) as server:
            assert value(server.url, "SELECT answer FROM kept") == 42
        assert foreign.poll() is None, "it is none of our business"
    finally:
        foreign.kill()
        foreign.wait()


def test_a_stale_pid_that_now_belongs_to_a_zombie_does_not_matter(folder: Path) -> None:
    with EmbeddedServer(folder, settings=FAST):
        note = (folder / "cluster" / "postmaster.pid").read_text()
    zombie = subprocess.Popen(["true"])
    os.waitid(os.P_PID, zombie.pid, os.WEXITED | os.WNOWAIT)  # it has ended, and nobody has taken note yet
    try:
        (folder / "cluster" / "postmaster.pid").write_text("\n".join([str(zombie.pid), *note.splitlines()[1:]]) + "\n")
        with EmbeddedServer(folder, settings=FAST) as server:
            assert value(server.url, "SELECT 1") == 1
    finally:
        zombie.wait()


def test_two_processes_share_one_server_and_the_last_one_out_stops_it(
    folder: Path, others: Callable[..., Other]
) -> None:
    server = EmbeddedServer(folder, settings=FAST)
    server.start()
    shared = postmaster(folder).pid
    other = others(folder).ready()
    other.run("CREATE TABLE kept AS SELECT 42 AS answer")
    server.stop()
    assert postmaster(folder).pid == shared, "the other process is still using it"
    other.run("INSERT INTO kept VALUES (43)")
    server.start()
    assert value(server.url, "SELECT count(*) FROM kept") == 2
    assert postmaster(folder).pid == shared
    other.leave()
    assert postmaster(folder).pid == shared, "now we are"
    server.stop()
    assert server_processes(folder) == []


def test_processes_that_start_together_on_a_new_folder_make_one_database(
    new_folder: Path, others: Callable[..., Other]
) -> None:
    together = [others(new_folder) for _ in range(3)]
    for n, other in enumerate(together):
        other.ready().run(f"CREATE TABLE made_by_{n} (n int)")
    with EmbeddedServer(new_folder, settings=FAST) as server:
        assert value(server.url, "SELECT count(*) FROM pg_tables WHERE tablename LIKE 'made_by_%'") == 3
    for other in together:
        assert server_processes(new_folder)
        other.leave()
    assert server_processes(new_folder) == []


def test_what_a_dead_first_process_left_behind_is_cleared_away(folder: Path, others: Callable[..., Other]) -> None:
    """A backend that cannot notice the death of the first process keeps the data locked; PostgreSQL alone would not start."""
    other = others(folder, settings={}).ready()  # settings as in service: what is told done is on disk
    other.run("CREATE TABLE kept AS SELECT 42 AS answer")
    first = postmaster(folder)
    backend = next(p for p in server_processes(folder) if "underweir" in " ".join(p.cmdline()) and p.pid != first.pid)
    backend.suspend()
    first.kill()
    first.wait()
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT answer FROM kept") == 42
    other.kill()
    with EmbeddedServer(folder, settings=FAST):
        pass
    assert server_processes(folder) == []


def test_an_interrupted_making_of_the_database_is_done_over(folder: Path) -> None:
    half = folder / "cluster.unfinished"
    (folder / "cluster").rename(half)
    (half / "global" / "pg_control").unlink()
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
    assert not half.exists()


def test_waiting_for_a_slow_server_is_reported_and_goes_on(folder: Path, others: Callable[..., Other]) -> None:
    other = others(folder).ready()
    first = postmaster(folder)
    first.suspend()
    told: list[str] = []

    def progress(line: str) -> None:
        told.append(line)
        if line.startswith("Waiting for the database"):
            first.resume()

    with EmbeddedServer(folder, settings=FAST, progress=progress) as server:
        assert value(server.url, "SELECT 1") == 1
    assert any(line.startswith("Waiting for the database") for line in told)
    other.leave()


def test_a_server_that_never_answers_is_an_error_with_its_last_words(
    folder: Path, others: Callable[..., Other]
) -> None:
    other = others(folder).ready()
    first = postmaster(folder)
    first.suspend()
    with pytest.raises(EmbeddedError, match=r"did not become ready within 1 s[\s\S]*database system is ready"):
        EmbeddedServer(folder, settings=FAST, start_limit_s=1.0).start()
    first.resume()
    other.run("SELECT 1")
    other.leave()


def test_a_server_that_cannot_start_says_why_and_leaves_nothing_behind(folder: Path) -> None:
    with pytest.raises(EmbeddedError, match=r"ended as it started[\s\S]*max_connections"):
        EmbeddedServer(folder, settings={"max_connections": "minus one"}).start()
    assert server_processes(folder) == []
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1


def test_a_process_that_holds_the_turn_for_ever_is_named(folder: Path) -> None:
    turn = FileLock(folder / "turn")
    assert turn.try_exclusive()
    with pytest.raises(EmbeddedError, match="Another process has been starting or stopping"):
        EmbeddedServer(folder, settings=FAST, start_limit_s=0.1).start()
    turn.close()


def test_data_of_another_major_version_are_refused_and_left_alone(folder: Path) -> None:
    version = folder / "cluster" / "PG_VERSION"
    version.write_text("17\n")
    with pytest.raises(EmbeddedError, match=r"made by PostgreSQL 17.*carries PostgreSQL 18.*pg_dump"):
        EmbeddedServer(folder, settings=FAST).start()
    assert server_processes(folder) == []
    version.write_text("18\n")
    with EmbeddedServer(folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1


def test_a_folder_that_is_no_database_is_refused(folder: Path) -> None:
    (folder / "cluster" / "PG_VERSION").unlink()
    with pytest.raises(EmbeddedError, match="not a PostgreSQL data folder"):
        EmbeddedServer(folder, settings=FAST).start()


@pytest.mark.parametrize("name", ["with space", "umläut, comma", "quote'\"percent%20"])
def test_folders_with_any_name_work(data_dir: Path, name: str) -> None:
    with EmbeddedServer(data_dir / name, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
    assert server_processes(data_dir / name) == []


def test_a_deep_folder_has_its_socket_in_a_short_private_one(data_dir: Path) -> None:
    deep = data_dir.joinpath(*["a-folder-name-of-thirty-letters"] * 5) / "database"
    server = EmbeddedServer(deep, settings=FAST)
    url = server.start()
    try:
        assert value(url, "SELECT 1") == 1
        short = Path((deep / "socket-folder").read_text())
        assert short.stat().st_mode & 0o777 == 0o700
        assert EmbeddedServer(deep, settings=FAST).start() == url, "others find it"
    finally:
        kill_all(deep)
    assert short.is_dir(), "a killed server leaves it"
    with EmbeddedServer(deep, settings=FAST) as again:
        assert again.url == url
    server.stop()


def test_a_short_folder_that_became_somebody_elses_is_not_used(data_dir: Path) -> None:
    deep = data_dir.joinpath(*["a-folder-name-of-thirty-letters"] * 5) / "database"
    with EmbeddedServer(deep, settings=FAST):
        pass
    assert not (deep / "socket-folder").exists()
    trap = data_dir / "trap"
    trap.mkdir(mode=0o777)
    trap.chmod(0o777)
    (deep / "socket-folder").write_text(str(trap))
    with EmbeddedServer(deep, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
        assert list(trap.iterdir()) == []


def test_a_thread_may_stop_what_another_started(folder: Path) -> None:
    server = EmbeddedServer(folder, settings=FAST)
    starter = threading.Thread(target=server.start)
    starter.start()
    starter.join()
    assert value(server.url, "SELECT 1") == 1
    server.stop()
    assert server_processes(folder) == []


needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can change to other accounts")


@needs_root
def test_started_as_root_the_server_runs_as_another_account(folder: Path) -> None:
    with EmbeddedServer(folder, settings=FAST):
        owners = {process.uids().real for process in server_processes(folder)}
    assert len(owners) == 1
    assert owners != {0}
    assert owners == {(folder / "cluster").stat().st_uid}


@needs_root
def test_a_closed_folder_above_is_refused_and_not_opened_up(data_dir: Path) -> None:
    closed = data_dir / "closed"
    closed.mkdir(mode=0o700)
    with pytest.raises(EmbeddedError, match=rf"may not enter {closed}\. Choose a data folder"):
        EmbeddedServer(closed / "database", settings=FAST).start()
    assert closed.stat().st_mode & 0o777 == 0o700


@needs_root
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
from service.storage.embedded import EmbeddedServer
from service.storage.schema import current_revision, migrate

folder, wheel, uid = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
os.setgroups([]); os.setgid(uid); os.setuid(uid)
with EmbeddedServer(folder, wheel=wheel) as server:
    with psycopg.connect(server.url) as connection:
        print(connection.execute("SELECT current_user").fetchone()[0], flush=True)
        print({p.uids().real for p in psutil.process_iter() if p.name() == "postgres" and p.uids().real == uid})
"""


@needs_root
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


@needs_root
@pytest.mark.parametrize("opened_up", [False, True])
def test_another_account_is_not_let_in(folder: Path, opened_up: bool) -> None:
    """Once by the folder's mode; and were that ever opened up, by peer authentication."""
    with EmbeddedServer(folder, settings=FAST) as server:
        if opened_up:
            (folder / "run").chmod(0o711)
            (folder / "run" / ".s.PGSQL.5432").chmod(0o777)
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
