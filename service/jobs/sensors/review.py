"""Reviews sensors: one with drift, advice, charts and doubtful cores; all as a work list; certificates."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine

from service.alarms.observations import PAIR_WITHIN
from service.domain.blanket import estimate as estimator
from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.fusion import PIVOT_SHARE
from service.domain.blanket.pairing import Pair
from service.domain.blanket.sensor_state import first_sensor
from service.domain.blanket.state import State
from service.domain.sensors.advice import TOLERANCE, CoreBeside, Decision, core_beside, decide
from service.domain.sensors.drift_history import CALLED
from service.domain.sensors.review import USUAL_PAIRS, HeightAt, SensorReview, review_sensor, usual_height
from service.domain.sensors.work_proof import WorkProof, work_proof
from service.errors import InputError
from service.jobs.blanket.estimate import newest_state
from service.jobs.plant.plant import Plant
from service.storage.blanket.estimates import assessments_between, latest_estimates
from service.storage.cores.pairs import newest_pairs, pairs_of
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds
from service.storage.sensors.calibrations import CalibrationRecord, current_calibrations

#: An estimate older than this says nothing about where a blanket stood.
SAYS_FOR = timedelta(hours=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reviewed:
    """A review with the tank it belongs to and the work recorded on the sensor."""

    setup: TankSetup
    review: SensorReview
    works: tuple[CalibrationRecord, ...]

    def proof(self, at: datetime) -> WorkProof:
        """What the cores say of work done on the sensor at a time."""
        return work_proof(self.review.history.points, at, [work.calibration.at for work in self.works])

    def record(self) -> dict[str, Any]:
        """The review as plain values in SI, for programs."""
        found, advice, history = self.review, self.review.advice, self.review.history
        return {
            "tag": found.tag,
            "tank": self.setup.tank.key,
            "action": advice.action,
            "cause": advice.cause,
            "error_m": advice.error,
            "error_95_m": list(advice.error_interval),
            "error_in_30_days_m": advice.error_ahead,
            "error_in_30_days_95_m": list(advice.error_ahead_interval),
            "chance_beyond_tolerance": advice.beyond_tolerance,
            "offset_m": advice.offset,
            "offset_95_m": list(advice.offset_interval),
            "span_error": advice.span,
            "span_error_95": list(advice.span_interval),
            "trend_m_per_day": advice.trend,
            "set": asdict(advice.setting),
            "clean_first": advice.clean_first,
            "more_cores": advice.more_cores,
            "cores_at_heights_m": list(advice.core_heights) if advice.core_heights else None,
            "sound_cores_since_work": history.sound_cores,
            "last_work_at": history.last_work,
            "steps": [asdict(step) for step in history.steps],
            "doubtful_cores": [
                {"core": core, "fault": doubt.fault, "explanation": doubt.explanation}
                for core, doubt in found.doubts.items()
            ],
            "limits_of_agreement": asdict(found.agreement) if found.agreement else None,
            "deming": asdict(found.deming) if found.deming else None,
            "work": [
                {
                    "id": work.id,
                    "recorded_at": work.recorded_at,
                    "note": work.note,
                    "as_found_typed": work.as_found_typed,
                    "as_left_typed": work.as_left_typed,
                    **asdict(work.calibration),
                }
                for work in self.works
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorSummary:
    """One sensor in the list of work: what its filters decide, without looking back over its whole past."""

    setup: TankSetup
    tag: str
    decision: Decision
    sound_cores: float  #: since the last work, counted by their chance
    last_core: datetime | None
    last_work: datetime | None


def worklist(engine: Engine, plant: Plant, now: datetime, *, tolerance: float = TOLERANCE) -> list[SensorSummary]:
    """Every blanket sensor, the most urgent first; cheap enough for a page that is opened often.

    Parameters
    ----------
    tolerance : error that is still good enough. [m]
    """
    found = []
    with transaction(engine) as conn:
        works = current_calibrations(conn, [plant.ids.signals[s.tag] for setup in plant.setups for s in setup.blankets])
        last_work = {work.signal_id: work.calibration.at for work in works}
        for setup in plant.setups:
            state = newest_state(conn, setup, plant.ids.tanks[setup.tank.key]) or estimator.initial(setup)
            for signal in setup.blankets:
                summary = _summary(conn, plant, setup, state, signal.tag, now, tolerance)
                found.append(replace(summary, last_work=last_work.get(plant.ids.signals[signal.tag])))
    return sorted(found, key=lambda one: (one.decision.action.urgency, -abs(one.decision.error), one.tag))


def beside_core(
    conn: Connection, plant: Plant, setup: TankSetup, at: datetime, height: float, now: datetime
) -> CoreBeside | None:
    """What a core says of the tank's sensor whose reading is nearest in time, by the standard of the sensor's own page.

    Parameters
    ----------
    at : when the core was taken.
    height : blanket height it found. [m]

    Returns
    -------
    None where no reading is close enough in time to compare with.
    """
    tags = {plant.ids.signals[signal.tag]: signal.tag for signal in setup.blankets}
    near = [
        one
        for one in assessments_between(conn, list(tags), at - PAIR_WITHIN, at + PAIR_WITHIN)
        if math.isfinite(one.height)
    ]
    if not near:
        return None
    nearest = min(near, key=lambda one: abs(one.time - at))
    state = newest_state(conn, setup, plant.ids.tanks[setup.tank.key]) or estimator.initial(setup)
    decision = _summary(conn, plant, setup, state, nearest.tag, now, TOLERANCE).decision
    return core_beside(nearest.tag, nearest.height - height, decision, plant.alarms.units)


def _summary(
    conn: Connection, plant: Plant, setup: TankSetup, state: State, tag: str, now: datetime, tolerance: float
) -> SensorSummary:
    sensor = state.sensors.get(tag) or first_sensor(setup.tank)
    pairs = newest_pairs(conn, plant.ids.signals[tag], 2 * USUAL_PAIRS)
    above = usual_height(_sound(pairs), setup.tank) - PIVOT_SHARE * setup.tank.side_water_depth
    return SensorSummary(
        setup=setup,
        tag=tag,
        decision=decide(sensor.bank, now.timestamp(), above, tolerance),
        sound_cores=sensor.bank.cores,
        last_core=pairs[-1].time if pairs else None,
        last_work=None,
    )


def _sound(pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs whose core was not called wrong, with the hindsight of the next."""
    verdicts = [later.hindsight_wrong for later in pairs[1:]] + [pair.wrong for pair in pairs[-1:]]
    return [pair for pair, wrong in zip(pairs, verdicts, strict=True) if wrong <= CALLED]


