"""Real PostgreSQL servers on this machine: a primary and a standby that can be killed, paused, promoted and built again."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, LiteralString

import psutil
import psycopg

from tests.support.plant_servers import free_port
from tests.support.small_disk import SmallDisk

#: Where Debian puts the programs of each version.
DEBIAN = Path("/usr/lib/postgresql")
NEEDED = ("initdb", "postgres", "pg_basebackup")
PATIENCE_S = 300.0
USER = "underweir"


def programs() -> Path | None:
    """The folder of the newest server programs that are installed, or None."""
    folders = [Path(named).parent] if (named := shutil.which("initdb")) else []
    if DEBIAN.is_dir():
        folders += sorted((f / "bin" for f in DEBIAN.iterdir()), key=lambda f: float(f.parent.name), reverse=True)
    return next((f for f in folders if all((f / name).is_file() for name in NEEDED)), None)


def missing() -> str:
    """Why no server can be started; empty if one can."""
    return "" if programs() else "there are no PostgreSQL server programs on this machine (apt-get install postgresql)"


class PostgresServer:
    """One server with a folder and a port of its own; never run as root, which PostgreSQL refuses.

    Parameters
    ----------
    disk_size : gives its data a small disk of their own, where that can be mounted; see ``disk``.
    """

    def __init__(self, folder: Path, port: int | None = None, *, disk_size: str | None = None) -> None:
        found = programs()
        assert found is not None, missing()
        self._programs = found
        self.folder = folder
        self.disk = None if disk_size is None else SmallDisk(folder / "disk", disk_size)
        self.data = (folder if self.disk is None else self.disk.folder) / "data"
        self.port = port or free_port()
        self.process: subprocess.Popen[bytes] | None = None
        self._account: dict[str, Any] = {}
        folder.mkdir(parents=True, exist_ok=True)
        if os.geteuid() == 0:
            account = pwd.getpwnam("nobody")
            self._account = {"user": account.pw_uid, "group": account.pw_gid, "extra_groups": []}
            for owned in (folder, self.data.parent):
                os.chown(owned, account.pw_uid, account.pw_gid)

    @property
    def url(self) -> str:
        """Where clients find it."""
        return f"postgresql://{USER}@127.0.0.1:{self.port}/underweir"

    def create(self) -> None:
        """Make an empty cluster."""
        self._run("initdb", "-D", str(self.data), "-U", USER, "--auth=trust", "--encoding=UTF8", "--no-sync")

    def copy_from(self, primary: PostgresServer) -> None:
        """Become the standby of another server, from nothing."""
        shutil.rmtree(self.data, ignore_errors=True)
        if self.disk is not None:
            self.disk.free()
        source = f"host=127.0.0.1 port={primary.port} user={USER} application_name=standby"
        self._run("pg_basebackup", "-d", source, "-D", str(self.data), "-R", "-X", "stream", "-c", "fast", "--no-sync")
        # Once promoted it shall not wait for a standby it does not have.
        kept = self.data / "postgresql.auto.conf"
        lines = kept.read_text("utf-8").splitlines(keepends=True)
        kept.write_text("".join(line for line in lines if not line.startswith("synchronous_standby_names")), "utf-8")

    def start(self, **settings: str) -> None:
        """Start it; returns when it answers."""
        given = {
            "port": str(self.port),
            "listen_addresses": "127.0.0.1",
            "unix_socket_directories": "",
            "max_connections": "60",
            "shared_buffers": "32MB",
            # The log of a small disk is kept small, but long enough for a standby that was away for a round.
            "wal_keep_size": "256MB" if self.disk is None else "64MB",
            "max_wal_size": "256MB" if self.disk is None else "64MB",
            "min_wal_size": "80MB" if self.disk is None else "32MB",
            "dynamic_shared_memory_type": "mmap",  # nothing is left behind in /dev/shm by a kill
        } | settings
        options = [part for name, value in given.items() for part in ("-c", f"{name}={value}")]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(
                [str(self._programs / "postgres"), "-D", str(self.data), *options],
                stdout=log,
                stderr=log,
                cwd="/",
                **self._account,
            )
        wait_for(self.answers, f"{self.folder} does not start:\n{self.said()}")

    @property
    def running(self) -> bool:
        """Whether it was started and has not ended, by itself or otherwise."""
        return self.process is not None and self.process.poll() is None

    def recover(self) -> None:
        """Free its disk, and start it if it has ended, as an administrator would; returns when it answers."""
        self.go_on()
        if self.disk is not None:
            self.disk.free()
        if not self.running:
            self.process = None
            self.start()
        wait_for(lambda: self.answers() or not self.running, f"{self.folder} hangs:\n{self.said()}")
        if not self.running:  # it ended only now, of what its disk had done to it
            self.start()

    def use_up_log(self, segments: int) -> None:
        """Begin new segments of the log, until there is no place for another one: then it panics."""
        for _ in range(segments):
            self.ask("SELECT pg_logical_emit_message(false, 'fill', 'x')", database="postgres")
            if not self.running or self.ask("SELECT pg_switch_wal()", database="postgres") is None:
                return

    def answers(self) -> bool:
        """Whether it takes connections."""
        return self.ask("SELECT true", database="postgres") is not None

    def ask(self, query: LiteralString, database: str = "underweir") -> Any:
        """The first column of a query's first row; None where the server is away or there is none."""
        try:
            with psycopg.connect(
                host="127.0.0.1", port=self.port, user=USER, dbname=database, connect_timeout=3, autocommit=True
            ) as connection:
                cursor = connection.execute(query)
                row = cursor.fetchone() if cursor.description else None
                return None if row is None else row[0]
        except psycopg.Error:
            return None

    def promote(self) -> None:
        """Make a standby take writes."""
        assert self.ask("SELECT pg_promote(true, 60)", database="postgres") is True, self.said()

    def pause(self) -> None:
        """Stop every one of its processes where it stands."""
        self._signal(signal.SIGSTOP)

    def go_on(self) -> None:
        """Let it go on."""
        self._signal(signal.SIGCONT)

    def kill(self) -> None:
        """Kill -9 every one of its processes."""
        if self.process is not None:
            self._signal(signal.SIGKILL)
            self.process.wait(PATIENCE_S)
            self.process = None

    def stop(self) -> None:
        """Stop it as an administrator in a hurry does: sessions are ended, the log is brought to disk."""
        if self.process is not None:
            self.go_on()  # paused, it would not hear
            self.process.send_signal(signal.SIGINT)
            self.process.wait(PATIENCE_S)
            self.process = None

    def said(self) -> str:
        """The end of its log."""
        with contextlib.suppress(OSError):
            return (self.folder / "log").read_text("utf-8", "replace")[-3000:]
        return ""

    def _signal(self, number: signal.Signals) -> None:
        if self.process is None or not self.running:
            return  # another fault of the same round has ended it
        with contextlib.suppress(psutil.NoSuchProcess):
            first = psutil.Process(self.process.pid)
            for process in (first, *first.children(recursive=True)):
                with contextlib.suppress(psutil.NoSuchProcess):
                    process.send_signal(number)

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self._programs / program), *arguments],
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
            cwd="/",
            env={"PATH": os.environ["PATH"], "LC_ALL": "C"},
            **self._account,
        )
        assert done.returncode == 0, f"{program}: {done.stderr}"


