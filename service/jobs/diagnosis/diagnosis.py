"""Reads what a diagnosis is drawn from, flows, rounds, laboratory and sister tanks, and diagnoses."""

from __future__ import annotations

import traceback
from datetime import datetime, timedelta

import numpy as np
import structlog
from sqlalchemy import Connection

from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.diagnosis.diagnosis import Diagnosis, diagnose
from service.domain.diagnosis.gather import ROUND_HOLDS, Known, Latest, Past, gather
from service.domain.forecast.tracker import first_heading
from service.domain.laboratory.day import IndexKind, sludge_indices
from service.domain.laboratory.result import LaboratoryKind
from service.domain.plant.reading import Quality
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind
from service.jobs.blanket.estimate import newest_heading
from service.jobs.loading.loading import loading_of, solids_beside
from service.jobs.plant.plant import Plant
from service.storage.cores.cores import current_cores
from service.storage.cores.rounds import rounds_between
from service.storage.database.epoch import from_us
from service.storage.laboratory.results import laboratory_results
from service.storage.plant.outages import open_outages
from service.storage.plant.site_tables import SiteIds
from service.storage.readings.readings import latest_readings, readings_between

log = structlog.get_logger(__name__)

#: What was so long ago is compared with now: some hours, and the same hour of the day before.
EARLIER = (timedelta(hours=3), timedelta(hours=24))
#: Settling tests this far back say what is usual, at most so many of them.
USUAL_DAYS, USUAL_TESTS = timedelta(days=30), 7
#: Pumps that run in cycles are followed over so long, and compared with the day before.
PUMPING = timedelta(hours=4)
#: An arm is watched for so long: a fifth of the slowest turn.
ARM = timedelta(minutes=20)


def diagnosis_of(
    conn: Connection, plant: Plant, setup: TankSetup, believed: Estimate | None, now: datetime
) -> Diagnosis | None:
    """What may be wrong with a tank; None where it cannot be had.

    Parameters
    ----------
    believed : its blanket now.

    Notes
    -----
    A diagnosis goes with an alarm. Whatever is wrong with what it is drawn from, the alarm itself must be told: what fails
    here is undone by itself, logged, and leaves the message with its usual words.
    """
    try:
        with conn.begin_nested():
            return _diagnosis(conn, plant, setup, believed, now)
    except Exception as error:
        trace = "".join(traceback.format_exception(error, limit=-8))
        log.error("no diagnosis with the alarm", tank=setup.tank.key, trace=trace)
        return None


def _diagnosis(conn: Connection, plant: Plant, setup: TankSetup, believed: Estimate | None, now: datetime) -> Diagnosis:
    ids = plant.ids
    heading = newest_heading(conn, setup, ids.tanks[setup.tank.key])
    loading = loading_of(conn, setup, ids, heading, believed, now)
    sisters, _ = sisters_of(conn, plant, setup, now)
    evidence = gather(
        Known(setup=loading.setup, heading=loading.heading, believed=believed),
        sisters,
        loading.load,
        loading.inputs,
        [
            r.core
            for r in current_cores(conn, [ids.tanks[setup.tank.key]], now - ROUND_HOLDS, now + timedelta.resolution)
        ],
        _past(conn, setup, ids, now),
        now,
        [
            r.seen
            for r in rounds_between(conn, [ids.tanks[setup.tank.key]], now - ROUND_HOLDS, now + timedelta.resolution)
        ],
    )
    return diagnose(evidence)


def sisters_of(conn: Connection, plant: Plant, setup: TankSetup, now: datetime) -> tuple[list[Known], list[Tank]]:
    """The other tanks of the kind: those in service with what is known of them, and those out of it."""
    ids = plant.ids
    out = {ids.tank_key(number) for number in open_outages(conn, now)} | set(plant.alarms.out_of_service)
    kin = [s for s in plant.setups if s.tank.kind is setup.tank.kind and s.tank.key != setup.tank.key]
    known = [
        Known(setup=one, heading=newest_heading(conn, one, ids.tanks[one.tank.key]) or first_heading(one))
        for one in kin
        if one.tank.key not in out
    ]
    return known, [one.tank for one in kin if one.tank.key in out]


