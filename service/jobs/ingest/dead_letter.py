"""What of a live source can never be stored is set aside with its reason, so that it holds up nothing behind it."""

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

#: Values named in a reason; all of them are in the record.
NAMED = 10


@runtime_checkable
class SupportsDeadLetter(Protocol):
    """A source that can keep apart what cannot be stored."""

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep it with its reason; raise StorageError when that cannot be done now."""
        ...


@runtime_checkable
class SupportsQuarantine(Protocol):
    """A source of files that can put one away that cannot be stored."""

    def quarantine(self, delivery: Delivery, why: str) -> None:
        """A file was read but can never be stored; whoever has it tries once more, then puts it away with the reason."""
        ...


def is_poison(error: Exception) -> bool:
    """Tell an error in what was to be stored from one of the database or of anything else that may heal by itself."""
    if isinstance(error, StorageError):
        return is_data_error(error)
    return isinstance(error, ValueError | TypeError | LookupError | ArithmeticError)


def bisect(delivery: Delivery) -> list[Delivery]:
    """The same delivery in two, each with half of its samples."""
    block, middle = delivery.samples, len(delivery.samples) // 2
    return [replace(delivery, samples=_rows(block, part)) for part in (slice(0, middle), slice(middle, None))]


class DeadLetterQueue:
    """Keeps what is refused of one source beside its spool."""

    def __init__(self, key: str, spool: Spool, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._key = key
        self._spool = spool
        self._clock = clock

    def readable(self, payload: bytes, samples: int) -> Delivery | None:
        """The delivery in a record, or None when it cannot be read and is set aside.

        Raises
        ------
        StorageError
            it cannot be set aside either.
        """
        try:
            return decode(payload)
        except ValueError as error:
            self._keep(payload, samples, str(error), f"{samples} values")
            return None

    def dead_letter(self, delivery: Delivery, why: str) -> None:
        """Keep a delivery that cannot be stored.

        Raises
        ------
        StorageError
            the disk does not take it.
        """
        block = delivery.samples
        named = [_worded(block, row) for row in range(min(len(block), NAMED))]
        more = [] if len(block) <= NAMED else [f"  and {len(block) - NAMED} more"]
        count = "1 value" if len(block) == 1 else f"{len(block)} values"
        self._keep(encode(delivery), len(block), why, "\n".join([f"{count} of {delivery.origin}", *named, *more]))

    def _keep(self, payload: bytes, samples: int, why: str, holds: str) -> None:
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
    """Some rows with only the addresses they use, so that a bad address goes with its rows."""
    used, index = np.unique(block.address_index[part], return_inverse=True)
    return SampleBlock(
        tuple(block.addresses[number] for number in used.tolist()),
        index.astype(np.int32),
        block.time_us[part],
        block.value[part],
        block.quality[part],
        block.reason[part],
    )


def _worded(block: SampleBlock, row: int) -> str:
    at = np.datetime64(int(block.time_us[row]), "us")  # a moment beyond the calendar must not trip it
    value, quality = block.value[row], block.quality[row]
    return f"  {block.addresses[block.address_index[row]]!r} {at} UTC: {value} (quality {quality}, reason {block.reason[row]})"
