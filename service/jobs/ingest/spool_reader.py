"""What was put by of a live source, given out again as deliveries."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import structlog

from connectors.base import Delivery
from service.jobs.ingest.dead_letter import DeadLetterQueue
from service.storage.readings.dead_letter import samples_of
from service.storage.readings.spool import Spool

log = structlog.get_logger(__name__)


class SpoolReader:
    """A spool's records, oldest first, then those set aside that somebody moved back to have them tried again.

    The next is given out only once the last one was stored or set aside: what follows must not overtake it.
    """

    def __init__(self, key: str, spool: Spool, refusals: DeadLetterQueue) -> None:
        self._key = key
        self._spool = spool
        self._refusals = refusals
        #: What is given out and not yet stored: a record's number, or the file that was moved back.
        self._out: int | Path | None = None

    @property
    def any(self) -> bool:
        """Whether there is anything."""
        return self._spool.counts().records > 0 or bool(self._spool.dead_letters.retry_candidates())

    @property
    def given_out(self) -> bool:
        """Whether something is given out and not yet stored."""
        return self._out is not None

    def deliveries(self) -> Iterator[tuple[Delivery, bool]]:
        """Each delivery, and whether it was moved back: then its place in the source has long gone by."""
        self.forget()
        for record in self._spool.pending():
            held = self._refusals.readable(record.payload, record.samples)
            if held is None:
                self._spool.trim(record.sequence)
                continue
            self._out = record.sequence
            yield held, False
            if self.given_out:
                return
        for path in self._spool.dead_letters.retry_candidates():
            again = self._tried_again(path)
            if again is None:
                continue
            self._out = path
            yield again, True
            if self.given_out:
                return

    def stored(self) -> None:
        """What was given out last is needed no more."""
        if isinstance(self._out, Path):
            self._spool.dead_letters.remove(self._out)
        elif self._out is not None:
            self._spool.trim(self._out)
        self._out = None

    def forget(self) -> None:
        """What was given out was not stored; it stays where it is."""
        self._out = None

    def _tried_again(self, path: Path) -> Delivery | None:
        """What somebody moved back; None when it is gone again, or cannot be read and went back to where it was."""
        try:
            payload = path.read_bytes()
        except OSError as error:
            log.warning("cannot be read, so not tried again", source=self._key, file=str(path), problem=str(error))
            return None
        again = self._refusals.readable(payload, samples_of(path))
        if again is None:
            self._spool.dead_letters.remove(path)
        return again
