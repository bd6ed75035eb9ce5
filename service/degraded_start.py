"""Runs while the database is away at the start: live sources are read to their spools, and the watchdog notifies people.

After a power failure the database may take longer to start than this service, and a register shows a value only once.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Self

import structlog

from service.bootstrap import Configuration
from service.errors import StorageError
from service.jobs.ingest import IngestReport
from service.jobs.ingest.supervise import SupervisedSource, Supervisor
from service.jobs.operations.leadership import steady_clock
from service.jobs.operations.watchdog import CHECK_EVERY, Watchdog
from service.scheduler import Task, Timetable
from service.sources import spooling_sources

log = structlog.get_logger(__name__)


class DegradedStart:
    """A context in which everything runs that needs no database.

    Parameters
    ----------
    spools : the folder of the live sources' spools.
    trouble : why there is no database.
    """

    def __init__(
        self,
        configuration: Configuration,
        spools: Path,
        clock: Callable[[], datetime],
        watchdog: Watchdog,
        trouble: str,
    ) -> None:
        self.trouble = trouble
        self._since, self._began = clock(), steady_clock()
        self._watchdog = watchdog
        self._supervisor = Supervisor(
            [
                SupervisedSource(
                    key=source.key,
                    read=self._no_database,
                    every=source.every,
                    poll_to_spool=source.poll_to_spool,
                    close=source.close,
                )
                for source in spooling_sources(configuration.site, clock, spools)
            ],
            clock=clock,
            draw=random.random,
        )
        self._timetable = Timetable([Task("speak up", self._look, CHECK_EVERY)], clock)

    def __enter__(self) -> Self:
        self._supervisor.start()
        self._timetable.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timetable.stop()
        left = self._supervisor.stop()
        if left and kind is None:
            # It still has its spool open, which only one process may write. After a restart the service has it alone.
            raise StorageError(
                f"Reading {', '.join(left)} does not come back; start the service again.", retryable=True
            )

    def _no_database(self) -> IngestReport:
        raise StorageError(self.trouble, retryable=True)

    def _look(self, _: datetime) -> None:
        # By the monotonic clock: soon after a machine has started its wall clock may be set by years.
        now = self._since + timedelta(seconds=steady_clock() - self._began)
        self._watchdog.check(self._since, self.trouble, now)
