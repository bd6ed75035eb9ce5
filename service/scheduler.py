"""The timetable: which job runs how often.

Every job is a function of ``now``. A job never overlaps itself, runs missed while the machine was asleep are made up once,
and a job that fails is reported and tried again at its next turn.
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

#: A clock that moves by more than this between two looks was set; slewing moves it by far less [s].
CLOCK_STEP_S, CLOCK_LOOK_S = 2.0, 1.0


@dataclass(frozen=True, slots=True)
class Task:
    """One line of the timetable."""

    name: str
    run: Callable[[datetime], object]
    every: timedelta
    work: str = ""  #: the lease it needs; where another node holds that, a run does nothing. Empty: none


#: Told when a run of a task is over: its name, when it began, how long it took [s], and what went wrong (empty: nothing).
Noted = Callable[[str, datetime, float, str], None]


def _unnoted(job: str, began_at: datetime, seconds: float, error: str) -> None:
    """Nobody wants to know."""


def wall_clock() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


class Timetable:
    """Runs tasks in threads of their own until stopped."""

    def __init__(
        self, tasks: Iterable[Task], clock: Callable[[], datetime] = wall_clock, *, noted: Noted = _unnoted
    ) -> None:
        self._clock = clock
        self._noted = noted
        self._over = threading.Event()
        self._watcher = threading.Thread(target=self._watch_clock, name="watch clock", daemon=True)
        tasks = list(tasks)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            # A thread for every task: a device that hangs must not hold up the alarms.
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
        """Let running jobs end, start no new ones, and return when all is quiet."""
        self._over.set()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=True)

    def _watch_clock(self) -> None:
        """See the machine's clock being set: APScheduler goes by it, and reckoned by the old one when tasks are due.

        Set back by an hour, it would leave the alarms unwatched for that hour.
        """
        known = self._ahead()
        while not self._over.wait(CLOCK_LOOK_S):
            found = self._ahead()
            if abs(found - known) > CLOCK_STEP_S:
                log.warning("the clock was set; every task runs now", by_seconds=round(found - known, 1))
                for job in self._scheduler.get_jobs():
                    job.modify(next_run_time=wall_clock())
                known = found

    def _ahead(self) -> float:
        """The time of day less the steady clock [s]; it changes only when the clock is set."""
        return wall_clock().timestamp() - time.monotonic()

    def _guarded(self, task: Task) -> None:
        now, began, wrong = self._clock(), time.monotonic(), ""
        try:
            task.run(now)
        except ServiceError as error:
            wrong = str(error)
            log.warning("job failed", job=task.name, error=wrong, retryable=error.retryable)
        except Exception as error:
            # The last line of defence: an unforeseen error in one job must not end the night's watch.
            wrong = f"{type(error).__name__}: {error}"
            log.exception("job failed unexpectedly", job=task.name)
        self._noted(task.name, now, time.monotonic() - began, wrong)
