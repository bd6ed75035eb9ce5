"""A circuit breaker for a failing source: exponential back-off with full jitter."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

#: A failure that waiting cannot heal still may end: somebody moves a certificate, corrects an address at the device.
LOOK_AGAIN = timedelta(minutes=5)


class CircuitState(StrEnum):
    """Whether a source is being asked."""

    CLOSED = "working"
    OPEN = "waiting to try again"
    HALF_OPEN = "trying again"


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """Where a source stands; a value, replaced at every outcome."""

    state: CircuitState = CircuitState.CLOSED
    failures: int = 0
    retry_at: datetime | None = None
    opened_at: datetime | None = None

    def succeeded(self) -> Circuit:
        """The source answered."""
        return Circuit()

    def failed(self, now: datetime, *, retryable: bool, base: timedelta, cap: timedelta, draw: float) -> Circuit:
        """The source did not answer.

        Parameters
        ----------
        draw : a number drawn evenly from 0 to 1.
        """
        failures = self.failures + 1
        wait = backoff(failures, base=base, cap=cap, draw=draw) if retryable else LOOK_AGAIN
        return Circuit(state=CircuitState.OPEN, failures=failures, retry_at=now + wait, opened_at=self.opened_at or now)

    def trying(self) -> Circuit:
        """The wait is over and the source is asked once."""
        if self.state is CircuitState.CLOSED:
            return self
        return Circuit(state=CircuitState.HALF_OPEN, failures=self.failures, retry_at=None, opened_at=self.opened_at)


def backoff(failures: int, *, base: timedelta, cap: timedelta, draw: float) -> timedelta:
    """How long to wait after the n-th failure in a row.

    Parameters
    ----------
    failures : 1 after the first.
    base : the longest wait after the first failure; doubles with each further one up to *cap*.
    draw : a number drawn evenly from 0 to 1: the wait is that part of the longest, so that many sources that failed
        together do not come back together.

    Notes
    -----
    "Full jitter" of M. Brooker, Exponential Backoff and Jitter, AWS Architecture Blog, 2015.

    >>> backoff(3, base=timedelta(seconds=1), cap=timedelta(seconds=60), draw=0.5).total_seconds()
    2.0
    """
    # A float holds no power beyond 1023; the cap is reached long before.
    longest = min(cap, base * 2 ** min(failures - 1, 40)) if failures <= 40 else cap
    return longest * draw
