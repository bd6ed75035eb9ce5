"""A small invented plant for tests that need tanks and signals in the database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import UUID, uuid4

import numpy as np
from sqlalchemy import Connection

from service.domain.cores.core import Core
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.storage.cores.cores import CoreRecord
from service.storage.database.epoch import to_us
from service.storage.plant.site_tables import SiteIds, sync_site
from service.storage.readings.columns import ReadingColumns

NIGHT = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
NOON = datetime(2026, 3, 15, 12, 0, tzinfo=UTC)


def tank(key: str = "east", **changes: object) -> Tank:
    """A circular secondary tank, 30 m across, 4 m deep at the wall, floor falling 1:12."""
    described: dict[str, object] = {
        "key": key,
        "label": f"{key.capitalize()} tank",
        "kind": TankKind.SECONDARY,
        "shape": TankShape.CIRCULAR,
        "side_water_depth": 4.0,
        "floor_slope": 1 / 12,
        "diameter": 30.0,
        "core_distance_from_wall": 5.0,
    }
    return Tank(**(described | changes))  # type: ignore[arg-type]


def blanket(tag: str, tank: str, unit: str = "m") -> Signal:
    """A blanket sensor that reports height above the floor datum."""
    return Signal(
        tag=tag, kind=SignalKind.BLANKET, tank=tank, unit=unit, low=0.0, high=4.0, mount=Mount(measures=Measures.HEIGHT)
    )


TANKS = (tank("east"), tank("west"))
SIGNALS = (
    blanket("LT-E", "east"),
    blanket("LT-W", "west", unit="ft"),
    Signal(tag="FT-1", kind=SignalKind.FLOW, tank=None, unit="MGD"),
)


def describe(conn: Connection) -> SiteIds:
    """Put the plant into the database."""
    return sync_site(conn, TANKS, SIGNALS)


def columns(
    signal_id: int, values: list[float], *, start: datetime = NIGHT, step: timedelta = timedelta(minutes=1)
) -> ReadingColumns:
    """Good readings of one signal, evenly spaced."""
    count = len(values)
    return ReadingColumns(
        np.full(count, signal_id, dtype=np.int32),
        to_us(start) + np.arange(count, dtype=np.int64) * (step // timedelta(microseconds=1)),
        np.array(values, dtype=np.float64),
        np.zeros(count, dtype=np.int16),
        np.zeros(count, dtype=np.int16),
    )


def core_record(
    ids: SiteIds,
    thickness: float = 1.2,
    *,
    tank: str = "east",
    taken_at: datetime = NIGHT,
    recorded_at: datetime | None = None,
    id: UUID | None = None,
) -> CoreRecord:
    """A core at the customary spot, typed in metres."""
    core = Core(
        id=id or uuid4(),
        tank=tank,
        taken_at=taken_at,
        recorded_at=recorded_at or taken_at,
        thickness=thickness,
        distance_from_wall=5.0,
        taken_by="R. Okafor",
    )
    return CoreRecord(core=core, tank_id=ids.tanks[tank], typed_value=thickness, typed_unit="m", source="test")
