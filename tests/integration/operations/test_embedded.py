"""The embedded server survives what happens to servers: killed owners, killed servers, stale notes, company."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from service.errors import EmbeddedError
from service.storage.database.file_locks import FileLock
from service.storage.embedded.server import EmbeddedServer
from tests.support.database import FAST
from tests.support.embedded_server import Other, kill_all, postmaster, run, server_processes, value


def test_data_stay_and_a_clean_stop_leaves_no_server(new_database_folder: Path) -> None:
    with EmbeddedServer(new_database_folder, settings=FAST) as server:
        run(server.owner_url, "CREATE TABLE kept AS SELECT 42 AS answer")
        assert server_processes(new_database_folder)
    assert server_processes(new_database_folder) == []
    assert list((new_database_folder / "run").iterdir()) == []
    with EmbeddedServer(new_database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT answer FROM kept") == 42


def test_there_is_no_network_port_and_nobody_else_may_enter(database_folder: Path) -> None:
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SHOW listen_addresses") == ""
        listening = [
            c for p in server_processes(database_folder) for c in p.net_connections("inet") if c.status == "LISTEN"
        ]
        assert listening == []
        assert (database_folder / "run").stat().st_mode & 0o077 == 0
        assert (database_folder / "cluster").stat().st_mode & 0o077 == 0
        # Peer authentication holds by itself: even a role of the right name is not enough for a wrong account.
        rules = (database_folder / "hba.conf").read_text().splitlines()
        assert rules == [
            f"local all {role} peer map=owner" for role in ("underweir_admin", "underweir_owner", "underweir")
        ]


def test_starting_twice_is_starting_once_and_stopping_twice_is_stopping_once(database_folder: Path) -> None:
    server = EmbeddedServer(database_folder, settings=FAST)
    assert server.start() == server.start()
    server.stop()
    server.stop()
    assert server_processes(database_folder) == []
    with pytest.raises(EmbeddedError, match="not started"):
        _ = server.url


def test_our_process_killed_leaves_the_data_and_the_next_clean_stop_ends_the_server(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    other = other_processes(database_folder).ready()
    other.run("CREATE TABLE kept (n int)")
    other.run("INSERT INTO kept VALUES (7)")
    first = postmaster(database_folder).pid
    other.kill()
    assert server_processes(database_folder), "the server outlives a killed owner"
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT n FROM kept") == 7
        assert postmaster(database_folder).pid == first
    assert server_processes(database_folder) == []


def test_every_acknowledged_row_is_back_after_the_whole_server_was_killed(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    other = other_processes(database_folder, settings={}).ready()  # with fsync, as in service
    other.run("CREATE TABLE kept (n int)")
    for n in range(200):
        other.run(f"INSERT INTO kept VALUES ({n})")
    kill_all(database_folder)
    other.kill()
    assert (database_folder / "cluster" / "postmaster.pid").exists()
    with EmbeddedServer(database_folder) as server:
        assert value(server.url, "SELECT array_agg(n ORDER BY n) FROM kept") == list(range(200))
    assert server_processes(database_folder) == []


def test_a_killed_server_is_started_again_while_another_process_still_uses_it(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    other = other_processes(database_folder).ready()
    kill_all(database_folder)
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
    assert server_processes(database_folder), "the other process has not left"
    other.process.communicate()  # its connection died with the first server, and so does it
    with EmbeddedServer(database_folder, settings=FAST):
        pass
    assert server_processes(database_folder) == []


def test_a_server_that_ended_as_a_whole_is_started_again_by_who_uses_it(database_folder: Path) -> None:
    with EmbeddedServer(database_folder) as server:  # with fsync, as in service
        run(server.owner_url, "CREATE TABLE kept AS SELECT 42 AS answer")
        assert not server.revive(), "it lives"
        kill_all(database_folder)
        assert server.revive()
        assert value(server.url, "SELECT answer FROM kept") == 42
        assert not server.revive()
    assert not server.revive(), "nobody uses it any more"
    assert server_processes(database_folder) == []


def test_a_stale_pid_that_now_belongs_to_a_living_process_does_not_matter(database_folder: Path) -> None:
    with EmbeddedServer(database_folder, settings=FAST) as server:
        run(server.owner_url, "CREATE TABLE kept AS SELECT 42 AS answer")
        note = (database_folder / "cluster" / "postmaster.pid").read_text()
        owner = postmaster(database_folder).uids().real
    assert not (database_folder / "cluster" / "postmaster.pid").exists()
    foreign = subprocess.Popen(
        ["sleep", "600"], user=owner
    )  # of the same account: PostgreSQL itself would give up on it
    try:
        stale = database_folder / "cluster" / "postmaster.pid"
        stale.write_text("\n".join([str(foreign.pid), *note.splitlines()[1:]]) + "\n")
        os.chown(stale, owner, -1)
        with EmbeddedServer(database_folder, settings=FAST) as server:
            assert value(server.url, "SELECT answer FROM kept") == 42
        assert foreign.poll() is None, "it is none of our business"
    finally:
        foreign.kill()
        foreign.wait()


def test_a_stale_pid_that_now_belongs_to_a_zombie_does_not_matter(database_folder: Path) -> None:
    with EmbeddedServer(database_folder, settings=FAST):
        note = (database_folder / "cluster" / "postmaster.pid").read_text()
    zombie = subprocess.Popen(["true"])
    os.waitid(os.P_PID, zombie.pid, os.WEXITED | os.WNOWAIT)  # it has ended, and nobody has taken note yet
    try:
        (database_folder / "cluster" / "postmaster.pid").write_text(
            "\n".join([str(zombie.pid), *note.splitlines()[1:]]) + "\n"
        )
        with EmbeddedServer(database_folder, settings=FAST) as server:
            assert value(server.url, "SELECT 1") == 1
    finally:
        zombie.wait()


def test_two_processes_share_one_server_and_the_last_one_out_stops_it(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    server = EmbeddedServer(database_folder, settings=FAST)
    server.start()
    shared = postmaster(database_folder).pid
    other = other_processes(database_folder).ready()
    other.run("CREATE TABLE kept AS SELECT 42 AS answer")
    server.stop()
    assert postmaster(database_folder).pid == shared, "the other process is still using it"
    other.run("INSERT INTO kept VALUES (43)")
    server.start()
    assert value(server.url, "SELECT count(*) FROM kept") == 2
    assert postmaster(database_folder).pid == shared
    other.leave()
    assert postmaster(database_folder).pid == shared, "now we are"
    server.stop()
    assert server_processes(database_folder) == []


def test_processes_that_start_together_on_a_new_folder_make_one_database(
    new_database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    together = [other_processes(new_database_folder) for _ in range(3)]
    for n, other in enumerate(together):
        other.ready().run(f"CREATE TABLE made_by_{n} (n int)")
    with EmbeddedServer(new_database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT count(*) FROM pg_tables WHERE tablename LIKE 'made_by_%'") == 3
    for other in together:
        assert server_processes(new_database_folder)
        other.leave()
    assert server_processes(new_database_folder) == []


def test_what_a_dead_first_process_left_behind_is_cleared_away(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    """A backend that cannot notice the death of the first process keeps the data locked; PostgreSQL alone would not start."""
    other = other_processes(
        database_folder, settings={}
    ).ready()  # settings as in service: what is told done is on disk
    other.run("CREATE TABLE kept AS SELECT 42 AS answer")
    first = postmaster(database_folder)
    backend = next(
        p for p in server_processes(database_folder) if "underweir" in " ".join(p.cmdline()) and p.pid != first.pid
    )
    backend.suspend()
    first.kill()
    first.wait()
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT answer FROM kept") == 42
    other.kill()
    with EmbeddedServer(database_folder, settings=FAST):
        pass
    assert server_processes(database_folder) == []


def test_an_interrupted_making_of_the_database_is_done_over(database_folder: Path) -> None:
    half = database_folder / "cluster.unfinished"
    (database_folder / "cluster").rename(half)
    (half / "global" / "pg_control").unlink()
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1
    assert not half.exists()


def test_waiting_for_a_slow_server_is_reported_and_goes_on(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    other = other_processes(database_folder).ready()
    first = postmaster(database_folder)
    first.suspend()
    told: list[str] = []

    def progress(line: str) -> None:
        told.append(line)
        if line.startswith("Waiting for the database"):
            first.resume()

    with EmbeddedServer(database_folder, settings=FAST, progress=progress) as server:
        assert value(server.url, "SELECT 1") == 1
    assert any(line.startswith("Waiting for the database") for line in told)
    other.leave()


def test_a_server_that_never_answers_is_an_error_with_its_last_words(
    database_folder: Path, other_processes: Callable[..., Other]
) -> None:
    other = other_processes(database_folder).ready()
    first = postmaster(database_folder)
    first.suspend()
    with pytest.raises(EmbeddedError, match=r"did not become ready within 1 s[\s\S]*database system is ready"):
        EmbeddedServer(database_folder, settings=FAST, start_limit_s=1.0).start()
    first.resume()
    other.run("SELECT 1")
    other.leave()


def test_a_server_that_cannot_start_says_why_and_leaves_nothing_behind(database_folder: Path) -> None:
    with pytest.raises(EmbeddedError, match=r"ended as it started[\s\S]*max_connections"):
        EmbeddedServer(database_folder, settings={"max_connections": "minus one"}).start()
    assert server_processes(database_folder) == []
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1


def test_a_process_that_holds_the_turn_for_ever_is_named(database_folder: Path) -> None:
    turn = FileLock(database_folder / "turn")
    assert turn.try_exclusive()
    with pytest.raises(EmbeddedError, match="Another process has been starting or stopping"):
        EmbeddedServer(database_folder, settings=FAST, start_limit_s=0.1).start()
    turn.close()


def test_data_of_another_major_version_are_refused_and_left_alone(database_folder: Path) -> None:
    version = database_folder / "cluster" / "PG_VERSION"
    version.write_text("17\n")
    with pytest.raises(EmbeddedError, match=r"made by PostgreSQL 17.*carries PostgreSQL 18.*pg_dump"):
        EmbeddedServer(database_folder, settings=FAST).start()
    assert server_processes(database_folder) == []
    version.write_text("18\n")
    with EmbeddedServer(database_folder, settings=FAST) as server:
        assert value(server.url, "SELECT 1") == 1


def test_a_folder_that_is_no_database_is_refused(database_folder: Path) -> None:
    (database_folder / "cluster" / "PG_VERSION").unlink()
    with pytest.raises(EmbeddedError, match="not a PostgreSQL data folder"):
        EmbeddedServer(database_folder, settings=FAST).start()


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


def test_a_thread_may_stop_what_another_started(database_folder: Path) -> None:
    server = EmbeddedServer(database_folder, settings=FAST)
    starter = threading.Thread(target=server.start)
    starter.start()
    starter.join()
    assert value(server.url, "SELECT 1") == 1
    server.stop()
    assert server_processes(database_folder) == []
