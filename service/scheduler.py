"""The timetable: runs each task at its interval.

Every task is a function of ``now``. A task never overlaps itself, runs missed while the machine was asleep are made up once, and a
task that fails is logged and runs again at its next time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import structlog
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from service.errors import ServiceError

log = structlog.get_logger(__name__)

#: A wall clock that moves by more than this between two checks was set; slewing moves it by far less [s].
CLOCK_STEP_S, CLOCK_LOOK_S = 2.0, 1.0


@dataclass(frozen=True, slots=True)
class Task:
    """A job and its interval."""

    name: str
    run: Callable[[datetime], object]
    every: timedelta
    work: str = ""  #: the lease it needs: without it a run does nothing. Empty: none


#: Called after a run of a task: its name, when it began, its duration [s], and the error (empty: none).
RunRecorder = Callable[[str, datetime, float, str], None]


def _ignore(job: str, began_at: datetime, seconds: float, error: str) -> None:
    """Record nothing."""


def wall_clock() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


class Timetable:
    """Runs tasks in threads of their own until stopped."""

    def __init__(
        self, tasks: Iterable[Task], clock: Callable[[], datetime] = wall_clock, *, record: RunRecorder = _ignore
    ) -> None:
        self._clock = clock
        self._record = record
        self._stopped = threading.Event()
        self._watcher = threading.Thread(target=self._watch_clock, name="watch clock", daemon=True)
        tasks = list(tasks)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            # A thread for every task: a device that hangs must not delay the alarms.
            executors={"default": ThreadPoolExecutor(max_workers=max(1, len(tasks)))},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        for task in tasks:
            self._scheduler.add_job(
                self._guarded,
                trigger="interval",
                seconds=task.every.total_seconds(),
                args=[task],
                id=task.name,
                name=task.name,
                next_run_time=wall_clock(),
            )

    def start(self) -> None:
        """Begin; returns at once."""
        self._scheduler.start()
        self._watcher.start()

    def stop(self) -> None:
        """Start no more tasks, and return when the running ones have ended."""
        self._stopped.set()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)

    def _watch_clock(self) -> None:
        """Run all tasks when the machine's clock is set: APScheduler has planned them by the old one.

        A clock set back by an hour would stop the evaluation of alarms for that hour.
        """
        known = self._wall_minus_monotonic()
        while not self._stopped.wait(CLOCK_LOOK_S):
            found = self._wall_minus_monotonic()
            if abs(found - known) > CLOCK_STEP_S:
                log.warning("the clock was set; every task runs now", by_seconds=round(found - known, 1))
                for job in self._scheduler.get_jobs():
                    job.modify(next_run_time=wall_clock())
                known = found

    def _wall_minus_monotonic(self) -> float:
        """The wall clock minus the monotonic clock [s]; it changes only when the wall clock is set."""
        return wall_clock().timestamp() - time.monotonic()

    def _guarded(self, task: Task) -> None:
        now, began, wrong = self._clock(), time.monotonic(), ""
        try:
            task.run(now)
        except ServiceError as error:
            wrong = str(error)
            log.warning("job failed", job=task.name, error=wrong, retryable=error.retryable)
        except Exception as error:
            # An unforeseen error in one task must not stop the others.
            wrong = f"{type(error).__name__}: {error}"
            log.exception("job failed unexpectedly", job=task.name)
        self._record(task.name, now, time.monotonic() - began, wrong)
