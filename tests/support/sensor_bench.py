"""Weeks of two sensors and their hand cores in a real database: one fouls and gets wrong cores, one has hardly a core."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import numpy as np
from sqlalchemy import Engine

from service.domain.cores.core import Calibration, CalibrationKind, Core
from service.jobs.blanket.estimate import update_estimates
from service.jobs.sensors.calibrate import record_work
from service.storage.blanket import recompute
from service.storage.cores.cores import CoreRecord, insert_core
from service.storage.database.session import make_engine, transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support.alarm_plant import EAST, NIGHT, WEST, by
from tests.support.plant import columns
from tests.support.web_plant import settle

STEP = timedelta(minutes=20)
DAYS = 16
START = NIGHT - timedelta(days=DAYS)
CLEANED = NIGHT - timedelta(days=10)
#: The east sensor fouls by so much a day [m].
FOULING = -0.04
CLEANING = UUID(int=4711)
#: The tanks as the web sees them: the sensors' loops described.
BENCH = tuple(
    replace(setup, blankets=tuple(replace(signal, low=0.0, high=4.0) for signal in setup.blankets))
    for setup in (EAST, WEST)
)


def bench_filled(url: str) -> None:
    """Fill the database that tests of the bench begin with a copy of."""
    engine = make_engine(url, application_name="underweir-tests")
    _fill(engine, settle(engine, BENCH).ids)
    engine.dispose()


def _fill(engine: Engine, ids: SiteIds) -> None:
    """Sixteen days up to the night: cores every six hours in the east (one in feet logged as metres), two in the west."""
    rng = np.random.default_rng(11)
    hours = np.arange(DAYS * 72) / 3.0
    true = 1.1 + 0.35 * np.sin(2 * np.pi * hours / 31.0)
    since = np.where(hours < (DAYS - 10) * 24, hours, hours - (DAYS - 10) * 24) / 24.0
    seen = {"east": true + FOULING * since, "west": true}
    record_work(
        engine,
        BENCH[0],
        ids,
        Calibration(
            tag="east.blanket",
            at=CLEANED,
            kind=CalibrationKind.CLEANING,
            done_by="Technician Person",
            reason="fouled face",
            as_found_offset=FOULING * 6.0,
            as_left_offset=0.0,
        ),
        by("technician"),
        now=CLEANED + timedelta(minutes=20),
        units="us",
        id=CLEANING,
    )
    with transaction(engine) as conn:
        for key, values in seen.items():
            noisy = values + rng.normal(0.0, 0.01, values.size)
            writer = ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT))
            writer.store(columns(ids.signals[f"{key}.blanket"], noisy.tolist(), start=START, step=STEP))
            recompute.mark_signals_dirty(conn, writer.stored.earliest_us)
        number = 0
        for key, every in (("east", 6.0), ("west", 150.0)):
            for hour in np.arange(3.0, DAYS * 24.0, every).tolist():
                number += 1
                thickness = float(np.interp(hour, hours, true) + rng.normal(0.0, 0.04))
                typed = thickness / 0.3048 if number == 50 else thickness
                at = START + timedelta(hours=hour, minutes=2)
                core = Core(
                    id=UUID(int=number),
                    tank=key,
                    taken_at=at,
                    recorded_at=at,
                    thickness=typed,
                    distance_from_wall=0.0,
                    taken_by="Operator Person",
                )
                insert_core(
                    conn,
                    CoreRecord(core=core, tank_id=ids.tanks[key], typed_value=typed, typed_unit="m", source="test"),
                )
    update_estimates(engine, BENCH, ids, NIGHT)