def review(
    engine: Engine,
    plant: Plant,
    tag: str,
    now: datetime,
    *,
    tolerance: float = TOLERANCE,
    explained: int | None = None,
) -> Reviewed:
    """Review one blanket sensor.

    Parameters
    ----------
    tolerance : error that is still good enough. [m]
    explained : so many of the newest wrong cores are explained; None for all.

    Raises
    ------
    InputError
        when no tank has a blanket sensor of that tag.
    """
    setup = setup_of(plant.setups, tag)
    with transaction(engine) as conn:
        signal_id, tank_id = plant.ids.signals[tag], plant.ids.tanks[setup.tank.key]
        works = current_calibrations(conn, [signal_id])
        pairs = pairs_of(conn, [signal_id])
        state = newest_state(conn, setup, tank_id)
        found = review_sensor(
            setup,
            state or estimator.initial(setup),
            tag,
            pairs,
            [work.calibration for work in works],
            now,
            tolerance=tolerance,
            other_tanks=[other.tank.key for other in plant.setups if other.tank.key != setup.tank.key],
            height_at=_heights(conn, plant.ids),
            explained=explained,
        )
    return Reviewed(setup=setup, review=found, works=tuple(works))


def setup_of(setups: Sequence[TankSetup], tag: str) -> TankSetup:
    """The tank whose blanket that sensor measures.

    Raises
    ------
    InputError
        when there is none.
    """
    for setup in setups:
        if any(signal.tag == tag for signal in setup.blankets):
            return setup
    known = ", ".join(signal.tag for setup in setups for signal in setup.blankets)
    raise InputError(f"there is no blanket sensor {tag!r}; there are: {known}")


def _heights(conn: Connection, ids: SiteIds) -> HeightAt:
    def at(tank: str, time: datetime) -> tuple[float, float] | None:
        found = latest_estimates(conn, [ids.tanks[tank]], time).get(ids.tanks[tank])
        if found is None or time - found.time > SAYS_FOR:
            return None
        return found.height, found.sd

    return at


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
            as_found_typed=record.as_found_typed,
            as_left_typed=record.as_left_typed,
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
