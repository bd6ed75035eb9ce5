"""Writes down how a live source is doing: its circuit, its spool, what it says of itself, and what was lost."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Engine

from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.supervise import SourceStatus
from service.storage.database.session import transaction
from service.storage.readings.connector_state import (
    NodeDeadLetters,
    record_dead_letters,
    record_failure,
    record_losses,
    record_status,
)

#: What is no news is written again only so often.
REPEAT = timedelta(minutes=1)


class StatusWriter:
    """Keeps the standing of one source in the database."""

    def __init__(
        self, engine: Engine, source: ForwardingSource, clock: Callable[[], datetime], node: str = "this node"
    ) -> None:
        self._engine = engine
        self._source = source
        self._clock = clock
        self._node = node
        self._refused: NodeDeadLetters | None = None
        self._refused_told = False
        self._news: dict[str, Any] | None = None
        self._written_at: datetime | None = None
        self._lost_in_source = 0

    def write(self, standing: SourceStatus) -> None:
        """Write it down where people and alarms see it; losses are struck from the spool once they are.

        Raises
        ------
        StorageError
            the database is away; the losses stay in the spool's books.
        """
        now = self._clock()
        spool = self._source.spooled()
        health = self._source.health()
        lost_in_source = 0 if health is None else health.lost
        lost = spool.lost_samples + (lost_in_source - self._lost_in_source)
        told = {
            "circuit": standing.circuit.state.value,
            "failures": standing.circuit.failures,
            "lag": round(standing.lag.total_seconds(), 1),
            "spooled_samples": spool.samples,
            "spooled_bytes": spool.size_bytes,
            "damaged_records": spool.damaged,
            "connected": None if health is None else health.connected,
            "waiting": 0 if health is None else health.waiting,
            "problems": [] if health is None else list(health.problems),
            "clock_skew": None if health is None else health.clock_skew,
        }
        # What moves all the time may wait a minute; what is wrong, or well again, may not.
        news = {name: told[name] for name in ("circuit", "failures", "connected", "problems", "damaged_records")}
        fresh = self._written_at is not None and now - self._written_at < REPEAT
        if news == self._news and fresh and not lost:
            self._write_refused()
            return
        with transaction(self._engine) as conn:
            record_status(conn, self._source.key, now, told, lost=lost)
        if lost or spool.damaged:
            self._source.acknowledge_losses(spool)
        self._lost_in_source = lost_in_source
        self._news, self._written_at = news, now
        self._write_refused()

    def _write_refused(self) -> None:
        """What lies aside on this node, when that has changed; at the start once in any case."""
        found = self._source.dead_letters()
        refused = None
        if found.newest_at is not None:
            refused = NodeDeadLetters(
                node=self._node, records=found.records, newest_at=found.newest_at, folder=str(found.folder)
            )
        if self._refused_told and refused == self._refused:
            return
        with transaction(self._engine) as conn:
            record_dead_letters(conn, self._source.key, self._node, refused)
        self._refused, self._refused_told = refused, True

    def write_losses(self) -> None:
        """Only what this node lost or set aside, where another reads the source now: nobody else knows.

        Raises
        ------
        StorageError
            the database is away; the losses stay in the spool's books.
        """
        spool = self._source.spooled()
        if spool.lost_samples:
            with transaction(self._engine) as conn:
                record_losses(conn, self._source.key, self._clock(), spool.lost_samples)
            self._source.acknowledge_losses(spool)
        self._write_refused()


def record_hang(engine: Engine, key: str, since: datetime, now: datetime) -> None:
    """A source does not come back from a reading: its health says so, and its alarm comes when the limit is reached."""
    waited = (now - since).total_seconds()
    with transaction(engine) as conn:
        record_failure(conn, key, now, f"{key}: a reading has not come back for {waited:.0f} s.")
