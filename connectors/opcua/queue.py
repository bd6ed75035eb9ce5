"""A bounded queue between a subscription and the service that stores its samples."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from threading import Lock

from connectors.base import Sample


class SampleQueue:
    """Samples to be stored, oldest first. An offer stays until it is committed; overflow drops the oldest and is counted.

    Thread-safe.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._waiting: deque[Sample] = deque()
        self._offered: list[Sample] = []
        self._lock = Lock()
        self._lost = 0

    @property
    def lost(self) -> int:
        """Samples dropped since the queue was made, because it was full."""
        return self._lost

    def __len__(self) -> int:
        with self._lock:
            return len(self._offered) + len(self._waiting)

    def extend(self, samples: Iterable[Sample]) -> None:
        """Append; when full, drop the oldest that were not offered yet."""
        with self._lock:
            for sample in samples:
                if len(self._waiting) >= self._limit:
                    self._waiting.popleft()
                    self._lost += 1
                self._waiting.append(sample)

    def offer(self, most: int) -> list[Sample]:
        """Up to *most* samples to store; the same ones until :meth:`commit`."""
        with self._lock:
            if not self._offered:
                self._offered = [self._waiting.popleft() for _ in range(min(most, len(self._waiting)))]
            return self._offered

    def commit(self) -> None:
        """Remove what was offered, which is stored."""
        with self._lock:
            self._offered = []
