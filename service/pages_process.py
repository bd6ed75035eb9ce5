"""Supervises the process of the pages: starts it, reads its heartbeat, kills it when it hangs, and restarts it.

What people do with pages must delay no evaluation and no message. So the pages are a separate process (:mod:`service.pages`), joined
by two pipes: one carries the configuration and ends the pages when it closes, the other a heartbeat byte every few seconds.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import structlog

log = structlog.get_logger(__name__)

#: Heartbeat bytes: alive; alive and serving.
ALIVE, SERVING = b".", b"+"
#: The interval of the heartbeat. [s]
HEARTBEAT_S = 2.0
#: Pages without a heartbeat for so long hang: a thread that computes, or waits for memory, lets the others run. [s]
HEARTBEAT_TIMEOUT_S = 60.0
#: Restart delay: the first, doubling up to the second, reset after a life of the third. [s]
FIRST_RESTART_S, MAX_RESTART_S, STABLE_S = 1.0, 60.0, 300.0
#: Time for requests under way to end when the service stops. [s]
STOP_S = 15.0

#: -P: no module is imported from the working folder.
COMMAND = (sys.executable, "-P", "-m", "service.pages")


class PagesProcess:
    """Keeps the pages' process running, from its own thread.

    Parameters
    ----------
    database_url : where the pages find the database, its password included.
    site_file : what the folders of the site file are relative to.
    command : what to start.
    heard_within, first_again, longest_again : :data:`HEARTBEAT_TIMEOUT_S`, :data:`FIRST_RESTART_S`, :data:`MAX_RESTART_S`.
    """

    def __init__(
        self,
        database_url: str,
        site_file: Path | None,
        *,
        command: Sequence[str] = COMMAND,
        heartbeat_timeout: float = HEARTBEAT_TIMEOUT_S,
        first_restart: float = FIRST_RESTART_S,
        max_restart: float = MAX_RESTART_S,
    ) -> None:
        self._config = {"database_url": database_url, "site_file": None if site_file is None else str(site_file)}
        self._command = list(command)
        self._heartbeat_timeout = heartbeat_timeout
        self._first_restart, self._max_restart = first_restart, max_restart
        self._stop = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()
        self._served_at = time.monotonic()
        self._problem = ""
        self._last_end = ""  #: why they ended last, until that is taken
        # It starts the process, and lives as long: the system ends a child with the very thread that started it.
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)

    @property
    def pid(self) -> int | None:
        """The number of the process; None while there is none."""
        process = self._process
        return None if process is None else process.pid

    @property
    def trouble(self) -> str:
        """Why the pages are not served; empty while they are, and in the first minute."""
        silent = time.monotonic() - self._served_at
        if not self._problem and silent <= self._heartbeat_timeout:
            return ""
        return f"the pages are down: {self._problem or 'they do not answer'}"

    def take_trouble(self) -> str:
        """As :attr:`trouble`, or why they were down since the last call although they are served again."""
        last_end, self._last_end = self._last_end, ""
        return self.trouble or (last_end and f"the pages were down: {last_end}")

    def start(self) -> None:
        """Begin; returns at once."""
        self._thread.start()

    def stop(self) -> None:
        """Let requests under way end, and return when the process has ended."""
        self._stop.set()
        with self._lock:
            if self._process is not None:
                _close(self._process)
        self._thread.join()

    def _run(self) -> None:
        again = self._first_restart
        while not self._stop.is_set():
            began = time.monotonic()
            try:
                self._problem = self._run_once()
            except OSError as error:  # no memory, no descriptor, no process number left
                self._problem = f"their process cannot be started: {error}"
            if self._stop.is_set():
                return
            self._last_end = self._problem
            if time.monotonic() - began > STABLE_S:
                again = self._first_restart
            log.error("the pages are down; the watch goes on", problem=self._problem, again_in_s=round(again, 1))
            self._stop.wait(again)
            again = min(2 * again, self._max_restart)

    def _run_once(self) -> str:
        """One life of the process; returns how it ended."""
        with subprocess.Popen(
            self._command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=_environment(),
            start_new_session=True,  # Ctrl-C at our terminal is ours to handle
        ) as process:
            try:
                with self._lock:
                    self._process = process
                    assert process.stdin is not None
                    with suppress(BrokenPipeError):
                        process.stdin.write(json.dumps(self._config | {"parent": os.getpid()}).encode() + b"\n")
                        process.stdin.flush()
                    if self._stop.is_set():
                        _close(process)
                return self._listen(process)
            finally:
                process.kill()  # whatever is left of it
                self._process = None
                _close(process)

    def _listen(self, process: subprocess.Popen[bytes]) -> str:
        assert process.stdout is not None
        pipe = process.stdout.fileno()
        received_at, stop_at = time.monotonic(), 0.0
        while True:
            found, _, _ = select.select([pipe], [], [], min(1.0, self._heartbeat_timeout / 4))
            now = time.monotonic()
            received = os.read(pipe, 4096) if found else None
            if received == b"":
                with suppress(subprocess.TimeoutExpired):
                    return f"their process ended{_status(process.wait(1.0))}"
                return "their process closed its line"
            if received:
                received_at = now
                if received.endswith(SERVING):
                    self._served_at, self._problem = now, ""
            elif now - received_at > self._heartbeat_timeout:
                return f"their process said nothing for {now - received_at:.0f} s, and was ended"
            if self._stop.is_set():
                stop_at = stop_at or now + STOP_S
                if now > stop_at:
                    log.warning("the pages do not stop; their process is ended")
                    return "stopped"


def _status(status: int) -> str:
    return f" by signal {-status}" if status < 0 else f" with exit status {status}"


def _close(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    with suppress(OSError):
        process.stdin.close()


def _environment() -> dict[str, str]:
    """Our environment, with our module path, and few malloc arenas: else each thread would keep memory of its own."""
    parts = os.pathsep.join(os.path.abspath(part) for part in sys.path)
    return os.environ | {"PYTHONPATH": parts, "MALLOC_ARENA_MAX": "2", "OPENBLAS_NUM_THREADS": "1"}
