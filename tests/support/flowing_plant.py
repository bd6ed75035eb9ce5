"""The invented plant of the alarm tests with its flows and solids measured: a calm day, then a storm."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
from sqlalchemy import Engine

from service.domain.blanket.estimate import TankSetup
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.units import to_si
from service.jobs.blanket.estimate import update_estimates
from service.storage.blanket import recompute
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.batches import open_batch
from service.storage.readings.writer import ReadingWriter
from tests.support import plant
from tests.support.alarm_plant import EAST, NIGHT, WEST

STEP = timedelta(minutes=5)
CALM = timedelta(hours=28)
STORM = timedelta(hours=2)


def _signal(tag: str, kind: SignalKind, unit: str, tank: str | None = "east", holds: float = 0.5) -> Signal:
    return Signal(tag=tag, kind=kind, tank=tank, unit=unit, stale_after=timedelta(hours=holds))


FLOW = _signal("east.flow", SignalKind.FLOW, "MGD")
RETURN = _signal("east.return", SignalKind.RETURN_FLOW, "MGD")
RETURN_SOLIDS = _signal("east.return-solids", SignalKind.RETURN_SOLIDS, "mg/L")
FEED = _signal("feed", SignalKind.FEED_SOLIDS, "mg/L", tank=None)
SETTLED = _signal("settled", SignalKind.SETTLED_VOLUME, "mL/L", tank=None, holds=26.0)

FLOWING: TankSetup = replace(EAST, others=(FLOW, RETURN, RETURN_SOLIDS, FEED, SETTLED))
#: West has no meters; what the plant measures speaks of it, too.
TANKS: Sequence[TankSetup] = (FLOWING, replace(WEST, others=(FEED, SETTLED)))


def store_day(
    engine: Engine, ids: SiteIds, *, storm: float = 2.0, returns: float = 1.0, settled: Sequence[float] = (420.0,)
) -> datetime:
    """Store a calm day and a storm that ends at NIGHT, and estimate it; gives back its beginning.

    Parameters
    ----------
    storm : flow in the storm over the calm one.
    returns : return flow in the storm over the calm one.
    settled : settling tests, a day apart, the last of them twelve hours before NIGHT. [mL/L]
    """
    start = NIGHT - CALM - STORM
    calm, wild = int(CALM / STEP), int(STORM / STEP) + 1
    noise = np.random.default_rng(3).normal(0.0, 0.004, calm + wild)
    ramp = np.concatenate([np.zeros(calm), np.linspace(0.0, 1.0, wild)])
    series = {
        EAST.blankets[0].tag: 0.9 + 0.8 * ramp + noise,
        FLOW.tag: to_si(500.0, "m3/h") * (1.0 + (storm - 1.0) * (ramp > 0) + noise),
        RETURN.tag: to_si(250.0, "m3/h") * np.where(ramp > 0, returns, 1.0),
        RETURN_SOLIDS.tag: np.full(calm + wild, 9.0),
        FEED.tag: np.full(calm + wild, 3.2) + noise,
    }
    with transaction(engine) as conn:
        writer = ReadingWriter(conn, open_batch(conn, "test", "test", start))
        for tag, values in series.items():
            writer.store(plant.columns(ids.signals[tag], [float(v) for v in values], start=start, step=STEP))
        first = NIGHT - timedelta(hours=12) - timedelta(days=len(settled) - 1)
        writer.store(plant.columns(ids.signals[SETTLED.tag], list(settled), start=first, step=timedelta(days=1)))
        recompute.mark_signals_dirty(conn, writer.stored.earliest_us)
    update_estimates(engine, TANKS, ids, NIGHT)
    return start
