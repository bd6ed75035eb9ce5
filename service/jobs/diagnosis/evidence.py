"""Reads the evidence that advice is drawn from: flows, the last round, the settling test, the state point."""

from __future__ import annotations

import traceback
from collections.abc import Sequence
from datetime import datetime, timedelta
from statistics import median

import structlog
from sqlalchemy import Connection

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.cores.core import Surface
from service.domain.diagnosis.checks import Evidence
from service.domain.forecast.outlook import Pattern
from service.domain.forecast.tracker import outlook
from service.domain.loading.inputs import Origin
from service.domain.loading.state_point import StatePointVerdict
from service.domain.plant.reading import Quality
from service.domain.plant.signal import Signal, SignalKind
from service.jobs.blanket.estimate import newest_heading
from service.jobs.loading.loading import Loading, loading_of
from service.storage.cores.cores import current_cores
from service.storage.database.epoch import from_us
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.readings import latest_readings, readings_between

log = structlog.get_logger(__name__)

#: What a round saw says something for so long: a shift.
ROUND_HOLDS = timedelta(hours=12)
#: Settling tests this far back say what is usual, when there are at least so many.
USUAL_DAYS, USUAL_TESTS = timedelta(days=30), 3


def evidence_of(
    conn: Connection,
    setup: TankSetup,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    believed: Estimate | None,
    now: datetime,
) -> Evidence | None:
    """Everything known that advice is drawn from; None where it cannot be had.

    Parameters
    ----------
    tanks : all tanks, with whom this one shares the plant's flow.
    believed : its blanket now.

    Notes
    -----
    Advice goes with an alarm. Whatever is wrong with what it is drawn from, the alarm itself must be told: what fails here
    is undone by itself, logged, and leaves the message with its usual words.
    """
    try:
        with conn.begin_nested():
            return _evidence(conn, setup, tanks, ids, believed, now)
    except Exception as error:
        trace = "".join(traceback.format_exception(error, limit=-8))
        log.error("no advice with the alarm", tank=setup.tank.key, trace=trace)
        return None


def _evidence(
    conn: Connection,
    setup: TankSetup,
    tanks: Sequence[TankSetup],
    ids: SiteIds,
    believed: Estimate | None,
    now: datetime,
) -> Evidence:
    tank_id = ids.tanks[setup.tank.key]
    heading = newest_heading(conn, setup, tank_id)
    ahead = None if heading is None else outlook(setup, heading, now)
    loading = loading_of(conn, setup, ids, heading, believed, now)
    load = loading.load
    restoring = load.restoring
    return Evidence(
        kind=setup.tank.kind,
        pattern=Pattern.NOT_KNOWN if ahead is None else ahead.pattern,
        surface=_seen(conn, tank_id, now),
        sensor_doubtful=believed is not None
        and (believed.trust is not Trust.GOOD or believed.reason is EstimateReason.READS_HIGH_UNCONFIRMED),
        share_of_even=_share_of_even(conn, loading, tanks, ids, now),
        settled_volume=next(
            (i.value for i in loading.inputs if i.kind is SignalKind.SETTLED_VOLUME and not i.missing), None
        ),
        usual_settled_volume=_usual_settled_volume(conn, setup, ids, now),
        sludge_detention=load.sludge_detention,
        overloaded=load.state is not None and load.state.verdict is StatePointVerdict.OVERLOADED,
        restoring_flow=restoring.flow if restoring is not None and restoring.reachable else None,
    )


def _seen(conn: Connection, tank_id: int, now: datetime) -> tuple[Surface, ...]:
    """What the last round that wrote something down saw of the surface."""
    cores = current_cores(conn, [tank_id], now - ROUND_HOLDS, now + timedelta.resolution)
    return next((r.core.surface for r in reversed(cores) if r.core.surface), ())


def _share_of_even(
    conn: Connection, loading: Loading, tanks: Sequence[TankSetup], ids: SiteIds, now: datetime
) -> float | None:
    """The tank's own metered flow over its even share of the plant's; None unless both are measured."""
    setup = loading.setup
    flow = next((i for i in loading.inputs if i.kind is SignalKind.FLOW and not i.missing), None)
    if flow is None or flow.origin is not Origin.TANK or flow.value is None:
        return None
    plant = loading.conditions.plant_flow or _sum_of_meters(conn, setup, tanks, ids, now)
    return flow.value / (plant * setup.share_of_plant) if plant else None


def _sum_of_meters(
    conn: Connection, setup: TankSetup, tanks: Sequence[TankSetup], ids: SiteIds, now: datetime
) -> float | None:
    """The flow of all tanks of a kind by their own meters; None where one has none, or is not heard. [m³/s]"""
    meters: dict[int, Signal] = {}
    for one in (t for t in tanks if t.tank.kind is setup.tank.kind):
        own = {ids.signals[s.tag]: s for s in one.others if s.kind is SignalKind.FLOW and s.tank == one.tank.key}
        if not own:
            return None
        meters |= own
    found = latest_readings(conn, list(meters), now)
    heard = {
        number: value
        for number, us, value, quality in zip(
            found.signal_id.tolist(), found.time_us.tolist(), found.value.tolist(), found.quality.tolist(), strict=True
        )
        if quality != Quality.BAD and now - from_us(us) <= meters[number].stale_after
    }
    return sum(heard.values()) if len(heard) == len(meters) else None


def _usual_settled_volume(conn: Connection, setup: TankSetup, ids: SiteIds, now: datetime) -> float | None:
    """Middle of the settling tests before the last; None with too few."""
    signals = [s for s in setup.others if s.kind is SignalKind.SETTLED_VOLUME and s.tag in ids.signals]
    own = [s for s in signals if s.tank == setup.tank.key] or signals
    if not own:
        return None
    found = readings_between(conn, [ids.signals[s.tag] for s in own], now - USUAL_DAYS, now)
    tests = [
        value
        for value, quality in zip(found.value.tolist(), found.quality.tolist(), strict=True)
        if quality != Quality.BAD
    ]
    return median(tests[:-1]) if len(tests) > USUAL_TESTS else None
