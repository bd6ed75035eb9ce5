"""Runs noted while the database is away are not forgotten."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine

from service.errors import StorageError
from service.jobs.operations.job_metrics import JobMetrics
from service.storage.database.session import make_engine, transaction
from service.storage.operations.job_runs import JobRecord, job_records
from tests.support.alarm_plant import NIGHT

NOWHERE = "postgresql://nobody@127.0.0.1:1/nothing"


def test_what_cannot_be_written_is_kept_and_added(engine: Engine) -> None:
    away = make_engine(NOWHERE)
    book = JobMetrics(away)
    book.note("evaluate", NIGHT, 1.0, "no luck")
    with pytest.raises(StorageError):
        book.write(NIGHT)
    book.note("evaluate", NIGHT + timedelta(seconds=5), 3.0, "")
    away.dispose()

    book._engine = engine  # the database is back
    book.write(NIGHT)
    book.write(NIGHT)

    with transaction(engine) as conn:
        [found] = job_records(conn)
    assert found == JobRecord(
        job="evaluate",
        runs=2,
        failures=1,
        seconds=4.0,
        last_seconds=3.0,
        last_began_at=NIGHT + timedelta(seconds=5),
        last_good_at=NIGHT + timedelta(seconds=5),
        last_failed_at=NIGHT,
        last_error="no luck",
    )


def test_what_is_no_job_any_more_is_left_out(engine: Engine) -> None:
    book = JobMetrics(engine)
    for job in ("evaluate", "deliver by sms", "deliver"):
        book.note(job, NIGHT, 1.0, "")
    book.write(NIGHT)
    book.forget_others(["evaluate", "deliver by email"])
    with transaction(engine) as conn:
        assert [found.job for found in job_records(conn)] == ["evaluate"]