def _past(conn: Connection, setup: TankSetup, ids: SiteIds, now: datetime) -> Past:
    signals = {ids.signals[s.tag]: s for s in setup.others if s.tag in ids.signals}
    return Past(
        latest=tuple((now - ago, _latest(conn, signals, now - ago)) for ago in EARLIER),
        tests=_tests(conn, setup, ids, now),
        drawn_means=_drawn_means(conn, setup, ids, now),
        arm_angles=tuple(_values(conn, setup, ids, (SignalKind.ARM_ANGLE,), now - ARM, now)),
    )


def _latest(conn: Connection, signals: dict[int, Signal], at: datetime) -> Latest:
    """The newest good value of each signal at a time, by tag."""
    found = latest_readings(conn, list(signals), at)
    return {
        signals[number].tag: (from_us(us).timestamp(), value)
        for number, us, value, quality in zip(
            found.signal_id.tolist(), found.time_us.tolist(), found.value.tolist(), found.quality.tolist(), strict=True
        )
        if quality != Quality.BAD
    }


def _tests(conn: Connection, setup: TankSetup, ids: SiteIds, now: datetime) -> tuple[tuple[float, float], ...]:
    """The settling tests before the last [mL/L], each with its mixed liquor [kg/m³]; the laboratory's where there are some."""
    kinds = (LaboratoryKind.SETTLED_VOLUME, LaboratoryKind.MIXED_LIQUOR_SOLIDS)
    places = [None, ids.tanks[setup.tank.key]]
    records = laboratory_results(conn, kinds, now - USUAL_DAYS, now + timedelta.resolution, places)
    typed = [i for i in sludge_indices([r.result for r in records]) if i.kind is IndexKind.PLAIN][:-1]
    if typed:
        return tuple((index.settled_volume, index.solids) for index in typed[-USUAL_TESTS:])
    signals = [s for s in setup.others if s.kind is SignalKind.SETTLED_VOLUME and s.tag in ids.signals]
    own = [s for s in signals if s.tank == setup.tank.key] or signals
    if not own:
        return ()
    found = readings_between(conn, [ids.signals[s.tag] for s in own], now - USUAL_DAYS, now)
    tests = sorted(
        (us, value)
        for us, value, quality in zip(found.time_us.tolist(), found.value.tolist(), found.quality.tolist(), strict=True)
        if quality != Quality.BAD and value > 0.0
    )[:-1]
    beside = ((value, solids_beside(conn, setup, ids, from_us(us))) for us, value in tests[-USUAL_TESTS:])
    return tuple((value, solids) for value, solids in beside if solids)


def _drawn_means(conn: Connection, setup: TankSetup, ids: SiteIds, now: datetime) -> tuple[float | None, float | None]:
    """What a sludge pump that runs in cycles drew over the last hours and the day before, as means. [m³/s]"""
    if setup.tank.kind is TankKind.SECONDARY:
        return None, None
    kinds = (SignalKind.RETURN_FLOW, SignalKind.WASTE_FLOW)
    recent = _values(conn, setup, ids, kinds, now - PUMPING, now)
    before = _values(conn, setup, ids, kinds, now - PUMPING - timedelta(hours=24), now - PUMPING)
    return (float(np.mean(recent)) if recent else None, float(np.mean(before)) if before else None)


def _values(
    conn: Connection, setup: TankSetup, ids: SiteIds, kinds: tuple[SignalKind, ...], start: datetime, end: datetime
) -> list[float]:
    """What the tank's own signal of those kinds said; the first where there are several, so that means stay means."""
    own = [s for s in setup.others if s.kind in kinds and s.tank == setup.tank.key and s.tag in ids.signals][:1]
    if not own:
        return []
    found = readings_between(conn, [ids.signals[own[0].tag]], start, end + timedelta.resolution)
    return [max(v, 0.0) for v, q in zip(found.value.tolist(), found.quality.tolist(), strict=True) if q != Quality.BAD]
