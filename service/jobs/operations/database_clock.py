"""The time of day that all nodes go by: the database's, carried on by this node's own steady clock.

A node whose clock is wrong, or is set, would else refuse good readings as coming from the future, date others wrongly, and
put calls off. Until the database has been heard the node's own time of day has to do.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

import structlog

log = structlog.get_logger(__name__)

#: What the way to the database and back may make of a time [s]; an answer that took longer says nothing.
TOLERANCE_S, SLOWEST_S = 0.5, 2.0

#: From here on a person should set a clock right [s].
WRONG_S = 30.0


class DatabaseClock:
    """Tells now; kept by whoever hears the database.

    Parameters
    ----------
    own : this node's time of day.
    steady : seconds that heed no setting of it.
    """

    def __init__(self, own: Callable[[], datetime], steady: Callable[[], float]) -> None:
        self._own = own
        self._steady = steady
        #: A time of day, and what the steady clock said then.
        self._known: tuple[datetime, float] | None = None
        self._told_wrong = False

    def __call__(self) -> datetime:
        """The time now, in UTC."""
        return self._own() if self._known is None else self._at(self._known, self._steady())

    def observe(self, theirs: datetime, asked_at: float, answered_at: float) -> None:
        """Take the database's time, asked for and answered at these times of the steady clock."""
        if answered_at - asked_at > SLOWEST_S:
            return
        middle = (asked_at + answered_at) / 2
        if self._known is None or abs((self._at(self._known, middle) - theirs).total_seconds()) > TOLERANCE_S:
            self._known = (theirs, middle)
        off = (self._own() - self()).total_seconds()
        wrong = abs(off) > WRONG_S
        if wrong and not self._told_wrong:
            log.error("this machine's clock differs from the database's, which counts; set them right", by_seconds=off)
        self._told_wrong = wrong

    @staticmethod
    def _at(known: tuple[datetime, float], steady: float) -> datetime:
        return known[0] + timedelta(seconds=steady - known[1])
