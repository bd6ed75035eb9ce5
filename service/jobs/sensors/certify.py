"""The certificate of recorded work on a sensor, with what the hand cores say of it now."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Engine

from service.jobs.plant.plant import Plant
from service.jobs.sensors.review import review
from service.storage.sensors.calibrations import CalibrationRecord


def certify(engine: Engine, plant: Plant, record: CalibrationRecord, *, now: datetime) -> bytes:
    """The certificate as a PDF.

    Raises
    ------
    InputError
        when the sensor is no longer in the site file.
    """
    # The libraries that draw it load slowly, and few commands need them.
    from service.reports.certificate import RecordedWork, certificate

    work = record.calibration
    one = review(engine, plant, work.tag, now)
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
        site=plant.alarms.site.name,
        units=plant.alarms.units,
        zone=plant.alarms.site.zone,
        now=now,
    )
