"""Job metrics: collect run statistics in memory and add them to the database at intervals."""

from __future__ import annotations

import threading
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import Engine

from service.storage.database.session import transaction
from service.storage.operations.job_runs import JobRecord, add_runs, keep_jobs

LONGEST_ERROR = 500


class JobMetrics:
    """Collects runs from any thread; :meth:`write` is scheduled like any other job."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._noted: dict[str, JobRecord] = {}

    def note(self, job: str, began_at: datetime, seconds: float, error: str) -> None:
        """Add a finished run; *error* is empty when it succeeded."""
        run = JobRecord(
            job=job,
            runs=1,
            failures=1 if error else 0,
            seconds=seconds,
            last_seconds=seconds,
            last_began_at=began_at,
            last_good_at=None if error else began_at,
            last_failed_at=began_at if error else None,
            last_error=error[:LONGEST_ERROR],
        )
        with self._lock:
            before = self._noted.get(job)
            self._noted[job] = run if before is None else _sum(before, run)

    def forget_others(self, jobs: Collection[str]) -> None:
        """Delete jobs that no longer exist, as after an upgrade or when a channel was removed."""
        with transaction(self._engine) as conn:
            keep_jobs(conn, jobs)

    def write(self, now: datetime) -> None:
        """Add the collected runs to the database; when that fails they are kept for the next time.

        Raises
        ------
        StorageError
            the database is away.
        """
        with self._lock:
            noted, self._noted = self._noted, {}
        try:
            with transaction(self._engine) as conn:
                add_runs(conn, noted.values())
        except Exception:
            with self._lock:
                for job, earlier in noted.items():
                    later = self._noted.get(job)
                    self._noted[job] = earlier if later is None else _sum(earlier, later)
            raise


def _sum(earlier: JobRecord, later: JobRecord) -> JobRecord:
    return JobRecord(
        job=later.job,
        runs=earlier.runs + later.runs,
        failures=earlier.failures + later.failures,
        seconds=earlier.seconds + later.seconds,
        last_seconds=later.last_seconds,
        last_began_at=later.last_began_at,
        last_good_at=later.last_good_at or earlier.last_good_at,
        last_failed_at=later.last_failed_at or earlier.last_failed_at,
        last_error=later.last_error or earlier.last_error,
    )
