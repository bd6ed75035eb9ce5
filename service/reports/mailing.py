"""Schedule of mailed reports: to whom, and when in the plant's time. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.calls.contact import Contact
from service.domain.plant.period import Period, PeriodKind, last_whole

#: After this long a report is no longer mailed; it stays available on its page.
LATEST = {PeriodKind.DAILY: timedelta(hours=18), PeriodKind.MONTHLY: timedelta(days=5)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mailing:
    """What the site asks for. Times are the plant's: of the day after, of the first of the month after."""

    to: tuple[Contact, ...] = ()
    daily: time | None = None
    monthly: time | None = None
    #: Whether these people are told of every hand core at once; otherwise it stands in the shift log.
    cores_at_once: bool = False

    def due(self, zone: ZoneInfo, now: datetime) -> list[Period]:
        """The periods whose report should have left by now and not long ago."""
        found = []
        for span, at in ((PeriodKind.DAILY, self.daily), (PeriodKind.MONTHLY, self.monthly)):
            if at is None or not self.to:
                continue
            period = last_whole(span, now, zone)
            day_after = period.end.astimezone(zone).date()
            leaves = datetime.combine(day_after, at, zone).astimezone(UTC)
            if leaves <= now < leaves + LATEST[span]:
                found.append(period)
        return found
