"""Start, share and stop the embedded PostgreSQL server, whose data are in one private folder.

The folder holds

``cluster/``     PostgreSQL's own files, owned by the account the server runs as
``run/``         the Unix socket (or ``socket-folder`` names a shorter path where this one would be too long)
``programs/``    a copy of the server's programs, only where the account cannot reach the installed ones
``postgres.log`` what the server has to say
``turn``         locked by one process at a time while it starts or stops the server
``users``        locked (shared) by every process that uses the server; who leaves last stops it
``alive``        locked by the server itself, through a descriptor it and all its children inherit

The system drops a lock when its last holder is gone, however it went. So a process number left behind in ``postmaster.pid``,
which may belong to anything by now, never has to be believed: as long as ``alive`` is locked some process of this server
runs, and when it is free none does.

There is no password and no network port. The socket is in a folder nobody else may enter, and the server asks the system
for the peer's account (peer authentication): only the account that started it may connect.
"""

from __future__ import annotations

import logging
import os
import subprocess
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType
from typing import Self
from urllib.parse import quote

import psycopg

from service.errors import EmbeddedError
from service.storage.database.file_locks import FileLock, StartStopLock, wait_until
from service.storage.database.roles import everyday_grants
from service.storage.embedded.account import Account, database_account, own_name, require_reachable
from service.storage.embedded.binaries import server_programs
from service.storage.embedded.cluster import (
    ADMIN,
    OWNER,
    ROLE,
    last_lines,
    make_cluster,
    remove_socket_folder,
    require_version,
    server_command,
    socket_folder,
)
from service.storage.embedded.server_process import Postmaster

DATABASE = "underweir"

#: Replaying the log after a crash may take long on a slow disk; the wait is reported, so it need not be short.
START_LIMIT_S = 1800.0
STOP_LIMIT_S = 120.0
#: One started anew while the service runs is left to its recovery after so long: the service may be told to stop meanwhile.
REVIVE_LIMIT_S = 30.0
LARGEST_LOG = 10_000_000


