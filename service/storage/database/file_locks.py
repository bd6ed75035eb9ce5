"""Locks on files, which the system releases when their last holder dies, however it dies."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable
from pathlib import Path

from service.errors import EmbeddedError


class FileLock:
    """One holder's lock on a file, shared or exclusive.

    The lock belongs to the opened file: a child process given the descriptor holds it too, until it ends.
    """

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)

    @property
    def descriptor(self) -> int:
        """The open file, to be handed to a child process."""
        return self._fd

    def try_exclusive(self) -> bool:
        """Take the lock alone, without waiting; False when somebody else holds it."""
        return self._try(fcntl.LOCK_EX)

    def acquire_shared(self) -> None:
        """Take the lock together with others."""
        fcntl.flock(self._fd, fcntl.LOCK_SH)

    def acquire_exclusive(self, limit_s: float, waiting: Callable[[], None]) -> bool:
        """Take the lock alone; call ``waiting`` about once a second meanwhile. False when the limit has passed."""
        return wait_until(self.try_exclusive, limit_s, waiting)

    def release(self) -> None:
        """Give the lock up, also for children that still have the file open."""
        fcntl.flock(self._fd, fcntl.LOCK_UN)

    def close(self) -> None:
        """Close the file; the lock lives on while a child has it open."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _try(self, kind: int) -> bool:
        try:
            fcntl.flock(self._fd, kind | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


class StartStopLock:
    """Hold the turn to start or stop the server, which one process at a time does."""

    def __init__(self, path: Path, limit_s: float, progress: Callable[[str], None]) -> None:
        self._lock = FileLock(path)
        self._limit_s = limit_s
        self._progress = progress

    def __enter__(self) -> None:
        told = False

        def tell() -> None:
            nonlocal told
            if not told:
                told = True
                self._progress("Waiting for another process that is starting or stopping the database.")

        if not self._lock.acquire_exclusive(self._limit_s, tell):
            self._lock.close()
            raise EmbeddedError(
                "Another process has been starting or stopping the embedded database for too long; end it."
            )

    def __exit__(self, *_: object) -> None:
        self._lock.close()


def wait_until(done: Callable[[], bool], limit_s: float, waiting: Callable[[], None] | None = None) -> bool:
    """Ask ``done`` again and again, quickly at first; False when ``limit_s`` seconds have passed."""
    end = time.monotonic() + limit_s
    said = time.monotonic()
    pause = 0.01
    while not done():
        now = time.monotonic()
        if now >= end:
            return False
        if waiting is not None and now - said >= 1.0:
            said = now
            waiting()
        time.sleep(min(pause, max(0.0, end - now)))
        pause = min(pause * 1.5, 0.25)
    return True
