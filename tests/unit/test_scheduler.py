"""What is noted of every run of a task."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest

from service import scheduler
from service.errors import StorageError
from service.scheduler import Task, Timetable

NOW = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)


def _database_away(now: datetime) -> None:
    raise StorageError("the database is away", retryable=True)


def _defect(now: datetime) -> None:
    raise ZeroDivisionError("division by zero")


def test_every_run_is_noted_with_what_went_wrong() -> None:
    record: dict[str, str] = {}
    all_in = threading.Event()

    def note(job: str, began_at: datetime, seconds: float, error: str) -> None:
        assert began_at == NOW
        assert seconds >= 0
        record[job] = error
        if len(record) == 3:
            all_in.set()

    tasks = [
        Task("sound", lambda now: None, timedelta(hours=1)),
        Task("away", _database_away, timedelta(hours=1)),
        Task("defect", _defect, timedelta(hours=1)),
    ]
    timetable = Timetable(tasks, lambda: NOW, record=note)
    timetable.start()
    try:
        assert all_in.wait(300)
    finally:
        timetable.stop()
    assert record == {"sound": "", "away": "the database is away", "defect": "ZeroDivisionError: division by zero"}


def test_a_clock_that_was_set_puts_no_task_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scheduler, "CLOCK_LOOK_S", 0.01)
    runs = threading.Semaphore(0)
    set_back = threading.Event()

    def clock() -> datetime:
        return datetime.now(UTC) - (timedelta(minutes=10) if set_back.is_set() else timedelta(0))

    monkeypatch.setattr(scheduler, "wall_clock", clock)
    timetable = Timetable([Task("hourly", lambda now: runs.release(), timedelta(hours=1))])
    timetable.start()
    try:
        assert runs.acquire(timeout=300)
        set_back.set()
        assert runs.acquire(timeout=300)
    finally:
        timetable.stop()
