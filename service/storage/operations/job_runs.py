"""Run statistics of every job: counts, durations and the last error, kept across restarts."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, func, select
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import JobRunRow


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecord:
    """Statistics of one job: totals in the table, or an increment to be added to them."""

    job: str
    runs: int
    failures: int
    seconds: float  #: spent in all runs together [s]
    last_seconds: float  #: of the newest run [s]
    last_began_at: datetime
    last_good_at: datetime | None = None
    last_failed_at: datetime | None = None
    last_error: str = ""

    @property
    def failing(self) -> bool:
        """Whether the newest run known of failed."""
        good, failed = self.last_good_at, self.last_failed_at
        return failed is not None and (good is None or failed > good)


def add_runs(conn: Connection, records: Iterable[JobRecord]) -> None:
    """Add increments; several services add to the same rows."""
    # In one order everywhere: no deadlocks.
    rows = [asdict(found) for found in sorted(records, key=lambda found: found.job)]
    if not rows:
        return
    statement = insert(JobRunRow).values(rows)
    new, old = statement.excluded, JobRunRow
    conn.execute(
        statement.on_conflict_do_update(
            index_elements=[JobRunRow.job],
            set_={
                "runs": old.runs + new.runs,
                "failures": old.failures + new.failures,
                "seconds": old.seconds + new.seconds,
                "last_seconds": new.last_seconds,
                "last_began_at": func.greatest(old.last_began_at, new.last_began_at),
                "last_good_at": func.greatest(old.last_good_at, new.last_good_at),
                "last_failed_at": func.greatest(old.last_failed_at, new.last_failed_at),
                "last_error": func.coalesce(func.nullif(new.last_error, ""), old.last_error),
            },
        )
    )


def keep_jobs(conn: Connection, jobs: Collection[str]) -> None:
    """Delete every job but these."""
    conn.execute(delete(JobRunRow).where(JobRunRow.job.not_in(jobs)))


def job_records(conn: Connection) -> list[JobRecord]:
    """Every job that ever ran, by name."""
    rows = conn.execute(select(JobRunRow.__table__).order_by(JobRunRow.job))
    return [JobRecord(**row._mapping) for row in rows]
