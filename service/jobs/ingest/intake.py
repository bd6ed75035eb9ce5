"""Store one delivery (a file, or one answer of a device) within one open transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from connectors.base import Delivery, Reject, SampleBlock
from service.jobs.ingest.hand_cores import CoreOutcome, store_cores
from service.jobs.ingest.laboratory_values import store_laboratory
from service.jobs.ingest.report import DeliveryReport
from service.jobs.ingest.samples import SampleReader
from service.jobs.plant.plant import Plant
from service.storage.blanket.recompute import mark_signals_dirty
from service.storage.database.epoch import from_us, to_us
from service.storage.readings import connector_state, processed_files
from service.storage.readings.batches import close_batch, open_batch
from service.storage.readings.writer import ReadingWriter

#: Rejects and warnings listed in the report; all of them are in the quarantine file.
MAX_LISTED = 50
#: A reading further ahead than this does not make its source fresh: the clocks of devices that nobody sets differ by minutes.
CLOCKS_DIFFER = timedelta(minutes=10)


class Intake:
    """Begin once, take every part, finish once: then the transaction may commit."""

    def __init__(
        self, connector: str, plant: Plant, tags: Mapping[str, str] | None, clock: Callable[[], datetime]
    ) -> None:
        self._connector = connector
        self._plant = plant
        self._clock = clock
        self._latest: datetime | None = None
        self._reader = SampleReader(plant, tags)
        self._rejected = 0
        self._listed: tuple[Reject, ...] = ()
        self._cores = CoreOutcome()
        self._delivered = 0
        self._last_sample_at: datetime | None = None
        self._ahead_until: datetime | None = None
        self._state: Mapping[str, Any] = {}
        self._processed_before: processed_files.ProcessedFile | None = None
        self._batch_id: int | None = None

    def begin(self, conn: Connection, first: Delivery) -> None:
        """Open the batch and enter the content as processed; a content processed before stores nothing but the state."""
        self._conn = conn
        self._origin = first.origin
        if first.content_hash is not None:
            self._processed_before = processed_files.find(conn, self._connector, first.content_hash)
        if self._processed_before is not None or _is_empty(first):
            return
        now = self._now()
        opening = conn.begin_nested()
        batch_id = open_batch(conn, self._connector, first.origin, now)
        # Waits while another process takes in the same content; if that one commits, this one has nothing to do.
        if first.content_hash is not None and not processed_files.record(
            conn,
            connector=self._connector,
            content_hash=first.content_hash,
            origin=first.origin,
            size_bytes=first.size_bytes or 0,
            batch_id=batch_id,
            received_at=now,
        ):
            opening.rollback()
            self._processed_before = processed_files.find(conn, self._connector, first.content_hash)
            return
        opening.commit()
        self._batch_id = batch_id
        self._writer = ReadingWriter(conn, batch_id)

    def take(self, part: Delivery) -> Delivery:
        """Store a part; return it for the connector, without its samples and, on the last, with all rejects."""
        self._state = part.state
        if self._batch_id is None:
            return replace(part, samples=_NO_SAMPLES)
        now = self._now()
        read = self._reader.read(part.samples, now)
        self._writer.store(read)
        self._note_times(read.time_us, now)
        self._delivered += len(part.samples)
        self._rejected += len(part.rejects) + part.unlisted
        self._listed += part.rejects[: MAX_LISTED - len(self._listed)]
        if part.cores:
            outcome = store_cores(
                self._conn,
                self._plant,
                part.cores,
                connector=self._connector,
                batch_id=self._batch_id,
                source=part.origin,
                now=now,
            )
            self._cores.add(outcome)
        if part.laboratory:
            self._cores.add(
                store_laboratory(self._conn, self._plant, part.laboratory, self._connector, part.origin, now)
            )
        refused = self._refused() if part.last_part else ()
        unlisted = self._cores.rejects.unlisted if part.last_part else 0
        return replace(part, samples=_NO_SAMPLES, refused=refused, refused_unlisted=unlisted)

    def _note_times(self, time_us: NDArray[np.int64], now: datetime) -> None:
        """Note the newest reading that is not ahead of the clock (freshness), and the furthest that is (clock error)."""
        ahead = time_us > to_us(now + CLOCKS_DIFFER)
        if not ahead.all():
            newest = from_us(int(time_us[~ahead].max()))
            self._last_sample_at = newest if self._last_sample_at is None else max(newest, self._last_sample_at)
        if ahead.any():
            furthest = from_us(int(time_us.max()))
            self._ahead_until = furthest if self._ahead_until is None else max(furthest, self._ahead_until)

    def _now(self) -> datetime:
        """The time, never going back within a delivery: its batch is no older than what its readings were judged by."""
        now = self._clock()
        self._latest = now if self._latest is None else max(now, self._latest)
        return self._latest

    def _refused(self) -> tuple[Reject, ...]:
        return (*self._reader.rejects(), *self._cores.rejects)

    def finish(self) -> DeliveryReport:
        """Write counts, recompute marks and the connector's new position; afterwards the transaction may commit."""
        now = self._now()
        if self._batch_id is None:
            connector_state.record_success(self._conn, self._connector, now, state=self._state)
            first = self._processed_before
            return DeliveryReport(
                origin=self._origin,
                already_taken_in=first is not None,
                first_taken_in_at=None if first is None else first.received_at,
            )
        stored, cores = self._writer.stored, self._cores
        close_batch(
            self._conn,
            self._batch_id,
            received_at=now,
            accepted=stored.accepted + cores.accepted,
            duplicate=stored.duplicate + cores.duplicate,
            revised=stored.revised + cores.corrected,
            rejected=self._rejected + self._reader.rejected + cores.rejected,
        )
        mark_signals_dirty(self._conn, stored.earliest_us)
        connector_state.record_success(
            self._conn,
            self._connector,
            now,
            state=self._state,
            delivered=self._delivered,
            last_sample_at=self._last_sample_at,
            ahead_until=self._ahead_until,
        )
        return DeliveryReport(
            origin=self._origin,
            batch_id=self._batch_id,
            accepted=stored.accepted,
            duplicate=stored.duplicate,
            revised=stored.revised,
            rejected=self._rejected + self._reader.rejected,
            cores_accepted=cores.accepted,
            cores_duplicate=cores.duplicate,
            cores_corrected=cores.corrected,
            cores_rejected=cores.rejected,
            rejects=(*self._listed, *self._refused())[:MAX_LISTED],
            warnings=tuple(cores.warnings[:MAX_LISTED]),
        )


def _is_empty(delivery: Delivery) -> bool:
    """Whether a poll found nothing new: it moves the connector's position and makes no batch."""
    return (
        delivery.last_part
        and delivery.content_hash is None
        and not (len(delivery.samples) or delivery.cores or delivery.laboratory or delivery.rejects)
    )


_NO_SAMPLES = SampleBlock(
    (),
    np.empty(0, np.int32),
    np.empty(0, np.int64),
    np.empty(0, np.float64),
    np.empty(0, np.int16),
    np.empty(0, np.int16),
)
