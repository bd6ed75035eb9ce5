"""Alarm performance figures of a span, from the journal."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Engine

from service.alarms.figures import Figures, figures, occurrences_of
from service.jobs.alarms.setup import AlarmSetup
from service.storage.alarms.alarms import transitions_between
from service.storage.database.session import transaction

#: Alarms that began before the span may stand into it; those older than this are not looked for.
BEFORE = timedelta(days=31)


def alarm_figures(engine: Engine, setup: AlarmSetup, start: datetime, end: datetime) -> Figures:
    """The figures from *start* to *end*, alarms of tanks and of the service together: one operator sees them all."""
    with transaction(engine) as conn:
        return _figures(conn, setup, start, end)


def monthly_figures(engine: Engine, setup: AlarmSetup, now: datetime, months: int = 12) -> list[Figures]:
    """The figures of each month in plant time, the oldest first; the last is the month under way.

    Parameters
    ----------
    months : how many, the present one included.
    """
    bounds = [_first_of_month(now, setup.site.zone, back) for back in range(months - 1, -1, -1)]
    ends = [*bounds[1:], now]
    with transaction(engine) as conn:
        return [_figures(conn, setup, start, end) for start, end in zip(bounds, ends, strict=True) if end > start]


def _figures(conn: Connection, setup: AlarmSetup, start: datetime, end: datetime) -> Figures:
    priorities = {definition.key: definition.priority for definition in setup.definitions}
    lines = transitions_between(conn, start - BEFORE, end)
    return figures(occurrences_of(lines, priorities), start, end)


def _first_of_month(now: datetime, zone: ZoneInfo, back: int) -> datetime:
    local = now.astimezone(zone)
    month = local.year * 12 + local.month - 1 - back
    return datetime(month // 12, month % 12 + 1, 1, tzinfo=zone).astimezone(UTC)
