"""File locks (flock), which the system releases when their last holder ends, however it ends."""

from __future__ import annotations

import fcntl
import os
import time
from collections.abc import Callable
from pathlib import Path

from service.errors import EmbeddedError


class FileLock:
    """A lock on a file, shared or exclusive.

    The lock belongs to the opened file: a child process given the descriptor holds it too, until it ends.
    """

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)

    @property
    def descriptor(self) -> int:
        """The file descriptor, to pass to a child process."""
        return self._fd

    def try_exclusive(self) -> bool:
        """Take the exclusive lock without waiting; False when another process has the lock."""
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def acquire_shared(self) -> None:
        """Take the shared lock."""
        fcntl.flock(self._fd, fcntl.LOCK_SH)

    def acquire_exclusive(self, limit_s: float, waiting: Callable[[], None]) -> bool:
        """Take the exclusive lock; call ``waiting`` about once a second meanwhile. False after the time limit."""
        return wait_until(self.try_exclusive, limit_s, waiting)

    def release(self) -> None:
        """Release the lock, also for children that still have the file open."""
        fcntl.flock(self._fd, fcntl.LOCK_UN)

    def close(self) -> None:
        """Close the file; the lock remains while a child has it open."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


class StartStopLock:
    """Context manager under which one process at a time starts or stops the server."""

    def __init__(self, path: Path, limit_s: float, progress: Callable[[str], None]) -> None:
        self._lock = FileLock(path)
        self._limit_s = limit_s
        self._progress = progress

    def __enter__(self) -> None:
        reported = False

        def report() -> None:
            nonlocal reported
            if not reported:
                reported = True
                self._progress("Waiting for another process that is starting or stopping the database.")

        if not self._lock.acquire_exclusive(self._limit_s, report):
            self._lock.close()
            raise EmbeddedError(
                "Another process has been starting or stopping the embedded database for too long; end it."
            )

    def __exit__(self, *_: object) -> None:
        self._lock.close()


def wait_until(done: Callable[[], bool], limit_s: float, waiting: Callable[[], None] | None = None) -> bool:
    """Poll ``done``, quickly at first; False after ``limit_s`` seconds."""
    end = time.monotonic() + limit_s
    reported = time.monotonic()
    pause = 0.01
    while not done():
        now = time.monotonic()
        if now >= end:
            return False
        if waiting is not None and now - reported >= 1.0:
            reported = now
            waiting()
        time.sleep(min(pause, max(0.0, end - now)))
        pause = min(pause * 1.5, 0.25)
    return True
