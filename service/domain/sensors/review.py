"""Reviews one sensor: drift history, advice, control charts, agreement with the cores, doubtful cores."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache
from uuid import UUID

from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.fusion import PIVOT_SHARE, head_of
from service.domain.blanket.pairing import Pair
from service.domain.blanket.sensor_state import first_sensor
from service.domain.blanket.state import State
from service.domain.cores.blunders import Doubt, core_doubt
from service.domain.cores.core import Calibration
from service.domain.plant.tank import Tank
from service.domain.sensors.advice import TOLERANCE, Advice, advise
from service.domain.sensors.agreement import FittedLine, LimitsOfAgreement, deming, limits_of_agreement
from service.domain.sensors.control_charts import Cusum, Ewma, cusum, ewma
from service.domain.sensors.drift_history import CALLED, DriftHistory, PairInHindsight, drift_history

#: Pairs that say where the blanket usually stands.
USUAL_PAIRS = 20
#: CUSUM: slack and limit in standard deviations of the differences, as in the NIST/SEMATECH example's k and h.
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 4.77
#: Believed height above the floor datum and its standard deviation, of a tank at a time; None when not known. [m]
HeightAt = Callable[[str, datetime], tuple[float, float] | None]
#: Mistakes in a core's logged time, and how much later it was really taken.
TIME_SLIPS: tuple[tuple[str, timedelta], ...] = (
    ("taken twelve hours later than logged", timedelta(hours=12)),
    ("taken twelve hours earlier than logged", timedelta(hours=-12)),
    ("taken a day later than logged", timedelta(hours=24)),
    ("taken a day earlier than logged", timedelta(hours=-24)),
    ("taken an hour later than logged", timedelta(hours=1)),
    ("taken an hour earlier than logged", timedelta(hours=-1)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorReview:
    """The review. Charts and agreement run over the sound cores since the last work on the sensor.

    ``charted`` are the points the charts' positions speak of; ``doubts`` explains the cores called wrong, by core.
    """

    tag: str
    history: DriftHistory
    advice: Advice
    charted: tuple[PairInHindsight, ...]
    spread: float  #: of one difference in control: the charts' standard deviation [m]
    cusum: Cusum | None
    ewma: Ewma | None
    agreement: LimitsOfAgreement | None
    deming: FittedLine | None
    doubts: dict[UUID, Doubt]


def review_sensor(
    setup: TankSetup,
    state: State,
    tag: str,
    pairs: Sequence[Pair],
    works: Sequence[Calibration],
    now: datetime,
    *,
    tolerance: float = TOLERANCE,
    other_tanks: Sequence[str] = (),
    height_at: HeightAt | None = None,
    explained: int | None = None,
) -> SensorReview:
    """Review one sensor.

    Parameters
    ----------
    state : of its tank, as the online estimate left it.
    pairs, works : the sensor's, in order of time.
    tolerance : error that is still good enough. [m]
    other_tanks : keys of tanks a core may have been meant for.
    height_at : looks up what is believed of a tank at a time, to explain wrong cores.
    explained : so many of the newest wrong cores are explained, each by several look-ups; None for all.
    """
    tank = setup.tank
    signal = next(s for s in setup.blankets if s.tag == tag)
    pivot = PIVOT_SHARE * tank.side_water_depth
    head = head_of(state, tank, now.timestamp())
    history = _history(tuple(pairs), tuple(works), tank.side_water_depth, pivot)
    sensor = state.sensors.get(tag) or first_sensor(tank)
    sound = [point for point in history.points if point.wrong <= CALLED]
    usual = usual_height_of(history, tank)
    since = [p for p in sound if history.last_work is None or p.pair.time >= history.last_work]
    differences = [point.pair.difference for point in since]
    # In control means: no error. The spread of one pair is the fitted core noise with the pairs' own.
    spread = history.fit.core_sd if differences else 0.0
    if differences:
        spread = (spread**2 + sum(p.pair.extra_var for p in since) / len(since)) ** 0.5
    heights = [point.pair.core_height for point in since]
    line = None
    if len(since) >= 5 and max(heights) - min(heights) > 2.0 * spread:
        ratio = max(sum(p.pair.extra_var for p in since) / len(since), 1e-6) / history.fit.core_sd**2
        line = deming(heights, [point.pair.sensor for point in since], ratio)
    wrong = [point.pair for point in history.points if point.wrong > CALLED]
    return SensorReview(
        tag=tag,
        history=history,
        advice=advise(history, sensor.bank, now.timestamp(), signal, tank, pivot, usual, tolerance, head),
        charted=tuple(since),
        spread=spread,
        cusum=cusum(differences, 0.0, CUSUM_SLACK * spread, CUSUM_LIMIT * spread) if differences else None,
        ewma=ewma(differences, 0.0, spread) if differences else None,
        agreement=limits_of_agreement(differences) if len(differences) >= 3 else None,
        deming=line,
        doubts={
            pair.core: _doubt(pair, setup, other_tanks, height_at)
            for pair in wrong[0 if explained is None else max(0, len(wrong) - explained) :]
        },
    )


def usual_height_of(history: DriftHistory, tank: Tank) -> float:
    """Where the blanket usually stands, by the cores of a history that are not called wrong. [m]"""
    return usual_height([point.pair for point in history.points if point.wrong <= CALLED], tank)


def usual_height(sound: Sequence[Pair], tank: Tank) -> float:
    """Where the blanket usually stands: the mean of the last sound cores, oldest first; the pivot when there are none. [m]"""
    last = [pair.core_height for pair in sound[-USUAL_PAIRS:]]
    return sum(last) / len(last) if last else PIVOT_SHARE * tank.side_water_depth


@lru_cache(maxsize=16)
def _history(pairs: tuple[Pair, ...], works: tuple[Calibration, ...], depth: float, pivot: float) -> DriftHistory:
    """The history, kept while nothing new is known: a page that is looked at again is not fitted again."""
    return drift_history(pairs, works, depth, pivot)


def _doubt(pair: Pair, setup: TankSetup, other_tanks: Sequence[str], height_at: HeightAt | None) -> Doubt:
    """Explain a wrong core, in thickness where the sampler stood."""
    floor_drop = pair.thickness - pair.core_height

    def thickness(height: float) -> float:
        return height + floor_drop

    others: dict[str, tuple[float, float]] = {}
    earlier: list[tuple[str, float, float]] = []
    if height_at is not None:
        for key in other_tanks:
            there = height_at(key, pair.time)
            if there is not None:
                others[key] = (thickness(there[0]), there[1])
        for words, later in TIME_SLIPS:
            then = height_at(setup.tank.key, pair.time + later)
            if then is not None:
                earlier.append((words, thickness(then[0]), then[1]))
    expected = thickness(pair.sensor - pair.foretold)
    return core_doubt(pair.thickness, expected, pair.foretold_sd, others, earlier)
