"""Poll a connector and store what it delivers, one transaction per file; acknowledge to the connector after the commit."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from datetime import datetime
from enum import StrEnum

import structlog
from sqlalchemy import Engine

from connectors.base import Connector, Delivery
from connectors.errors import ConnectorError, Malformed
from service.errors import StorageError
from service.jobs.ingest.dead_letter import SupportsDeadLetter, SupportsQuarantine, bisect, is_poison
from service.jobs.ingest.intake import Intake
from service.jobs.ingest.report import DeliveryReport, IngestReport
from service.jobs.plant.plant import Plant
from service.storage.database.session import is_serialization_failure, transaction
from service.storage.readings import connector_state

log = structlog.get_logger(__name__)

#: Attempts at a transaction that deadlocks with another, without a pause.
ATTEMPTS = 5
#: Failures while bisecting: halving a thousand values down to a bad one takes ten, to four bad ones forty. What is not
#: isolated by then becomes a dead letter as it is.
MAX_BISECT_FAILURES = 50


class IngestStep(StrEnum):
    """Progress of an ingest, for whoever shows it (or kills the process there in a test)."""

    DELIVERED = "delivered"  #: a part has arrived, nothing of it is stored
    STORED = "stored"  #: a part is in the open transaction
    COMMITTED = "committed"  #: everything is stored for good, the connector does not know yet
    ACKNOWLEDGED = "acknowledged"  #: the connector has moved on


def ingest(
    connector: Connector,
    plant: Plant,
    engine: Engine,
    clock: Callable[[], datetime],
    *,
    tags: Mapping[str, str] | None = None,
    on_step: Callable[[IngestStep, Delivery], None] = lambda step, delivery: None,
) -> IngestReport:
    """Poll a connector once and store all it delivers.

    Parameters
    ----------
    clock : returns the time; called for every delivery.
    tags : signal tag by address; None when the addresses are tags.
    on_step : called at every step, possibly from another thread.

    Returns
    -------
    What was stored, and the connector's error if there was one: it is recorded in its health, not raised.

    Raises
    ------
    StorageError
        the database is away or refuses; what was committed stays, the rest comes again with the next poll.
    """
    driver = _Driver(connector, plant, engine, clock, tags, on_step)
    for attempt in range(1, ATTEMPTS + 1):
        try:
            driver.poll()
            return driver.report()
        except StorageError as error:
            # A file's parts are gone when its transaction is lost, so they are read again.
            if attempt == ATTEMPTS or not is_serialization_failure(error):
                raise
            log.info("trying again", connector=connector.key, problem=str(error), attempt=attempt)
        except ConnectorError as error:
            with transaction(engine) as conn:
                connector_state.record_failure(conn, connector.key, clock(), str(error))
            log.warning("source failed", connector=connector.key, problem=str(error), retryable=error.retryable)
            return driver.report(error)
    raise AssertionError("unreachable")


class _Driver:
    def __init__(
        self,
        connector: Connector,
        plant: Plant,
        engine: Engine,
        clock: Callable[[], datetime],
        tags: Mapping[str, str] | None,
        on_step: Callable[[IngestStep, Delivery], None],
    ) -> None:
        self._connector = connector
        self._plant = plant
        self._engine = engine
        self._clock = clock
        self._tags = tags
        self._on_step = on_step
        self._done: list[DeliveryReport] = []

    def poll(self) -> None:
        key = self._connector.key
        with transaction(self._engine) as conn:
            state = connector_state.load_state(conn, key)
        empty, skipped = True, None
        deliveries = _guarded(self._connector, state)
        for first in deliveries:
            empty = False
            if first.part and first.origin == skipped:
                continue  # the rest of a file that cannot be stored
            try:
                if not first.last_part:
                    report, parts = self._file(first, deliveries)
                elif first.content_hash is None:
                    report, parts = self._single_or_dead_letter(first)
                else:
                    report, parts = self._single(first)
            except Exception as error:
                if not self._quarantined(first, error):
                    raise
                skipped = first.origin
                continue
            self._done.append(report)
            # A file is news; a device's answer, once a second, is not.
            (log.info if first.content_hash is not None else log.debug)(
                "ingested",
                connector=key,
                origin=report.origin,
                batch=report.batch_id,
                accepted=report.accepted,
                duplicate=report.duplicate,
                revised=report.revised,
                rejected=report.rejected,
                cores=report.cores_accepted + report.cores_corrected,
                already_taken_in=report.already_taken_in,
            )
            for part in parts:
                self._connector.committed(part)
            self._on_step(IngestStep.ACKNOWLEDGED, parts[-1])
        if empty:
            with transaction(self._engine) as conn:
                connector_state.record_success(conn, key, self._clock())

    def report(self, error: ConnectorError | None = None) -> IngestReport:
        return IngestReport(
            connector=self._connector.key,
            deliveries=tuple(self._done),
            error="" if error is None else str(error),
            retryable=error is not None and error.retryable,
        )

    def _single(self, delivery: Delivery) -> tuple[DeliveryReport, list[Delivery]]:
        """Store a delivery; retry it after a deadlock, as a device would not show the same values twice."""
        for attempt in range(1, ATTEMPTS + 1):
            try:
                with transaction(self._engine) as conn:
                    intake = self._intake()
                    intake.begin(conn, delivery)
                    self._on_step(IngestStep.DELIVERED, delivery)
                    taken = intake.take(delivery)
                    self._on_step(IngestStep.STORED, delivery)
                    report = intake.finish()
                self._on_step(IngestStep.COMMITTED, delivery)
                return report, [taken]
            except StorageError as error:
                if attempt == ATTEMPTS or not is_serialization_failure(error):
                    raise
                log.info("trying again", connector=self._connector.key, problem=str(error), attempt=attempt)
        raise AssertionError("unreachable")

    def _quarantined(self, first: Delivery, error: Exception) -> bool:
        """Quarantine a file that can never be stored, so that the files after it go in; False where that is not the case."""
        files = self._connector
        if first.content_hash is None or not isinstance(files, SupportsQuarantine) or not is_poison(error):
            return False
        why = _reason(error)
        with transaction(self._engine) as conn:  # that this commits shows that the database takes what is sound
            connector_state.record_failure(conn, files.key, self._clock(), f"{first.origin} cannot be stored: {why}")
        log.error("file cannot be stored", connector=files.key, origin=first.origin, reason=why)
        files.quarantine(first, why)
        return True

    def _single_or_dead_letter(self, delivery: Delivery) -> tuple[DeliveryReport, list[Delivery]]:
        """Store a delivery of a live source; values that can never be stored become dead letters and do not hold up the rest."""
        try:
            return self._single(delivery)
        except Exception as error:
            source = self._connector
            if not isinstance(source, SupportsDeadLetter) or not is_poison(error):
                raise
            log.warning("refused, tried in parts", connector=source.key, origin=delivery.origin, problem=str(error))
            return self._store_bisecting(delivery, source)

    def _store_bisecting(self, delivery: Delivery, source: SupportsDeadLetter) -> tuple[DeliveryReport, list[Delivery]]:
        """Bisect a delivery that was refused, until only what is at fault is left to become a dead letter."""
        refused: list[tuple[Delivery, str]] = []
        stored: list[DeliveryReport] = []
        waiting, failures = [delivery], 0
        while waiting:
            part = waiting.pop()
            try:
                stored.append(self._single(part)[0])
            except Exception as error:
                if not is_poison(error):
                    raise  # what is stored of it is a duplicate next time, the rest is tried again
                failures += 1
                if len(part.samples) > 1 and failures < MAX_BISECT_FAILURES:
                    waiting += reversed(bisect(part))
                else:
                    refused.append((part, _reason(error)))
        self._skip(delivery)
        for part, why in refused:
            source.dead_letter(part, why)
        report = DeliveryReport(
            origin=delivery.origin,
            batch_id=stored[-1].batch_id if stored else None,
            accepted=sum(report.accepted for report in stored),
            duplicate=sum(report.duplicate for report in stored),
            revised=sum(report.revised for report in stored),
            rejected=sum(report.rejected for report in stored) + sum(len(part.samples) for part, _ in refused),
        )
        return report, [delivery]

    def _skip(self, delivery: Delivery) -> None:
        """Move the source's position past a delivery. That this commits shows that the database takes sound data."""
        for state in (delivery.state, None):  # the position itself may be what is refused
            try:
                with transaction(self._engine) as conn:
                    connector_state.record_success(conn, self._connector.key, self._clock(), state=state)
                return
            except StorageError as error:
                if state is None or not is_poison(error):
                    raise

    def _file(self, first: Delivery, rest: Iterator[Delivery]) -> tuple[DeliveryReport, list[Delivery]]:
        """Store a file in parts: while one part is stored, the next is read."""
        taken: list[Delivery] = []

        def take(part: Delivery) -> None:
            # A file may hold millions of rejects, and its connector has written them down already: they are not kept here.
            taken.append(replace(intake.take(part), rejects=(), cores=(), laboratory=()))
            self._on_step(IngestStep.STORED, part)

        intake = self._intake()
        with (
            ThreadPoolExecutor(1, thread_name_prefix=f"store {first.origin}") as pool,
            transaction(self._engine) as conn,
        ):
            intake.begin(conn, first)
            storing: Future[None] | None = None
            try:
                for part in _parts(self._connector.key, first, rest):
                    self._on_step(IngestStep.DELIVERED, part)
                    if storing is not None:
                        storing.result()
                    storing = pool.submit(take, part)
            finally:
                # The connection must be idle before the transaction ends, well or not.
                if storing is not None:
                    storing.exception()
            if storing is not None:
                storing.result()
            report = intake.finish()
        self._on_step(IngestStep.COMMITTED, taken[-1])
        return report, taken

    def _intake(self) -> Intake:
        return Intake(self._connector.key, self._plant, self._tags, self._clock)


def _reason(error: Exception) -> str:
    return str(error) if isinstance(error, StorageError) else f"it cannot be used ({type(error).__name__}: {error})"


def _parts(key: str, first: Delivery, rest: Iterator[Delivery]) -> Iterator[Delivery]:
    yield first
    for part in rest:
        if part.origin != first.origin:
            break
        yield part
        if part.last_part:
            return
    raise Malformed(key, f"{first.origin} ended before its last part.", "Nothing of it was stored; it is read again.")


def _guarded(connector: Connector, state: Mapping[str, object]) -> Iterator[Delivery]:
    """Yield what the connector delivers; a defect in it is raised as a ConnectorError, so that it stops no other connector."""
    try:
        yield from connector.poll(state)
    except (ConnectorError, StorageError):
        raise  # connectors look known files up in the database: that it is away is no defect of theirs
    except Exception as exc:
        log.exception("connector broke", connector=connector.key)
        raise Malformed(
            connector.key, f"reading it failed with {type(exc).__name__}: {exc}.", "This is a defect; please report it."
        ) from exc