class EmbeddedServer:
    """One process's use of the embedded server of a data folder.

    Parameters
    ----------
    data_dir
        The database's own folder; made if missing. As root its parents must be open to the account the server runs as.
    progress
        Called with a sentence while starting takes longer than a second; the log by default.
    start_limit_s
        How long to wait for the server, recovery after a crash included [s].
    settings
        PostgreSQL settings to give the server when this process starts it.
    wheel
        Where the installed wheel is; found by itself if not given.

    Examples
    --------
    ::

        with EmbeddedServer(Path("/var/lib/underweir/database")) as server:
            engine = make_engine(server.url)
    """

    def __init__(
        self,
        data_dir: Path,
        *,
        progress: Callable[[str], None] | None = None,
        start_limit_s: float = START_LIMIT_S,
        settings: Mapping[str, str] | None = None,
        wheel: Path | None = None,
    ) -> None:
        self._folder = data_dir.absolute()
        self._cluster = self._folder / "cluster"
        self._log = self._folder / "postgres.log"
        self._progress = progress if progress is not None else logging.getLogger(__name__).info
        self._start_limit_s = start_limit_s
        self._settings = dict(settings or {})
        self._wheel = wheel
        self._users: FileLock | None = None
        self._url = ""

    @property
    def url(self) -> str:
        """The database's URL, for libpq and SQLAlchemy alike."""
        if not self._url:
            raise EmbeddedError("The embedded database is not started.")
        return self._url

    @property
    def owner_url(self) -> str:
        """The database's URL for the owner of the tables, who migrates them."""
        return self.url.replace(f"//{ROLE}@", f"//{OWNER}@", 1)

    @property
    def admin_url(self) -> str:
        """The database's URL for the server's superuser."""
        return self.url.replace(f"//{ROLE}@", f"//{ADMIN}@", 1)

    def start(self) -> str:
        """Start the server, or join it where another process has; return the URL of the database.

        Raises
        ------
        EmbeddedError
            It cannot be started; the message says why, with the server's last words, and what to do.
        """
        if self._users is not None:
            return self.url
        self._make_folder()
        with self._turn(self._start_limit_s):
            self._users = FileLock(self._folder / "users")
            self._users.acquire_shared()
            try:
                self._url = self._running_url(self._start_limit_s)
            except BaseException:
                self._leave()
                raise
        return self._url

    def revive(self) -> bool:
        """Start the server again if nothing of it lives any more; returns whether it had to be.

        Notes
        -----
        The server restarts its own processes when one of them dies. It ends as a whole where its first process is killed for
        want of memory, or its disk is full when it replays its log; nobody but its users would start it again then.

        Raises
        ------
        EmbeddedError
            It cannot be started; it may be tried again.
        """
        if self._users is None:
            return False
        with self._turn(REVIVE_LIMIT_S):
            if self._alive():
                return False
            self._url = self._running_url(REVIVE_LIMIT_S)
            return True

    def stop(self) -> None:
        """Leave the server; the last process to leave stops it."""
        if self._users is None:
            return
        with self._turn(self._start_limit_s):
            self._leave()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    # --- in turn: all below runs while this process holds the turn ------------------------------------------------------

    def _turn(self, limit_s: float) -> StartStopLock:
        return StartStopLock(self._folder / "turn", limit_s, self._progress)

    def _running_url(self, limit_s: float) -> str:
        account = database_account(self._cluster)
        require_reachable(self._folder, account)
        require_version(self._cluster)
        programs = server_programs(account, self._folder / "programs", self._wheel)
        sockets = socket_folder(self._folder, account)
        postmaster = Postmaster(self._cluster, sockets, programs)
        launched = self._launch_unless_alive(account, programs, sockets)
        if not self._ready(postmaster, limit_s) and not launched:  # what ran was ending, or was only left over
            self._launch_unless_alive(account, programs, sockets)
            self._ready(postmaster, limit_s)
        if not postmaster.is_ready():
            raise EmbeddedError(
                f"The database server ended as it started. It last said ({self._log}):\n{self._last_words()}",
                retryable=True,  # as on a full disk
            )
        return self._database(sockets)

    def _launch_unless_alive(self, account: Account, programs: Path, sockets: Path) -> bool:
        alive = FileLock(self._folder / "alive")
        try:
            if not alive.try_exclusive():
                self._progress("The database is already running; joining it.")
                return False
            self._launch(account, programs, sockets, alive)
            return True
        finally:
            alive.close()

    def _launch(self, account: Account, programs: Path, sockets: Path, alive: FileLock) -> None:
        if not self._cluster.is_dir():
            self._progress("Making a new database; this happens once.")
            make_cluster(self._cluster, account, programs, flush=self._settings.get("fsync") != "off")
        (self._cluster / "postmaster.pid").unlink(missing_ok=True)  # nobody holds ``alive``: whatever it says is over
        self._write("hba.conf", "".join(f"local all {role} peer map=owner\n" for role in (ADMIN, OWNER, ROLE)))
        self._write("ident.conf", "".join(f'owner "{own_name()}" {role}\n' for role in (ADMIN, OWNER, ROLE)))
        command = server_command(programs, self._cluster, self._folder, sockets, self._settings)
        if self._log.is_file() and self._log.stat().st_size > LARGEST_LOG:
            self._log.rename(self._log.with_suffix(".log.1"))
        log = os.open(self._log, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd="/",
                env={"PATH": os.defpath, "LC_ALL": "C"},
                pass_fds=(alive.descriptor,),  # the lock passes to the server and everything it starts
                start_new_session=True,  # Ctrl-C at our terminal is ours to handle
                **account.run_as(),
            )
        except OSError as error:
            raise EmbeddedError(f"The database server cannot be started: {error}", retryable=True) from error
        finally:
            os.close(log)
        # It may well outlive this process; while it does not, its end is noted so that it never stays a zombie.
        threading.Thread(target=process.wait, name="embedded-database", daemon=True).start()

    def _ready(self, postmaster: Postmaster, limit_s: float) -> bool:
        """Wait until the server takes connections (True) or is gone (False)."""
        reported = ""

        def report() -> None:
            nonlocal reported
            line = f"Waiting for the database: {self._last_words(1)}"
            if line != reported:
                reported = line
                self._progress(line)

        ready = False

        def settled() -> bool:
            nonlocal ready
            ready = postmaster.is_ready()
            return ready or not self._alive()

        if not wait_until(settled, limit_s, report):
            raise EmbeddedError(
                f"The database did not become ready within {limit_s:.0f} s; started again it takes its recovery"
                f" up where it was. It last said ({self._log}):\n{self._last_words()}",
                retryable=True,
            )
        return ready

    def _database(self, sockets: Path) -> str:
        address = f"host={quote(str(sockets), safe='/')}&port=5432"
        try:
            with psycopg.connect(f"postgresql://{ADMIN}@/postgres?{address}", autocommit=True) as connection:
                found = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE]).fetchone()
                if found is None:
                    self._make_database(connection, address)
        except psycopg.Error as error:
            raise EmbeddedError(
                f"The embedded database answers, but not to us: {error}. It last said:\n{self._last_words()}"
            ) from error
        return f"postgresql://{ROLE}@/{DATABASE}?{address}"

    def _make_database(self, connection: psycopg.Connection, address: str) -> None:
        """Make roles and database beside their place; they have their name when all is as it should be."""
        for role in (OWNER, ROLE):
            if connection.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [role]).fetchone() is None:
                connection.execute(f"CREATE ROLE {role} LOGIN")
            connection.execute(f"GRANT pg_read_all_stats TO {role}")
        connection.execute(f"DROP DATABASE IF EXISTS {DATABASE}_unfinished")
        connection.execute(f"CREATE DATABASE {DATABASE}_unfinished OWNER {OWNER}")
        with psycopg.connect(f"postgresql://{OWNER}@/{DATABASE}_unfinished?{address}", autocommit=True) as made:
            for statement in everyday_grants(ROLE):
                made.execute(statement)
        connection.execute(f"ALTER DATABASE {DATABASE}_unfinished RENAME TO {DATABASE}")

    def _leave(self) -> None:
        users, self._users, self._url = self._users, None, ""
        if users is None:
            return
        try:
            users.release()
            if users.try_exclusive():
                self._stop_server()
        finally:
            users.close()

    def _stop_server(self) -> None:
        if self._alive():
            sockets = socket_folder(self._folder, database_account(self._cluster))
            postmaster = Postmaster(self._cluster, sockets, programs=None)
            postmaster.stop_fast()
            if not wait_until(lambda: not self._alive(), STOP_LIMIT_S if postmaster.pid() else 1.0):
                postmaster.stop_immediate()
                if not wait_until(lambda: not self._alive(), 10.0):
                    raise EmbeddedError(f"The embedded database does not stop; its processes work in {self._cluster}.")
        remove_socket_folder(self._folder)

    def _alive(self) -> bool:
        alive = FileLock(self._folder / "alive")
        try:
            return not alive.try_exclusive()
        finally:
            alive.close()

    # --- files ---------------------------------------------------------------------------------------------------------

    def _make_folder(self) -> None:
        root = os.geteuid() == 0
        try:
            for parent in reversed([p for p in self._folder.parents if not p.exists()]):
                parent.mkdir()
                parent.chmod(0o755)
            if not self._folder.exists():
                self._folder.mkdir(mode=0o700)
                if root:
                    self._folder.chmod(
                        0o711
                    )  # the server's account passes through to what is its own, and sees no more
            elif self._folder.stat().st_uid != os.geteuid():
                raise EmbeddedError(
                    f"The database folder {self._folder} belongs to another user: start the program as that user,"
                    " or choose another data folder (UNDERWEIR_DATA_DIR)."
                )
        except OSError as error:
            raise EmbeddedError(
                f"The database folder {self._folder} cannot be made: {error.strerror}. Choose another (UNDERWEIR_DATA_DIR)."
            ) from error

    def _write(self, name: str, content: str) -> None:
        unfinished = self._folder / f"{name}.unfinished"
        unfinished.unlink(missing_ok=True)
        unfinished.write_text(content, encoding="utf-8")
        unfinished.chmod(0o644)  # the server's account reads it; there is no secret in it
        unfinished.rename(self._folder / name)

    def _last_words(self, count: int = 15) -> str:
        try:
            with self._log.open("rb") as log:
                log.seek(max(0, self._log.stat().st_size - 20_000))
                return last_lines(log.read().decode("utf-8", "replace"), count)
        except OSError:
            return "(no log)"
