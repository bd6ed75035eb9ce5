"""Write the status of a live source to the database: circuit, spool, health, losses, dead letters."""

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

#: A status without changes is written at this interval.
REPEAT = timedelta(minutes=1)


class StatusWriter:
    """Writes the status of one source."""

    def __init__(
        self, engine: Engine, source: ForwardingSource, clock: Callable[[], datetime], node: str = "this node"
    ) -> None:
        self._engine = engine
        self._source = source
        self._clock = clock
        self._node = node
        self._dead_letters: NodeDeadLetters | None = None
        self._dead_letters_written = False
        self._changed: dict[str, Any] | None = None
        self._written_at: datetime | None = None
        self._lost_in_source = 0

    def write(self, status: SourceStatus) -> None:
        """Write the status; losses are subtracted from the spool once they are written.

        Raises
        ------
        StorageError
            the database is away; the spool keeps counting the losses.
        """
        now = self._clock()
        spool = self._source.spooled()
        health = self._source.health()
        lost_in_source = 0 if health is None else health.lost
        lost = spool.lost_samples + (lost_in_source - self._lost_in_source)
        values = {
            "circuit": status.circuit.state.value,
            "failures": status.circuit.failures,
            "lag": round(status.lag.total_seconds(), 1),
            "spooled_samples": spool.samples,
            "spooled_bytes": spool.size_bytes,
            "damaged_records": spool.damaged,
            "connected": None if health is None else health.connected,
            "waiting": 0 if health is None else health.waiting,
            "problems": [] if health is None else list(health.problems),
            "clock_skew": None if health is None else health.clock_skew,
        }
        # What changes all the time may wait a minute; a fault, or its end, may not.
        changed = {name: values[name] for name in ("circuit", "failures", "connected", "problems", "damaged_records")}
        fresh = self._written_at is not None and now - self._written_at < REPEAT
        if changed == self._changed and fresh and not lost:
            self._write_dead_letters()
            return
        with transaction(self._engine) as conn:
            record_status(conn, self._source.key, now, values, lost=lost)
        if lost or spool.damaged:
            self._source.acknowledge_losses(spool)
        self._lost_in_source = lost_in_source
        self._changed, self._written_at = changed, now
        self._write_dead_letters()

    def _write_dead_letters(self) -> None:
        """Write the dead letters of this node when they changed, and once at the start."""
        found = self._source.dead_letters()
        dead_letters = None
        if found.newest_at is not None:
            dead_letters = NodeDeadLetters(
                node=self._node, records=found.records, newest_at=found.newest_at, folder=str(found.folder)
            )
        if self._dead_letters_written and dead_letters == self._dead_letters:
            return
        with transaction(self._engine) as conn:
            record_dead_letters(conn, self._source.key, self._node, dead_letters)
        self._dead_letters, self._dead_letters_written = dead_letters, True

    def write_losses(self) -> None:
        """Write only what this node lost or dead-lettered, where another node polls the source now: nobody else knows.

        Raises
        ------
        StorageError
            the database is away; the spool keeps counting the losses.
        """
        spool = self._source.spooled()
        if spool.lost_samples:
            with transaction(self._engine) as conn:
                record_losses(conn, self._source.key, self._clock(), spool.lost_samples)
            self._source.acknowledge_losses(spool)
        self._write_dead_letters()


def record_hang(engine: Engine, key: str, since: datetime, now: datetime) -> None:
    """Record in a source's health that a poll does not return; its alarm comes when the limit is reached."""
    waited = (now - since).total_seconds()
    with transaction(engine) as conn:
        record_failure(conn, key, now, f"{key}: a reading has not come back for {waited:.0f} s.")
