"""Store and forward: a spool on disk takes what a live source sends while the database is away, and is stored first afterwards.

A file waits in its folder by itself; a register shows a value once. A :class:`ForwardingSource` stands between such a
source and :func:`ingest` and is a connector itself: it replays its spool before it polls the source, and
:meth:`ForwardingSource.poll_to_spool` polls the source into the spool when nothing can be stored.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import structlog

from connectors.base import Connector, Delivery, SourceHealth
from service.jobs.ingest.dead_letter import DeadLetterQueue
from service.jobs.ingest.record import decode, encode
from service.storage.readings.dead_letter import DeadLetters, samples_of
from service.storage.readings.spool import Spool, SpoolCounts

log = structlog.get_logger(__name__)


class SpoolReader:
    """Replays a spool's records, oldest first, then the dead letters that somebody moved back to be tried again.

    The next delivery is given out only once the last one was stored or dead-lettered: nothing overtakes it.
    """

    def __init__(self, key: str, spool: Spool, dead_letters: DeadLetterQueue) -> None:
        self._key = key
        self._spool = spool
        self._dead_letters = dead_letters
        #: A record's sequence number, or the file that was moved back.
        self._in_flight: int | Path | None = None

    @property
    def has_records(self) -> bool:
        """Whether there is anything to replay."""
        return self._spool.counts().records > 0 or bool(self._spool.dead_letters.retry_candidates())

    @property
    def in_flight(self) -> bool:
        """Whether a delivery is given out and not yet stored."""
        return self._in_flight is not None

    def deliveries(self) -> Iterator[tuple[Delivery, bool]]:
        """Each delivery, and whether it is a retried dead letter: its position in the source is long past."""
        self.reset()
        for record in self._spool.pending():
            delivery = self._dead_letters.decode(record.payload, record.samples)
            if delivery is None:
                self._spool.trim(record.sequence)
                continue
            self._in_flight = record.sequence
            yield delivery, False
            if self.in_flight:
                return
        for path in self._spool.dead_letters.retry_candidates():
            delivery = self._retried(path)
            if delivery is None:
                continue
            self._in_flight = path
            yield delivery, True
            if self.in_flight:
                return

    def acknowledge(self) -> None:
        """Remove the delivery in flight: it is stored."""
        if isinstance(self._in_flight, Path):
            self._spool.dead_letters.remove(self._in_flight)
        elif self._in_flight is not None:
            self._spool.trim(self._in_flight)
        self._in_flight = None

    def reset(self) -> None:
        """Keep the delivery in flight in the spool: it was not stored."""
        self._in_flight = None

    def _retried(self, path: Path) -> Delivery | None:
        """Decode a dead letter that was moved back; None when it is gone, or is undecodable and went back."""
        try:
            payload = path.read_bytes()
        except OSError as error:
            log.warning("cannot be read, so not tried again", source=self._key, file=str(path), problem=str(error))
            return None
        delivery = self._dead_letters.decode(payload, samples_of(path))
        if delivery is None:
            self._spool.dead_letters.remove(path)
        return delivery


class ForwardingSource:
    """A live connector with a spool behind it.

    Parameters
    ----------
    place_known : whether the position in the source that was stored last is known. Where it is not, as before the database
        has answered, what is spooled leaves that position alone: a source with a history is asked for it from there on, later.
    """

    def __init__(
        self,
        connector: Connector,
        spool: Spool,
        every: timedelta = timedelta(seconds=5),
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        *,
        place_known: bool = True,
    ) -> None:
        self.key = connector.key
        #: Poll interval.
        self.every = every
        self._connector = connector
        self._spool = spool
        self._dead_letters = DeadLetterQueue(self.key, spool, clock)
        self._replay = SpoolReader(self.key, spool, self._dead_letters)
        self._place_known = place_known
        self._open: Delivery | None = None  #: polled, and neither stored nor spooled
        self._state: Mapping[str, Any] | None = None
        self._disk_full = False

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Replay the spool, then poll the source."""
        self._spool_open()
        for spooled, retried in self._replay.deliveries():
            if retried and self._state is not None:
                state = self._state
            delivery = replace(spooled, state=state) if retried or not spooled.state else spooled
            yield delivery
            if self._replay.in_flight:
                return
            if self._state is None:
                state = delivery.state
        if self._state is not None:
            state = self._state
        for delivery in self._connector.poll(state):
            self._state = delivery.state
            self._open = delivery
            yield delivery
            if self._open is not None:
                return

    def committed(self, delivery: Delivery) -> None:
        """Trim the spool, or let the source move on."""
        if self._replay.in_flight:
            self._replay.acknowledge()
        elif self._open is not None:
            self._open = None
            self._connector.committed(delivery)

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep what of a delivery cannot be stored, with its reason; then the delivery counts as committed.

        Raises
        ------
        StorageError
            the disk does not take it.
        """
        self._dead_letters.put(delivery, why)

    def dead_letters(self) -> DeadLetters:
        """Count this source's dead letters."""
        return self._spool.dead_letters.count()

    def poll_to_spool(self) -> int:
        """Poll the source into the spool, as the database is away.

        Returns
        -------
        How many samples were spooled.

        Raises
        ------
        ConnectorError
            when the source cannot be read either.
        """
        self._replay.reset()
        samples = self._spool_open()
        state = self._state
        if state is None:
            state = {}
            for record in self._spool.pending():
                with contextlib.suppress(ValueError):  # dead-lettered when its turn comes
                    state = decode(record.payload).state
        for delivery in self._connector.poll(state):
            self._state = delivery.state
            self._open = delivery
            samples += self._spool_open()
        return samples

    def orphaned_spool(self) -> OrphanedSpool | None:
        """What is still spooled, as a source of its own, where another node polls the source now; None if nothing is."""
        return OrphanedSpool(self.key, self._replay, self._dead_letters) if self._replay.has_records else None

    def release(self) -> None:
        """Leave the source to another node: spool what it still gives, then close the connection until the next poll."""
        try:
            if self._state is not None:
                self.poll_to_spool()
        finally:
            self._state = None
            rest = getattr(self._connector, "rest", None)
            if callable(rest):
                rest()

    def flush(self) -> None:
        """Write to disk what a full disk left in memory; also while a poll hangs, and from any thread."""
        self._spool.flush()

    def spooled(self) -> SpoolCounts:
        """Count what the spool holds and has lost."""
        return self._spool.counts()

    def acknowledge_losses(self, counts: SpoolCounts) -> None:
        """Subtract the losses in *counts*: they are written down where people see them."""
        self._spool.acknowledge_losses(counts)

    def health(self) -> SourceHealth | None:
        """Return the source's own health, if it reports one."""
        health = getattr(self._connector, "health", None)
        return health() if callable(health) else None

    def close(self) -> None:
        """Spool the open delivery, and release the source."""
        try:
            self._spool_open()
        finally:
            self._connector.close()
            self._spool.close()

    def _spool_open(self) -> int:
        """Spool a delivery that was given out and not stored, and let the source move on; returns its samples."""
        delivery, self._open = self._open, None
        if delivery is None:
            return 0
        try:
            if len(delivery.samples):
                record = delivery if self._place_known else replace(delivery, state={})
                self._spool.append(encode(record), len(delivery.samples))
                disk_full = self._spool.counts().in_memory > 0
                if disk_full and not self._disk_full:
                    log.error(
                        "neither database nor disk takes anything: what is read waits in memory; free space on the disk",
                        source=self.key,
                    )
                self._disk_full = disk_full
        finally:
            self._connector.committed(delivery)
        return len(delivery.samples)


class OrphanedSpool:
    """A spool alone, as a connector. It leaves the position in the source alone: that is the polling node's."""

    def __init__(self, key: str, replay: SpoolReader, dead_letters: DeadLetterQueue) -> None:
        self.key = key
        self._replay = replay
        self._dead_letters = dead_letters

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """Replay the spool, oldest first."""
        for spooled, _ in self._replay.deliveries():
            yield replace(spooled, state=state)
            if self._replay.in_flight:
                return

    def committed(self, delivery: Delivery) -> None:
        """Remove it from the spool."""
        self._replay.acknowledge()

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep what of a delivery cannot be stored, with its reason."""
        self._dead_letters.put(delivery, why)

    def close(self) -> None:
        """Nothing is held open."""
