"""The dead-letter queue of a live source: what can never be stored is kept with its reason and holds up nothing behind it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Protocol, runtime_checkable

import numpy as np
import structlog

from connectors.base import Delivery, SampleBlock
from service.errors import StorageError
from service.jobs.ingest.record import decode, encode
from service.storage.database.session import is_data_error
from service.storage.readings.spool import Spool

log = structlog.get_logger(__name__)

#: Values listed in a reason; all of them are in the record.
LISTED = 10


@runtime_checkable
class SupportsDeadLetter(Protocol):
    """A source with a dead-letter queue."""

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep what cannot be stored, with its reason; raise StorageError when that cannot be done now."""
        ...


@runtime_checkable
class SupportsQuarantine(Protocol):
    """A source of files with a quarantine folder."""

    def quarantine(self, delivery: Delivery, why: str) -> None:
        """Quarantine a file that can never be stored, after one more try, with the reason."""
        ...


def is_poison(error: Exception) -> bool:
    """Whether the data are at fault (a poison message), not the database or anything else that may recover."""
    if isinstance(error, StorageError):
        return is_data_error(error)
    return isinstance(error, ValueError | TypeError | LookupError | ArithmeticError)


def bisect(delivery: Delivery) -> list[Delivery]:
    """Split a delivery in two, each with half of its samples."""
    block, middle = delivery.samples, len(delivery.samples) // 2
    return [replace(delivery, samples=_rows(block, part)) for part in (slice(0, middle), slice(middle, None))]


class DeadLetterQueue:
    """Puts dead letters of one source into the folder beside its spool."""

    def __init__(self, key: str, spool: Spool, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._key = key
        self._spool = spool
        self._clock = clock

    def decode(self, payload: bytes, samples: int) -> Delivery | None:
        """Decode a record; one that cannot be decoded becomes a dead letter, and None is returned.

        Raises
        ------
        StorageError
            it cannot be kept as a dead letter either.
        """
        try:
            return decode(payload)
        except ValueError as error:
            self._put(payload, samples, str(error), f"{samples} values")
            return None

    def put(self, delivery: Delivery, why: str) -> None:
        """Keep a delivery that cannot be stored.

        Raises
        ------
        StorageError
            the disk does not take it.
        """
        block = delivery.samples
        listed = [_describe(block, row) for row in range(min(len(block), LISTED))]
        more = [] if len(block) <= LISTED else [f"  and {len(block) - LISTED} more"]
        count = "1 value" if len(block) == 1 else f"{len(block)} values"
        self._put(encode(delivery), len(block), why, "\n".join([f"{count} of {delivery.origin}", *listed, *more]))

    def _put(self, payload: bytes, samples: int, why: str, holds: str) -> None:
        reason = f"Source: {self._key}\nSet aside: {self._clock():%Y-%m-%d %H:%M:%S} UTC\nHolds: {holds}\nWhy: {why}"
        try:
            self._spool.put_dead_letter(payload, samples, reason)
        except OSError as error:
            raise StorageError(
                f"{self._key}: what cannot be stored ({why}) cannot be set aside either: {error}. It waits at the head of "
                "the spool, with all behind it. Free space on the disk of the data folder, or mend it.",
                retryable=True,
            ) from error
        log.error("set aside, cannot be stored", source=self._key, samples=samples, reason=why)


def _rows(block: SampleBlock, part: slice) -> SampleBlock:
    """Select rows with only the addresses they use, so that a bad address stays with its rows."""
    used, index = np.unique(block.address_index[part], return_inverse=True)
    return SampleBlock(
        tuple(block.addresses[number] for number in used.tolist()),
        index.astype(np.int32),
        block.time_us[part],
        block.value[part],
        block.quality[part],
        block.reason[part],
    )


def _describe(block: SampleBlock, row: int) -> str:
    at = np.datetime64(int(block.time_us[row]), "us")  # datetime would refuse a time beyond the calendar
    value, quality = block.value[row], block.quality[row]
    return f"  {block.addresses[block.address_index[row]]!r} {at} UTC: {value} (quality {quality}, reason {block.reason[row]})"
