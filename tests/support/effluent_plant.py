"""The invented plant of the alarm tests with a permit, a flow and a meter of effluent solids: weeks of calm, one bad night."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.effluent.permit import Measure, Permit, PermitLimit, Term
from service.domain.plant.period import day_of
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.units import to_si
from service.jobs.blanket.estimate import update_estimates
from service.jobs.plant.plant import Plant
from service.storage.blanket import recompute
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support import plant
from tests.support.alarm_plant import EAST, NIGHT, WEST, AlarmPlant

ZONE = ZoneInfo("America/New_York")
STEP = timedelta(minutes=30)
SOLIDS = Signal(
    tag="effluent.solids",
    kind=SignalKind.EFFLUENT_SOLIDS,
    tank=None,
    unit="mg/L",
    stale_after=timedelta(hours=1),
    limit=0.060,
)
FLOW = Signal(tag="plant.flow", kind=SignalKind.FLOW, tank=None, unit="MGD", stale_after=timedelta(hours=1))
TANKS: tuple[TankSetup, ...] = tuple(replace(setup, others=(SOLIDS, FLOW)) for setup in (EAST, WEST))
PERMIT = Permit(
    name="Discharge permit (invented)",
    outfall="001",
    limits=(
        PermitLimit(Measure.SOLIDS, Term.DAILY, 0.060),
        PermitLimit(Measure.SOLIDS, Term.WEEKLY, 0.045),
        PermitLimit(Measure.SOLIDS, Term.MONTHLY, 0.030),
        PermitLimit(Measure.LOAD, Term.MONTHLY, to_si(1000.0, "lb/d")),
    ),
)
#: The bad night: from 20:00 to 02:00 plant time across the 12th and 13th the effluent carries 200 mg/L.
BAD = (datetime(2026, 1, 12, 20, tzinfo=ZONE), datetime(2026, 1, 13, 2, tzinfo=ZONE))
FIRST = date(2026, 1, 1)


def effluent_plant(engine: Engine, permit: Permit = PERMIT) -> Plant:
    """The plant in a database, with its permit."""
    built = AlarmPlant.build(engine, tanks=TANKS)
    return replace(built.model, permit=permit)


def store_month(
    engine: Engine,
    made: Plant,
    *,
    until: datetime = NIGHT,
    bad: Sequence[datetime] = BAD,
    silent: Sequence[date] = (),
) -> None:
    """5 MGD, 20 mg/L in the effluent from the first of the month on, 200 in the bad night; nothing on silent days."""
    start = day_of(FIRST, ZONE).start
    times = [start + n * STEP for n in range(int((until - start) / STEP) + 1)]
    values = [0.200 if bad and bad[0] <= at < bad[1] else 0.020 for at in times]
    with transaction(engine) as conn:
        writer = ReadingWriter(conn, open_batch(conn, "test", "test", until))
        kept = [n for n, at in enumerate(times) if at.astimezone(ZONE).date() not in silent]
        columns = plant.columns(made.ids.signals[SOLIDS.tag], values, start=start, step=STEP)
        writer.store(columns.take(np.array(kept, dtype=np.intp)))
        flows = [to_si(5.0, "MGD")] * len(times)
        writer.store(plant.columns(made.ids.signals[FLOW.tag], flows, start=start, step=STEP))


def store_low_blankets(engine: Engine, made: Plant, until: datetime) -> None:
    """Both sensors read 0.6 m over four hours, and the estimates made of it."""
    minutes = 240
    values = [0.6 + 0.002 * (minute % 3) for minute in range(minutes)]
    start = until - minutes * timedelta(minutes=1)
    with transaction(engine) as conn:
        writer = ReadingWriter(conn, open_batch(conn, "test", "blankets", until))
        for setup in TANKS:
            writer.store(plant.columns(made.ids.signals[setup.blankets[0].tag], values, start=start))
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)
    update_estimates(engine, TANKS, made.ids, until)
