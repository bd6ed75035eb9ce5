"""The certificate of work on a sensor: which cores it rests on, and that it is a document a printer takes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import get_args
from uuid import UUID
from zoneinfo import ZoneInfo

from service.domain.blanket import estimate as estimator
from service.domain.blanket.estimate import TankSetup
from service.domain.cores.core import Calibration, CalibrationKind, Core
from service.domain.plant.reading import Reading
from service.domain.plant.units import UnitSystem
from service.domain.sensors.review import SensorReview, review_sensor
from service.domain.sensors.work_proof import work_proof
from service.reports.certificate import RecordedWork, certificate
from tests.support import plant

START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
WORK = Calibration(
    tag="LT-E",
    at=START + timedelta(days=19, hours=12),
    kind=CalibrationKind.CLEANING,
    done_by="T. Adeyemi",
    reason="fouled wiper",
    as_found_offset=-0.30,
    as_left_offset=0.01,
)


def _review() -> tuple[TankSetup, SensorReview]:
    """Thirty days of a sensor that reads 0.3 m low until it is cleaned; a core every morning."""
    setup = TankSetup(tank=plant.tank("east"), blankets=(plant.blanket("LT-E", "east"),))
    events: list[estimator.Event] = [WORK]
    for day in range(30):
        at = START + timedelta(days=day)
        error = -0.30 if at < WORK.at else 0.0
        for minute in range(-60, 61, 5):
            events.append(Reading("LT-E", at + timedelta(minutes=minute), 1.2 + error + 0.01 * (minute % 3 - 1)))
        events.append(
            Core(
                id=UUID(int=day + 1),
                tank="east",
                taken_at=at + timedelta(minutes=2),
                recorded_at=at + timedelta(minutes=9),
                thickness=1.2 + 5.0 / 12.0 + (0.02 if day % 2 else -0.02),
                distance_from_wall=5.0,
            )
        )
    told = estimator.advance(setup, estimator.initial(setup), sorted(events, key=estimator.event_order))
    now = START + timedelta(days=30)
    return setup, review_sensor(setup, told.state, "LT-E", told.pairs, [WORK], now)


def made(units: UnitSystem, note: str = "±0.1 – “wiper” replaced") -> bytes:
    setup, review = _review()
    record = RecordedWork(
        id=UUID(int=99),
        work=WORK,
        recorded_at=WORK.at + timedelta(hours=1),
        note=note,
        as_found_typed="shows 3.0 ft, core 4.1 ft at 5.0 ft from the wall",
        as_left_typed="error +0.03 ft",
        supersedes=UUID(int=98),
        correction_reason="the sign was turned",
    )
    return certificate(
        record,
        setup.tank,
        work_proof(review.history.points, WORK.at),
        site="Invented Creek Works",
        units=units,
        zone=ZoneInfo("America/New_York"),
        now=START + timedelta(days=30),
    )


def test_twelve_cores_on_a_side_and_the_signatures_fit_one_page() -> None:
    for units in get_args(UnitSystem):
        assert made(units).count(b"/Type /Page\n") == 1


def test_it_is_a_pdf_on_the_plants_paper() -> None:
    letter, a4 = made("us"), made("si")
    assert letter.startswith(b"%PDF-")
    assert b"/MediaBox [0 0 612.00 792.00]" in letter or b"/MediaBox [0 0 612 792]" in letter
    assert b"/MediaBox [0 0 595.28 841.89]" in a4
