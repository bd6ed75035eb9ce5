"""A short invented night lived through the real jobs at given moments, to be replayed afterwards."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

import numpy as np
from sqlalchemy import Connection, Engine

from service.bootstrap import Installation
from service.domain.cores.core import Calibration, CalibrationKind, Core
from service.runtime import Runtime
from service.settings import Settings
from service.site.site import Site, parse_site
from service.storage.alarms.alarms import JournalLine, journal, sync_alarms
from service.storage.blanket import recompute
from service.storage.cores.cores import CoreRecord, correct_core, insert_core, withdraw_core
from service.storage.database.epoch import to_us
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds, sync_site
from service.storage.readings.batches import open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.writer import ReadingWriter
from service.storage.sensors.calibrations import (
    CalibrationRecord,
    correct_calibration,
    insert_calibration,
    withdraw_calibration,
)

DUSK = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
MINUTES = 150

SITE = """\
[site]
name = "Alder Creek (invented)"
units = "si"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 30
side_water_depth = 4
floor_slope = 0
core_distance_from_wall = 5

[[signal]]
tag = "LT-E"
kind = "blanket"
tank = "east"
unit = "m"
measures = "height"
zero_height = 0
low = 0
high = 4
expected_interval = "2 min"
stale_after = "10 min"

[[signal]]
tag = "FT-E"
kind = "flow"
tank = "east"
unit = "m3/h"
low = 0
high = 5000

[[alarm]]
tank = "east"
kind = "high"
clearance = 1.5
deadband = 0.1
on_delay = "2 min"
off_delay = "2 min"

[[alarm]]
tank = "east"
kind = "high-high"
clearance = 0.9
deadband = 0.1
on_delay = "1 min"
off_delay = "2 min"

[[alarm]]
tank = "east"
kind = "time to danger"
within = "1 h"
on_delay = "3 min"
off_delay = "5 min"

[[alarm]]
tank = "east"
kind = "deviation"
difference = 0.4
"""

Act = Callable[[Connection, SiteIds, datetime], object]


def minute(number: float) -> datetime:
    """The moment so many minutes into the night."""
    return DUSK + number * MINUTE


def height(number: float) -> float:
    """The true blanket, rising with a storm and settling again. [m]"""
    return 1.8 + 1.5 * math.exp(-(((number - 95.0) / 45.0) ** 2))


def told(tag: str, *minutes: int, change: float = 0.0) -> Act:
    """Readings of a signal at some minutes, delivered at once."""

    def act(conn: Connection, ids: SiteIds, now: datetime) -> None:
        values = [height(m) + change if tag == "LT-E" else 0.2 + 0.2 * (height(m) - 1.8) for m in minutes]
        batch = open_batch(conn, "test", "test", now)
        writer = ReadingWriter(conn, batch)
        writer.store(
            ReadingColumns(
                np.full(len(minutes), ids.signals[tag], dtype=np.int32),
                np.array([to_us(minute(m)) for m in minutes], dtype=np.int64),
                np.array(values, dtype=np.float64),
                np.zeros(len(minutes), dtype=np.int16),
                np.zeros(len(minutes), dtype=np.int16),
            )
        )
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)

    return act


def _record(ids: SiteIds, number: int, taken: int, thickness: float, now: datetime) -> CoreRecord:
    core = Core(
        id=UUID(int=number),
        tank="east",
        taken_at=minute(taken),
        recorded_at=now,
        thickness=thickness,
        distance_from_wall=5.0,
        taken_by="R. Okafor",
    )
    return CoreRecord(core=core, tank_id=ids.tanks["east"], typed_value=thickness, typed_unit="m", source="test")


def cored(number: int, taken: int, thickness: float) -> Act:
    """A hand core typed in, perhaps later than it was taken."""
    return lambda conn, ids, now: insert_core(conn, _record(ids, number, taken, thickness, now))


def corrected(number: int, by: int, taken: int, thickness: float) -> Act:
    """A core put right."""
    return lambda conn, ids, now: correct_core(
        conn, UUID(int=number), _record(ids, by, taken, thickness, now), "misread"
    )


def withdrawn(number: int, by: int) -> Act:
    """A core taken back."""
    return lambda conn, ids, now: withdraw_core(
        conn, UUID(int=number), id=UUID(int=by), at=now, reason="another tank", by="R. Okafor"
    )


def _work(ids: SiteIds, number: int, done: int, left: float, now: datetime) -> CalibrationRecord:
    work = Calibration(
        tag="LT-E",
        at=minute(done),
        kind=CalibrationKind.CALIBRATION,
        done_by="A. Novak",
        reason="quarterly",
        as_left_offset=left,
    )
    return CalibrationRecord(id=UUID(int=number), calibration=work, signal_id=ids.signals["LT-E"], recorded_at=now)


def worked(number: int, done: int, left: float) -> Act:
    """Work on the blanket sensor, perhaps written down later than it was done."""
    return lambda conn, ids, now: insert_calibration(conn, _work(ids, number, done, left, now))


def work_corrected(number: int, by: int, done: int, left: float) -> Act:
    """A record of work put right."""
    return lambda conn, ids, now: correct_calibration(
        conn, UUID(int=number), _work(ids, by, done, left, now), "wrong line"
    )


def work_withdrawn(number: int, by: int) -> Act:
    """A record of work taken back."""
    return lambda conn, ids, now: withdraw_calibration(
        conn, UUID(int=number), id=UUID(int=by), at=now, reason="another tank"
    )


def ordinary(skip: Sequence[int] = ()) -> dict[int, list[Act]]:
    """Blanket and flow every two minutes, as two sources that deliver one after the other."""
    acts: dict[int, list[Act]] = {}
    for m in range(0, MINUTES, 2):
        if m not in skip:
            acts.setdefault(m, []).append(told("LT-E", m))
            acts.setdefault(m + 1, []).append(told("FT-E", m))
    return acts


@dataclass
class Night:
    """The plant in a database, and its clock."""

    engine: Engine
    site: Site = field(default_factory=lambda: parse_site(SITE))

    def __post_init__(self) -> None:
        self.now = DUSK
        with transaction(self.engine) as conn:
            self.ids = sync_site(conn, self.site.tanks().values(), self.site.signals().values())
            sync_alarms(conn, self.site.alarm_definitions(), DUSK)
        settings = Settings(data_dir=Path("unused"), smtp_host=None)
        self.plant = Installation(settings, self.site, self.engine, self.ids)

    def live(self, acts: dict[int, list[Act]], minutes: int = MINUTES) -> None:
        """Live through the night: every minute what came in, then a look."""
        watch = Runtime(self.plant, (), lambda: self.now)
        for m in range(minutes + 1):
            self.now = minute(m)
            for act in acts.get(m, ()):
                with transaction(self.engine) as conn:
                    act(conn, self.ids, self.now)
            watch.evaluate_alarms(self.now)

    def journal(self, until: datetime | None = None) -> list[JournalLine]:
        """What was written about the tank's alarms by a moment, the oldest first."""
        with transaction(self.engine) as conn:
            lines = [line for line in journal(conn) if line.tank == "east" and "definition" not in line.detail]
        return sorted(
            (line for line in lines if until is None or line.recorded_at <= until),
            key=lambda line: (line.recorded_at, line.at, line.key, line.id),
        )
