"""Store and forward: what a live source sends while the database is away waits in a spool, and goes first when it is back.

A file waits in its folder by itself; a register shows a value once. A :class:`ForwardingSource` stands between such a
source and :func:`ingest` and is a connector itself: it replays its spool before it asks the source, and
:meth:`ForwardingSource.poll_to_spool` reads the source into the spool when nothing can be stored.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import structlog

from connectors.base import Connector, Delivery, SourceHealth
from service.jobs.ingest.dead_letter import DeadLetterQueue
from service.jobs.ingest.record import decode, encode
from service.jobs.ingest.spool_reader import SpoolReader
from service.storage.readings.dead_letter import DeadLetters
from service.storage.readings.spool import Spool, SpoolCounts

log = structlog.get_logger(__name__)


class ForwardingSource:
    """A live connector with a spool behind it.

    Parameters
    ----------
    place_known : whether the place in the source that was stored last is known. Where it is not, as before the database has
        been heard, what is held leaves that place alone: a source with a history is asked for it from there on, later.
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
        #: How often it wants to be read.
        self.every = every
        self._connector = connector
        self._spool = spool
        self._refusals = DeadLetterQueue(self.key, spool, clock)
        self._put_by = SpoolReader(self.key, spool, self._refusals)
        self._place_known = place_known
        self._open: Delivery | None = None
        self._state: Mapping[str, Any] | None = None
        self._disk_refuses = False

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """First what was put by, then what the source has now."""
        self._keep_open()
        for held, moved_back in self._put_by.deliveries():
            if moved_back and self._state is not None:
                state = self._state
            given = replace(held, state=state) if moved_back or not held.state else held
            yield given
            if self._put_by.given_out:
                return
            if self._state is None:
                state = given.state
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
        if self._put_by.given_out:
            self._put_by.stored()
        elif self._open is not None:
            self._open = None
            self._connector.committed(delivery)

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep apart, with its reason, what of a delivery cannot be stored; then the delivery counts as committed.

        Raises
        ------
        StorageError
            the disk does not take it.
        """
        self._refusals.dead_letter(delivery, why)

    def dead_letters(self) -> DeadLetters:
        """What of it is set aside."""
        return self._spool.dead_letters.count()

    def poll_to_spool(self) -> int:
        """Read the source into the spool, for the database is away.

        Returns
        -------
        How many samples were put by.

        Raises
        ------
        ConnectorError
            when the source cannot be read either.
        """
        self._put_by.forget()
        held = self._keep_open()
        state = self._state
        if state is None:
            state = {}
            for record in self._spool.pending():
                with contextlib.suppress(ValueError):  # set aside when it is its turn
                    state = decode(record.payload).state
        for delivery in self._connector.poll(state):
            self._state = delivery.state
            self._open = delivery
            held += self._keep_open()
        return held

    def orphaned_spool(self) -> OrphanedSpool | None:
        """What is still put by, as a source of its own: for the node whose source another node reads now."""
        return OrphanedSpool(self.key, self._put_by, self._refusals) if self._put_by.any else None

    def release(self) -> None:
        """Leave the source to another node: what it still gives is put by, then the line is closed until the next reading."""
        try:
            if self._state is not None:
                self.poll_to_spool()
        finally:
            self._state = None
            rest = getattr(self._connector, "rest", None)
            if callable(rest):
                rest()

    def flush(self) -> None:
        """Bring to disk what a full disk left in memory; also while reading hangs, and from any thread."""
        self._spool.flush()

    def spooled(self) -> SpoolCounts:
        """What the spool holds and has lost."""
        return self._spool.counts()

    def acknowledge_losses(self, counts: SpoolCounts) -> None:
        """The losses in *counts* are written down where people see them."""
        self._spool.acknowledge_losses(counts)

    def health(self) -> SourceHealth | None:
        """The source's own account of itself, if it gives one."""
        asked = getattr(self._connector, "health", None)
        return asked() if callable(asked) else None

    def close(self) -> None:
        """Put by what is on its way, and release the source."""
        try:
            self._keep_open()
        finally:
            self._connector.close()
            self._spool.close()

    def _keep_open(self) -> int:
        """Put a delivery by that was given out and not stored, and let the source move on."""
        delivery, self._open = self._open, None
        if delivery is None:
            return 0
        try:
            if len(delivery.samples):
                held = delivery if self._place_known else replace(delivery, state={})
                self._spool.append(encode(held), len(delivery.samples))
                self._tell_of_disk(self._spool.counts())
        finally:
            self._connector.committed(delivery)
        return len(delivery.samples)

    def _tell_of_disk(self, counts: SpoolCounts) -> None:
        refuses = counts.in_memory > 0
        if refuses and not self._disk_refuses:
            log.error(
                "neither database nor disk takes anything: what is read waits in memory; free space on the disk",
                source=self.key,
            )
        self._disk_refuses = refuses


class OrphanedSpool:
    """What was put by, alone, as a connector. It moves no place in the source: that is kept by whoever reads it now."""

    def __init__(self, key: str, put_by: SpoolReader, refusals: DeadLetterQueue) -> None:
        self.key = key
        self._put_by = put_by
        self._refusals = refusals

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        """What was put by, oldest first."""
        for held, _ in self._put_by.deliveries():
            yield replace(held, state=state)
            if self._put_by.given_out:
                return

    def committed(self, delivery: Delivery) -> None:
        """It is needed no more."""
        self._put_by.stored()

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep apart, with its reason, what of a delivery cannot be stored."""
        self._refusals.dead_letter(delivery, why)

    def close(self) -> None:
        """Nothing is held open."""
