"""One sensor looked at with everything known: drift, advice, charts, doubtful cores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, Engine

from service.domain import estimate as estimator
from service.domain.advice import TOLERANCE
from service.domain.estimate import TankSetup
from service.domain.sensor_review import HeightAt, SensorReview, review_sensor
from service.errors import InputError
from service.jobs.estimate import newest_state
from service.storage.calibrations import CalibrationRecord, current_calibrations
from service.storage.core_pairs import pairs_of
from service.storage.estimates import latest_estimates
from service.storage.session import transaction
from service.storage.site_tables import SiteIds

#: An estimate older than this says nothing about where a blanket stood.
SAYS_FOR = timedelta(hours=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """A review with the tank it belongs to and the work recorded on the sensor."""

    setup: TankSetup
    review: SensorReview
    works: tuple[CalibrationRecord, ...]


def review(
    engine: Engine,
    setups: Sequence[TankSetup],
    ids: SiteIds,
    tag: str,
    now: datetime,
    *,
    tolerance: float = TOLERANCE,
) -> Reviewed:
    """Review one blanket sensor.

    Parameters
    ----------
    tolerance : error that is still good enough. [m]

    Raises
    ------
    InputError
        when no tank has a blanket sensor of that tag.
    """
    setup = setup_of(setups, tag)
    with transaction(engine) as conn:
        signal_id, tank_id = ids.signals[tag], ids.tanks[setup.tank.key]
        works = current_calibrations(conn, [signal_id])
        pairs = pairs_of(conn, [signal_id])
        state = newest_state(conn, setup, tank_id)
        found = review_sensor(
            setup,
            state or estimator.initial(setup),
            tag,
            pairs,
            [work.calibration for work in works],
            now,
            tolerance=tolerance,
            other_tanks=[other.tank.key for other in setups if other.tank.key != setup.tank.key],
            height_at=_heights(conn, ids),
        )
    return Reviewed(setup=setup, review=found, works=tuple(works))


def setup_of(setups: Sequence[TankSetup], tag: str) -> TankSetup:
    """The tank whose blanket that sensor measures.

    Raises
    ------
    InputError
        when there is none.
    """
    for setup in setups:
        if any(signal.tag == tag for signal in setup.blankets):
            return setup
    known = ", ".join(signal.tag for setup in setups for signal in setup.blankets)
    raise InputError(f"there is no blanket sensor {tag!r}; there are: {known}")


def _heights(conn: Connection, ids: SiteIds) -> HeightAt:
    def at(tank: str, time: datetime) -> tuple[float, float] | None:
        found = latest_estimates(conn, [ids.tanks[tank]], time).get(ids.tanks[tank])
        if found is None or time - found.time > SAYS_FOR:
            return None
        return found.height, found.sd

    return at
