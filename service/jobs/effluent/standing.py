"""Which average of the permit stands nearest to its limit now, for the alarms."""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import Engine

from service.alarms.rules import PermitSeen
from service.domain.effluent.month import Nearest, broken_before, nearest, week_of
from service.domain.effluent.permit import DIMENSION_OF_MEASURE, Term
from service.domain.plant.display import format_quantity
from service.domain.plant.units import UnitSystem
from service.jobs.effluent.days import read_effluent
from service.jobs.plant.plant import Plant
from service.storage.database.session import transaction

#: Averages of days are counted anew this often: they move in hours, and a month of values is much to read every half minute.
EVERY = timedelta(minutes=5)


class PermitStanding:
    """Counts the averages, and remembers them for some minutes."""

    def __init__(self) -> None:
        self._at: datetime | None = None
        self._seen: PermitSeen | None = None

    def seen(self, engine: Engine, plant: Plant, now: datetime) -> PermitSeen | None:
        """The average nearest to its limit; None where the permit has none, or nothing was measured."""
        if not any(plant.permit.on(Term.DAILY, Term.WEEKLY, Term.MONTHLY)):
            return None
        if self._at is None or not timedelta(0) <= now - self._at < EVERY:
            self._seen = permit_seen(engine, plant, now)
            self._at = now
        return self._seen


def permit_seen(engine: Engine, plant: Plant, now: datetime) -> PermitSeen | None:
    """The average of today, this week or this month that stands nearest to its limit, and what ended days broke."""
    today = now.astimezone(plant.alarms.site.zone).date()
    yesterday = today - timedelta(days=1)
    first = min(yesterday.replace(day=1), week_of(yesterday, plant.permit.week_starts)[0])
    with transaction(engine) as conn:
        days = read_effluent(conn, plant, first, today, now).days
    found, before = nearest(plant.permit, days, today), broken_before(plant.permit, days, today)
    if found is None:
        return None
    units = plant.alarms.units
    return PermitSeen(
        share=found.share,
        words=average_words(found, units),
        broken="" if before is None else average_words(before, units),
    )


#: How an average of now is named, and one of ended days.
_OF_NOW = {Term.DAILY: "today's", Term.WEEKLY: "this week's", Term.MONTHLY: "this month's", Term.INSTANTANEOUS: "the"}


def average_words(found: Nearest, units: UnitSystem) -> str:
    """An average beside its limit.

    >>> from service.domain.effluent.permit import Measure, PermitLimit
    >>> average_words(Nearest(PermitLimit(Measure.SOLIDS, Term.MONTHLY, 0.030), 0.0271, 0.903), "us")
    "this month's average of effluent solids 27.1 mg/L, limit 30.0 mg/L"
    """
    dimension = DIMENSION_OF_MEASURE[found.limit.measure]
    value, limit = (format_quantity(one, dimension, units) for one in (found.value, found.limit.value))
    if found.until is None:
        return f"{_OF_NOW[found.limit.term]} average of {found.limit.measure.value} {value}, limit {limit}"
    which = "average of" if found.limit.term is Term.DAILY else f"{found.limit.term.value} up to"
    return f"{which} {found.until.isoformat()} of {found.limit.measure.value} {value}, limit {limit}: broken"
