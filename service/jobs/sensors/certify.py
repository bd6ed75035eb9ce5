"""The certificate of recorded work on a sensor, with what the hand cores say of it now."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.plant.units import UnitSystem
from service.jobs.sensors.review import review
from service.storage.plant.site_tables import SiteIds
from service.storage.sensors.calibrations import CalibrationRecord


def certify(
    engine: Engine,
    setups: Sequence[TankSetup],
    ids: SiteIds,
    record: CalibrationRecord,
    *,
    site: str,
    units: UnitSystem,
    zone: ZoneInfo,
    now: datetime,
) -> bytes:
    """The certificate as a PDF.

    Raises
    ------
    InputError
        when the sensor is no longer in the site file.
    """
    # The libraries that draw it load slowly, and few commands need them.
    from service.reports.certificate import RecordedWork, certificate

    work = record.calibration
    one = review(engine, setups, ids, work.tag, now)
    return certificate(
        RecordedWork(
            id=record.id,
            work=work,
            recorded_at=record.recorded_at,
            note=record.note,
            supersedes=record.supersedes,
            correction_reason=record.correction_reason,
        ),
        one.setup.tank,
        one.proof(work.at),
        site=site,
        units=units,
        zone=zone,
        now=now,
    )
