"""The supervisor: isolation, back-off, hanging sources, a database that is away. Sources are scripted, waits are events."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.domain.operations.circuit import CircuitState
from service.errors import StorageError
from service.jobs.ingest.supervise import SourceStatus, SupervisedSource, Supervisor

PATIENCE = 20.0


@dataclass(frozen=True)
class Read:
    error: str = ""
    retryable: bool = True


def now() -> datetime:
    return datetime.now(UTC)


class Counter:
    """Counts, and lets a test wait for a count."""

    def __init__(self) -> None:
        self.count = 0
        self._changed = threading.Condition()

    def up(self) -> int:
        with self._changed:
            self.count += 1
            self._changed.notify_all()
            return self.count

    def reaches(self, count: int) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: self.count >= count, PATIENCE)


def quick(key: str, read: Callable[[], Read], **more: object) -> SupervisedSource:
    settings: dict[str, object] = {"every": timedelta(milliseconds=1), **more}
    return SupervisedSource(key=key, read=read, **settings)  # type: ignore[arg-type]


def supervisor(*sources: SupervisedSource, draw: float = 0.0, **more: object) -> Supervisor:
    return Supervisor(sources, clock=now, draw=lambda: draw, **more)  # type: ignore[arg-type]


def test_a_hanging_and_a_crashing_source_delay_nobody() -> None:
    release, well, crashes = threading.Event(), Counter(), Counter()

    def hang() -> Read:
        release.wait(PATIENCE)
        return Read()

    def crash() -> Read:
        crashes.up()
        raise RuntimeError("defect")

    def read() -> Read:
        well.up()
        return Read()

    watched = supervisor(quick("hangs", hang), quick("crashes", crash), quick("well", read))
    watched.start()
    try:
        assert well.reaches(50)
        assert crashes.reaches(3)
        statuses = {s.key: s for s in watched.statuses()}
        assert statuses["hangs"].rounds == 0
        assert statuses["hangs"].reading_since is not None
        assert "defect" in statuses["crashes"].last_error
        assert statuses["well"].circuit.state is CircuitState.CLOSED
    finally:
        release.set()
        watched.stop()


def test_a_hang_is_said_once() -> None:
    release, said = threading.Event(), Counter()
    told: list[str] = []

    def hang() -> Read:
        release.wait(PATIENCE)
        return Read()

    def on_hang(key: str, since: datetime) -> None:
        told.append(key)
        said.up()

    watched = supervisor(quick("slow", hang, hung_after=timedelta(0)), on_hang=on_hang)
    watched.start()
    try:
        assert said.reaches(1)
        assert [s.hung for s in watched.statuses()] == [True]
    finally:
        release.set()
        watched.stop()
    assert told == ["slow"]


def test_a_failing_source_is_left_alone_and_comes_back() -> None:
    tries = Counter()
    seen: list[SourceStatus] = []

    def read() -> Read:
        return Read(error="no answer.") if tries.up() <= 3 else Read()

    watched = supervisor(quick("plc", read, report=seen.append))
    watched.start()
    try:
        assert tries.reaches(5)
    finally:
        watched.stop()
    assert [s.circuit.failures for s in seen[:4]] == [1, 2, 3, 0]
    assert [s.circuit.state for s in seen[:4]] == [CircuitState.OPEN] * 3 + [CircuitState.CLOSED]
    assert seen[2].last_error == "no answer."
    assert seen[3].last_error == ""


def test_a_longer_wait_really_waits() -> None:
    tries = Counter()

    def read() -> Read:
        tries.up()
        return Read(error="no answer.", retryable=False)

    watched = supervisor(quick("plc", read))
    watched.start()
    try:
        assert tries.reaches(1)
        assert not threading.Event().wait(0.2)
        assert tries.count == 1
    finally:
        watched.stop()


def test_while_nothing_can_be_stored_live_sources_are_held() -> None:
    away, held, stored = threading.Event(), Counter(), Counter()
    away.set()

    def read() -> Read:
        if away.is_set():
            raise StorageError("the database is away", retryable=True)
        stored.up()
        return Read()

    seen: list[SourceStatus] = []
    watched = supervisor(quick("plc", read, poll_to_spool=held.up, report=seen.append))
    watched.start()
    try:
        assert held.reaches(5)
        assert seen == [], "where nothing can be stored, no health is written either"
        [standing] = watched.statuses()
        assert not standing.storing
        assert standing.circuit.state is CircuitState.CLOSED, "the source itself is well and keeps its pace"
        away.clear()
        assert stored.reaches(3)
    finally:
        watched.stop()
    assert seen[0].storing


def test_a_source_without_a_spool_waits_with_the_database() -> None:
    tries = Counter()

    def read() -> Read:
        tries.up()
        raise StorageError("the database is away", retryable=True)

    watched = supervisor(quick("files", read))
    watched.start()
    try:
        assert tries.reaches(3)
    finally:
        watched.stop()
    [standing] = watched.statuses()
    assert standing.circuit.failures >= 3


def test_stopping_closes_what_came_back_and_leaves_what_hangs() -> None:
    release, started = threading.Event(), Counter()
    closed: list[str] = []

    def hang() -> Read:
        started.up()
        release.wait(PATIENCE)
        return Read()

    def read() -> Read:
        started.up()
        return Read()

    watched = supervisor(
        quick("hangs", hang, close=lambda: closed.append("hangs")),
        quick("well", read, close=lambda: closed.append("well")),
    )
    watched.start()
    assert started.reaches(2)
    watched.stop(timeout_s=0.5)
    assert closed == ["well"]
    release.set()


def test_a_clock_set_back_while_a_source_is_read_does_not_put_the_next_reading_off() -> None:
    reads = Counter()
    moment = now()

    def clock() -> datetime:
        # An hour earlier from the first reading on.
        return moment if reads.count == 0 else moment - timedelta(hours=1)

    def read() -> Read:
        reads.up()
        return Read()

    running = Supervisor([quick("panel", read)], clock=clock, draw=lambda: 0.0)
    running.start()
    assert reads.reaches(3)
    running.stop()


def test_a_report_that_fails_does_not_end_the_reading() -> None:
    reads = Counter()

    def read() -> Read:
        reads.up()
        return Read()

    def report(standing: SourceStatus) -> None:
        raise OSError(28, "No space left on device")

    running = supervisor(quick("panel", read, report=report))
    running.start()
    assert reads.reaches(3)
    running.stop()
