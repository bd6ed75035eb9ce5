"""A clock that follows the database's time: all nodes share it, carried on by this node's monotonic clock.

A node whose clock is wrong, or is set, would otherwise reject good readings as coming from the future, date others wrongly,
and delay calls. Until the database has answered the node's own clock is used.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import structlog

log = structlog.get_logger(__name__)

#: Differences below the first are network delay; answers slower than the second are ignored. [s]
TOLERANCE_S, SLOWEST_S = 0.5, 2.0

#: An offset beyond this is logged as an error [s].
WRONG_S = 30.0


class DatabaseClock:
    """Returns the time; synchronized by every query of the database's time.

    Parameters
    ----------
    own : this node's clock.
    steady : monotonic seconds.
    """

    def __init__(self, own: Callable[[], datetime], steady: Callable[[], float]) -> None:
        self._own = own
        self._steady = steady
        #: A time of the database, and the monotonic time then.
        self._known: tuple[datetime, float] | None = None
        self._logged_wrong = False

    def __call__(self) -> datetime:
        """The time now, in UTC."""
        return self._own() if self._known is None else self._at(self._known, self._steady())

    def observe(self, theirs: datetime, asked_at: float, answered_at: float) -> None:
        """Synchronize with the database's time, queried and answered at these monotonic times."""
        if answered_at - asked_at > SLOWEST_S:
            return
        middle = (asked_at + answered_at) / 2
        if self._known is None or abs((self._at(self._known, middle) - theirs).total_seconds()) > TOLERANCE_S:
            self._known = (theirs, middle)
        off = (self._own() - self()).total_seconds()
        wrong = abs(off) > WRONG_S
        if wrong and not self._logged_wrong:
            log.error("this machine's clock differs from the database's, which counts; set them right", by_seconds=off)
        self._logged_wrong = wrong

    @staticmethod
    def _at(known: tuple[datetime, float], steady: float) -> datetime:
        return known[0] + timedelta(seconds=steady - known[1])
