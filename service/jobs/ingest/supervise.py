"""Supervise sources: each is polled on a thread of its own, behind a circuit breaker, and a watcher reports those that hang.

A source that hangs blocks its own thread and nothing else. While the database is away, live sources are polled into their spools.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Protocol

import structlog

from service.domain.operations.circuit import LOOK_AGAIN, Circuit
from service.errors import StorageError

log = structlog.get_logger(__name__)


class PollOutcome(Protocol):
    """Result of one poll of a source; the ingest report is one."""

    @property
    def error(self) -> str: ...
    @property
    def retryable(self) -> bool: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SupervisedSource:
    """A source to supervise.

    Parameters
    ----------
    read : polls it once and stores what it gave; raises StorageError when the database is away.
    poll_to_spool : polls it into its spool instead; None for a source whose data wait by themselves.
    report : writes its status to the database; called after every poll that could be stored.
    """

    key: str
    read: Callable[[], PollOutcome]
    every: timedelta
    poll_to_spool: Callable[[], object] | None = None
    report: Callable[[SourceStatus], None] | None = None
    close: Callable[[], None] = lambda: None
    max_backoff: timedelta = timedelta(minutes=1)
    hung_after: timedelta = timedelta(minutes=2)


@dataclass(slots=True, kw_only=True)
class SourceStatus:
    """Status of a source. ``lag`` is how far its last round fell behind its interval."""

    key: str
    circuit: Circuit = field(default_factory=Circuit)
    reading_since: datetime | None = None
    hung: bool = False
    last_error: str = ""
    storing: bool = True
    rounds: int = 0
    lag: timedelta = timedelta(0)


@dataclass(slots=True)
class _Runner:
    source: SupervisedSource
    status: SourceStatus
    thread: threading.Thread | None = None
    closed: bool = False


class Supervisor:
    """Runs sources until stopped.

    Parameters
    ----------
    clock : returns the time.
    draw : returns a random number, uniform from 0 to 1.
    on_hang : called once when a poll of a source does not return.
    """

    def __init__(
        self,
        sources: Sequence[SupervisedSource],
        *,
        clock: Callable[[], datetime],
        draw: Callable[[], float],
        on_hang: Callable[[str, datetime], None] = lambda key, since: None,
    ) -> None:
        self._runners = [_Runner(source, SourceStatus(key=source.key)) for source in sources]
        self._clock = clock
        self._draw = draw
        self._on_hang = on_hang
        self._stop = threading.Event()
        self._watcher: threading.Thread | None = None

    def start(self) -> None:
        """Start the threads."""
        for runner in self._runners:
            runner.thread = threading.Thread(
                target=self._run, args=(runner,), name=f"read {runner.source.key}", daemon=True
            )
            runner.thread.start()
        self._watcher = threading.Thread(target=self._watch, name="watch sources", daemon=True)
        self._watcher.start()

    def stop(self, timeout_s: float = 10.0) -> list[str]:
        """Stop after the polls under way; sources that hang are left behind after *timeout_s* [s] in all, and returned.

        It may be called again, to close those whose poll has returned since.
        """
        self._stop.set()
        threads = [r.thread for r in self._runners if r.thread is not None]
        step = timeout_s / max(1, len(threads))
        left: list[str] = []
        for runner in self._runners:
            if runner.closed:
                continue
            if runner.thread is not None:
                runner.thread.join(step)
            if runner.thread is None or not runner.thread.is_alive():
                runner.source.close()
                runner.closed = True
            else:
                log.warning("source left behind while reading", source=runner.source.key)
                left.append(runner.source.key)
        if self._watcher is not None:
            self._watcher.join(step)
        return left

    def statuses(self) -> tuple[SourceStatus, ...]:
        """Return a copy of every source's status."""
        return tuple(replace(runner.status) for runner in self._runners)

    def _run(self, runner: _Runner) -> None:
        while not self._stop.is_set():
            started = self._clock()
            runner.status.reading_since = started
            runner.status.circuit = runner.status.circuit.trying()
            try:
                self._read(runner)
            finally:
                runner.status.reading_since = None
                runner.status.hung = False
                runner.status.rounds += 1
            now = self._clock()
            source = runner.source
            # The time of day may be set while a source is read: no wait is longer than the longest that was meant.
            if runner.status.circuit.retry_at is not None:
                wait = min(runner.status.circuit.retry_at - now, max(source.max_backoff, source.every, LOOK_AGAIN))
            else:
                wait = min(source.every - (now - started), source.every)
                runner.status.lag = max(timedelta(0), -wait)
            self._stop.wait(max(0.0, wait.total_seconds()))

    def _read(self, runner: _Runner) -> None:
        source = runner.source
        try:
            outcome = source.read()
        except StorageError as error:
            if runner.status.storing:
                log.warning("nothing can be stored", source=source.key, error=str(error))
            runner.status.storing = False
            runner.status.last_error = str(error)
            self._poll_to_spool(runner)
            return
        except Exception as error:
            # The last line of defence: a defect in one source must not end the others' watch.
            log.exception("reading failed unexpectedly", source=source.key)
            self._failed(runner, f"{type(error).__name__}: {error}", retryable=True)
            return
        if not runner.status.storing:
            log.info("storing again", source=source.key)
        runner.status.storing = True
        if outcome.error:
            self._failed(runner, outcome.error, retryable=outcome.retryable)
        else:
            runner.status.last_error = ""
            runner.status.circuit = runner.status.circuit.succeeded()
        self._report(runner)

    def _poll_to_spool(self, runner: _Runner) -> None:
        poll_to_spool = runner.source.poll_to_spool
        if poll_to_spool is None:
            # Its data wait where they are; only the pace slackens.
            self._failed(runner, runner.status.last_error, retryable=True)
            return
        try:
            poll_to_spool()
            runner.status.circuit = runner.status.circuit.succeeded()
        except Exception as error:
            if runner.status.circuit.failures == 0:
                log.warning("source failed while the database is away", source=runner.source.key, error=str(error))
            self._failed(runner, str(error), retryable=bool(getattr(error, "retryable", True)))

    def _failed(self, runner: _Runner, error: str, *, retryable: bool) -> None:
        runner.status.last_error = error
        runner.status.circuit = runner.status.circuit.failed(
            self._clock(),
            retryable=retryable,
            base=max(runner.source.every, timedelta(seconds=1)),
            cap=max(runner.source.max_backoff, runner.source.every),
            draw=self._draw(),
        )

    def _report(self, runner: _Runner) -> None:
        if runner.source.report is None:
            return
        try:
            runner.source.report(replace(runner.status))
        except StorageError as error:
            log.warning("health not written", source=runner.source.key, error=str(error))
        except Exception:
            # The last line of defence: a source that is read must not end because nobody can be told how it is doing.
            log.exception("health not written", source=runner.source.key)

    def _watch(self) -> None:
        while not self._stop.wait(1.0):
            now = self._clock()
            for runner in self._runners:
                since = runner.status.reading_since
                if since is not None and not runner.status.hung and now - since > runner.source.hung_after:
                    runner.status.hung = True
                    log.error("source hangs", source=runner.source.key, since=since.isoformat())
                    try:
                        self._on_hang(runner.source.key, since)
                    except StorageError as error:
                        log.warning("hang not written", source=runner.source.key, error=str(error))