class PostgresPair:
    """A primary and its standby, which take turns. With *synchronous*, a commit is told only when both have it.

    Parameters
    ----------
    disk_size : gives each a small disk of its own, where one can be mounted.
    """

    def __init__(self, folder: Path, *, synchronous: bool = True, disk_size: str | None = None) -> None:
        self._synchronous = synchronous
        self.primary = PostgresServer(folder / "one", disk_size=disk_size)
        self.standby = PostgresServer(folder / "two", disk_size=disk_size)

    def start(self) -> None:
        """Build and start both."""
        self.primary.create()
        self.primary.start()
        # CREATE DATABASE gives no row, and `ask` swallows errors: what counts is that the database answers.
        self.primary.ask("CREATE DATABASE underweir", database="postgres")
        assert self.primary.ask("SELECT true") is True
        self.attach()

    @property
    def url(self) -> str:
        """Both servers, whichever is the primary."""
        ports = sorted((self.primary.port, self.standby.port))
        return f"postgresql://{USER}@127.0.0.1:{ports[0]},127.0.0.1:{ports[1]}/underweir"

    def attach(self) -> None:
        """Build the standby from the primary, and have it follow."""
        self.standby.kill()
        self.standby.copy_from(self.primary)
        self.standby.start()
        wait_for(lambda: self.primary.ask("SELECT count(*) FROM pg_stat_replication") == 1, self.standby.said())
        if self._synchronous:
            self.primary.ask("ALTER SYSTEM SET synchronous_standby_names = '*'")
            self.primary.ask("SELECT pg_reload_conf()")
            wait_for(
                lambda: self.primary.ask("SELECT sync_state FROM pg_stat_replication") == "sync", self.primary.said()
            )

    def fail_over(self) -> None:
        """Kill the primary and promote the standby. The old primary's data are history; attach() builds it again."""
        self.primary.kill()
        self.standby.promote()
        self.primary, self.standby = self.standby, self.primary

    def close(self) -> None:
        """Stop both."""
        for server in (self.primary, self.standby):
            with contextlib.suppress(AssertionError):
                server.kill()
            if server.disk is not None:
                server.disk.unmount()


@contextlib.contextmanager
def postgres_pair(folder: Path, *, synchronous: bool = True, disk_size: str | None = None) -> Iterator[PostgresPair]:
    """A primary and its standby, gone afterwards."""
    pair = PostgresPair(folder, synchronous=synchronous, disk_size=disk_size)
    try:
        pair.start()
        yield pair
    finally:
        pair.close()


def wait_for(done: Callable[[], bool], otherwise: str, patience_s: float = PATIENCE_S) -> None:
    """Look until something is so."""
    deadline = time.monotonic() + patience_s
    while not done():
        assert time.monotonic() < deadline, otherwise
        time.sleep(0.05)
