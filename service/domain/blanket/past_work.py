"""How far the past of a tank has been estimated again beside its present."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.plant.display import format_dated, format_duration, format_share


@dataclass(frozen=True, slots=True, kw_only=True)
class PastWork:
    """The past of one tank while it is estimated again: from when on, how far, and since when that goes on."""

    since: datetime
    reached: datetime
    began_at: datetime
    at: datetime  #: now

    @property
    def share(self) -> float:
        """How much of the time between is done, 0 to 1. [–]

        >>> from datetime import UTC
        >>> day = lambda n: datetime(2026, 1, n, tzinfo=UTC)
        >>> PastWork(since=day(1), reached=day(4), began_at=day(13), at=day(13)).share
        0.25
        """
        whole = self.at - self.since
        if whole <= timedelta(0):
            return 1.0
        return min(max((self.reached - self.since) / whole, 0.0), 1.0)

    @property
    def left(self) -> timedelta | None:
        """Roughly how long it still takes if it goes on like so far; None while too little is done to say.

        >>> from datetime import UTC
        >>> day = lambda n, minute=0: datetime(2026, 1, n, 0, minute, tzinfo=UTC)
        >>> PastWork(since=day(1), reached=day(11), began_at=day(21), at=day(21, 2)).left < timedelta(minutes=3)
        True
        >>> PastWork(since=day(1), reached=day(1), began_at=day(21), at=day(21, 2)).left is None
        True
        """
        if self.share < 0.01:
            return None
        return (self.at - self.began_at) * ((1.0 - self.share) / self.share)


def past_words(work: PastWork, zone: ZoneInfo) -> str:
    """What is going on, for people: from when to when, how far, how long still.

    >>> from datetime import UTC
    >>> day = lambda n, minute=0: datetime(2026, 1, n, 0, minute, tzinfo=UTC)
    >>> past_words(PastWork(since=day(1), reached=day(11), began_at=day(21), at=day(21, 4)), ZoneInfo("UTC"))
    'the past from 2026-01-01 00:00 UTC is being estimated again: 50 % done, up to 2026-01-11 00:00 UTC, about 4 min left; \
what is believed now does not yet know of it'
    """
    left = "" if work.left is None else f", about {format_duration(work.left)} left"
    return (
        f"the past from {format_dated(work.since, zone)} is being estimated again: {format_share(work.share)} done,"
        f" up to {format_dated(work.reached, zone)}{left}; what is believed now does not yet know of it"
    )
