"""What the effluent's meters and the laboratory say now, and whether it is beyond its limit: nothing about a tank is called kept meanwhile."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Connection

from service.alarms.observations import EffluentSeen
from service.domain.blanket.estimate import TankSetup
from service.domain.plant.display import format_quantity
from service.domain.plant.signal import DIMENSION_OF, SignalKind
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.situations import effluent_seen, laboratory_beyond, laboratory_values
from service.storage.alarms.inputs import good_readings
from service.storage.plant.site_tables import SiteIds


def effluent_beyond(conn: Connection, setup: TankSetup, ids: SiteIds, now: datetime) -> tuple[EffluentSeen, ...]:
    """The meters of a tank, or of the whole plant, that last read above their limit, and laboratory values above the permit's.

    What fell silent has not taken it back.
    """
    meters = {s.tag: s for s in setup.others if s.limit is not None and s.tag in ids.signals}
    readings = good_readings(conn, {ids.signals[tag]: now for tag in meters}, now)
    seen = effluent_seen(tuple(meters.values()), {tag: readings[ids.signals[tag]] for tag in meters}, now)
    sampled = laboratory_values(conn, [setup], ids, now, now).get(setup.tank.key, ())
    beyond = [one for one in seen if one.beyond] + list(laboratory_beyond(setup, sampled, seen, now))
    return tuple(sorted(beyond, key=lambda one: one.limit / one.value))


def beyond_words(seen: EffluentSeen, units: UnitSystem) -> str:
    """A meter's value beside its limit.

    >>> from datetime import UTC
    >>> at = datetime(2026, 1, 14, tzinfo=UTC)
    >>> beyond_words(EffluentSeen(tag="AE-1", kind=SignalKind.TURBIDITY, at=at, value=30.0, limit=10.0, fresh=False), "us")
    'effluent turbidity 30.0 NTU by AE-1, limit 10.0 NTU, and no value since'
    """
    name = "effluent turbidity" if seen.kind is SignalKind.TURBIDITY else "effluent solids"
    value, limit = (format_quantity(one, DIMENSION_OF[seen.kind], units) for one in (seen.value, seen.limit))
    return f"{name} {value} by {seen.tag}, limit {limit}{'' if seen.fresh else ', and no value since'}"
