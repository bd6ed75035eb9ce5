"""The web application in its own process, started and supervised by ``underweir run`` (:mod:`service.pages_process`).

It has its own connections, a memory limit and a lower priority than the watch, and is killed before it when memory runs out. It ends
with the watch.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import threading
import time
from contextlib import suppress
from io import FileIO
from pathlib import Path

import structlog

from service import logs
from service.bootstrap import Installation, installation_in_force, wall_clock
from service.confinement import die_with, end_first
from service.errors import ConfigError, ServiceError, StorageError
from service.jobs.operations.database_clock import DatabaseClock
from service.jobs.operations.leadership import steady_clock
from service.pages_process import ALIVE, HEARTBEAT_S, SERVING
from service.settings import Settings, load_settings
from service.storage.database.session import make_engine, read_only, transaction
from service.storage.operations.leases import database_time
from service.storage.plant.site_tables import revision_in_force
from service.web.app import create_app
from service.web.server import WebServer, bind_socket

log = structlog.get_logger(__name__)

#: What the process may allocate; a report of a year takes a fifth of it. [byte]
MEMORY = 768 << 20
#: Stacks count too, and there may be sixty threads. [byte]
STACK = 2 << 20
#: The watch has priority.
NICE = 5
#: When memory runs out the pages are killed before the watch, and the file reader before the pages.
OUT_OF_MEMORY_SCORE = 500
#: Intervals for checking the version of the site file in force, and the database's time. [s]
CHECK_VERSION_S, SYNC_CLOCK_S = 1.0, 10.0
#: Retry interval while the database is away, or this node cannot use the version in force. [s]
RETRY_S = 5.0
#: After a stop, or the end of the watch, the process exits within this time. [s]
EXIT_TIMEOUT_S = 12.0


def main() -> None:
    """Serve the pages until standard input closes; its first line says where the database is."""
    # Without a buffer: the interpreter aborts where it ends while a thread waits in a buffered reader.
    pipe = FileIO(0, closefd=False)
    config = json.loads(pipe.readline())
    _confine(config["parent"])
    stopped = threading.Event()
    heartbeat = _Heartbeat()
    threading.Thread(target=_end_with_the_watch, args=[pipe, stopped], name="end", daemon=True).start()
    threading.Thread(target=heartbeat.run, name="beat", daemon=True).start()
    settings = load_settings()
    logs.configure(settings.log_level.upper())
    logs.register_secrets([*settings.secrets(), config["database_url"]])
    site_file = None if config["site_file"] is None else Path(config["site_file"])
    try:
        Pages(settings, config["database_url"], site_file, heartbeat).serve(stopped)
    except ConfigError as error:
        log.error("no pages", problem=str(error))
        sys.exit(2)


class Pages:
    """Serves the pages by the version of the site file in force."""

    def __init__(self, settings: Settings, database_url: str, site_file: Path | None, heartbeat: _Heartbeat) -> None:
        self._settings = settings
        self._site_file = site_file
        self._heartbeat = heartbeat
        self._engine = make_engine(database_url, application_name="underweir pages", pool_size=1)
        self._clock = DatabaseClock(wall_clock, steady_clock)
        self._synced_at = -SYNC_CLOCK_S
        self._tried_at = -RETRY_S

    def serve(self, stopped: threading.Event) -> None:
        """Serve until *stopped* is set.

        Raises
        ------
        ConfigError
            when the address cannot be had.
        """
        taken = bind_socket(self._settings.http_host, self._settings.http_port)
        plant = self._wait_for_installation(stopped)
        if plant is None:
            return
        server = WebServer(create_app(plant.pages(self._clock)), taken, self._settings.trusted_proxies)
        server.start()
        self._heartbeat.server = server
        while not stopped.wait(CHECK_VERSION_S):
            with suppress(StorageError):  # the pages say so themselves
                plant = self._follow_version(server, plant)
        server.stop()

    def _wait_for_installation(self, stopped: threading.Event) -> Installation | None:
        while not stopped.is_set():
            try:
                self._sync_clock()
                return self._load()
            except ServiceError as error:
                log.warning("the pages wait", error=str(error))
            stopped.wait(RETRY_S)
        return None

    def _load(self) -> Installation:
        plant = installation_in_force(self._settings, self._engine, self._site_file)
        plant.prepare()
        return plant

    def _follow_version(self, server: WebServer, plant: Installation) -> Installation:
        """Change to the version of the site file in force, if it is another one and this node understands it."""
        self._sync_clock()
        with transaction(read_only(self._engine)) as conn:
            newest = revision_in_force(conn)
        if plant.version is None or newest == plant.version.id or time.monotonic() - self._tried_at < RETRY_S:
            return plant
        self._tried_at = time.monotonic()
        try:
            plant = self._load()
        except ConfigError as error:
            log.error(
                "the site file in force cannot be gone by here; the pages go by the one before", problem=str(error)
            )
            return plant
        server.exchange(create_app(plant.pages(self._clock)))
        return plant

    def _sync_clock(self) -> None:
        """Synchronize the clock with the database's."""
        if time.monotonic() - self._synced_at < SYNC_CLOCK_S:
            return
        with transaction(read_only(self._engine)) as conn:
            asked_at = steady_clock()
            self._clock.observe(database_time(conn), asked_at, steady_clock())
        self._synced_at = time.monotonic()


class _Heartbeat:
    """Writes to the pipe whether the process serves; nothing while its server hangs."""

    def __init__(self) -> None:
        self.server: WebServer | None = None
        self._pipe = os.dup(1)
        os.dup2(2, 1)  # whatever is printed belongs to the log
        os.set_blocking(self._pipe, False)  # a watch that is held up must not hold up the pages

    def run(self) -> None:
        """Run until the process ends."""
        while True:
            server = self.server
            if server is None or server.answers:
                with suppress(OSError):
                    os.write(self._pipe, ALIVE if server is None else SERVING)
            time.sleep(HEARTBEAT_S)


def _confine(parent: int) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if sys.platform == "linux":
        # Also where no thread of ours gets to see the pipe close. Nothing to be gained by going on: nobody would be called.
        die_with(parent)
        end_first(OUT_OF_MEMORY_SCORE)
        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))  # it would hold passwords
    threading.stack_size(STACK)
    with suppress(OSError):
        os.nice(NICE)


def _end_with_the_watch(pipe: FileIO, stopped: threading.Event) -> None:
    pipe.readall()
    stopped.set()
    time.sleep(EXIT_TIMEOUT_S)
    os._exit(1)


if __name__ == "__main__":
    main()
