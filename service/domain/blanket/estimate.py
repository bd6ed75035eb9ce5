"""The believed blanket of one tank, advanced event by event.

One seam for the whole of "sensor to truth": everything that happened in a tank (readings, hand cores, calibrations) is one
stream of events ordered by the time it happened; :func:`advance` folds the stream into a small state and gives out an
estimate per blanket sample and per core. Live running, catching up after late data and replay of the past call the same
function, so they cannot disagree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

from service.domain.blanket.fusion import Fold, Source
from service.domain.blanket.mixture import ONE_STORY, Mixture, Part
from service.domain.blanket.pairing import Pair
from service.domain.blanket.state import State, first_state, from_json, to_json
from service.domain.cores.core import Calibration, Core
from service.domain.loading.limits import LoadTerms
from service.domain.plant.reading import Reading, ReadingReason
from service.domain.plant.signal import Signal
from service.domain.plant.tank import Tank

#: Above this standard deviation, or this long without a word, the tank is blind [m, s].
BLIND_SD, BLIND_AFTER = 0.6, 12 * 3600.0
#: A number is good while the chance that it is a foot wrong is at most this [–]: somebody who relies on it all year without a look
#: at the tank is misled for less than a day.
MAY_MISLEAD = 0.0025


class Trust(StrEnum):
    """Whether the number can be believed."""

    GOOD = "good"
    DOUBTFUL = "doubtful"
    BLIND = "blind"


class EstimateReason(StrEnum):
    """Where the estimate came from."""

    SENSOR = "sensor"
    CORE = "core"
    COASTING = "coasting"
    BLIND = "blind"
    READS_HIGH_UNCONFIRMED = "reads high, not confirmed"
    NO_DATA = "no data yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """Believed blanket height of a tank at a time."""

    tank: str
    time: datetime
    height: float  #: by the sensors' own story, or what cores settled against it; above the floor datum [m]
    sd: float  #: standard deviation of the height in that story [m]
    rate: float  #: rise positive [m/h]
    trust: Trust
    reason: EstimateReason
    #: Rival stories with their chances, the likeliest first; empty where there is one only.
    stories: tuple[Part, ...] = ()

    @property
    def mixture(self) -> Mixture:
        """The height over all stories."""
        return Mixture(self.stories or (Part(1.0, self.height, max(self.sd, 1e-6)),))

    @property
    def interval(self) -> tuple[float, float]:
        """The 95 % interval over all stories; lopsided where one story is. [m]"""
        if not self.stories:
            return self.height - 1.96 * self.sd, self.height + 1.96 * self.sd
        return self.mixture.interval()

    @property
    def spread(self) -> float:
        """How far off the height may be at 95 %, over all stories, to the side on which it is further. [m]"""
        low, high = self.interval
        return max(high - self.height, self.height - low)

    def above(self, height: float) -> float:
        """Probability that the blanket stands above a height. [–]"""
        return self.mixture.above(height)


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessment:
    """What conditioning made of one blanket sample. Heights in the tank's frame [m]; NaN where there is no number."""

    tag: str
    time: datetime
    height: float  #: before drift correction
    corrected: float  #: after drift correction
    verdict: ReadingReason


@dataclass(frozen=True, slots=True, kw_only=True)
class TankSetup:
    """A tank with the signals that speak of it; ``others`` are its own and the plant's flow and solids signals."""

    tank: Tank
    blankets: tuple[Signal, ...]
    others: tuple[Signal, ...] = ()
    #: The tank's part of the surface of all tanks of its kind: its part of the plant's flow where it is not metered. [–]
    share_of_plant: float = 1.0
    #: What the site says of its loading; no belief depends on it.
    terms: LoadTerms = field(default_factory=LoadTerms, compare=False)


Event = Reading | Core | Calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Advance:
    """What a stretch of events led to. Where two estimates bear one time, the later one in order stands."""

    state: State
    estimates: tuple[Estimate, ...] = field(default=())
    assessments: tuple[Assessment, ...] = field(default=())
    pairs: tuple[Pair, ...] = field(default=())


def event_order(event: Event) -> tuple[datetime, int, str]:
    """Sort key that puts events in the one order that counts: by time; then readings, cores, calibrations; then by name."""
    match event:
        case Reading():
            return event.time, 0, event.tag
        case Core():
            return event.taken_at, 1, f"{event.replicate:04d} {event.id}"
        case Calibration():
            return event.at, 2, event.tag


def initial(setup: TankSetup) -> State:
    """The memory of a tank of which nothing is known yet."""
    return first_state(setup.tank, setup.blankets)


def advance(setup: TankSetup, state: State, events: Iterable[Event]) -> Advance:
    """Fold events into the state.

    Cutting the stream anywhere and going on from the state given back leads to exactly the same numbers.

    Parameters
    ----------
    events : in the order of :func:`event_order`, none before the state's time.

    Raises
    ------
    DomainError
        when an event lies before what the state has already seen: start from an earlier state instead.
    """
    fold = Fold(setup.tank, setup.blankets, setup.others, state.copy(), setup.share_of_plant)
    estimates: list[Estimate] = []
    assessments: list[Assessment] = []
    pairs: list[Pair] = []
    for event in events:
        spoken = False
        if isinstance(event, Reading):
            told = fold.reading(event)
            if told is not None:
                assessments.append(
                    Assessment(tag=event.tag, time=event.time, height=told[0], corrected=told[1], verdict=told[2])
                )
                time, spoken = event.time, True
        elif isinstance(event, Core):
            if event.tank == setup.tank.key:
                pairs.extend(fold.core(event))
                time, spoken = event.taken_at, True
        else:
            fold.calibration(event)
        if spoken:
            estimate = _estimate(setup, fold, fold.state.time, time)
            if estimates and estimates[-1].time == time:
                estimates[-1] = estimate
            else:
                estimates.append(estimate)
    return Advance(state=fold.state, estimates=tuple(estimates), assessments=tuple(assessments), pairs=tuple(pairs))


def project(setup: TankSetup, state: State, now: datetime) -> Estimate:
    """The estimate at a time nothing was heard at: it coasts, and its deviation grows."""
    fold = Fold(setup.tank, setup.blankets, setup.others, state.copy(), setup.share_of_plant)
    return _estimate(
        setup, fold, max(now.timestamp(), state.time) if state.time == state.time else now.timestamp(), now
    )


def state_to_json(state: State) -> dict[str, Any]:
    """State as JSON values; :func:`state_from_json` gives back exactly the same."""
    return to_json(state)


def state_from_json(memory: Mapping[str, Any]) -> State:
    """State from :func:`state_to_json`.

    Raises
    ------
    DomainError
        when another version wrote it: start from an empty state and the readings instead.
    """
    return from_json(memory)


def _estimate(setup: TankSetup, fold: Fold, seconds: float, time: datetime) -> Estimate:
    told = fold.belief_at(seconds)
    source = told.source
    rivals = sum(part.chance for part in told.stories if abs(part.mean - told.height) > ONE_STORY)
    if source is Source.NOTHING:
        trust, reason = Trust.BLIND, EstimateReason.NO_DATA
    else:
        if told.sd > BLIND_SD or told.silent > BLIND_AFTER:
            trust = Trust.BLIND
        elif told.off > MAY_MISLEAD or told.unproven or told.reads_high or source is Source.COASTING or not told.agreed:
            trust = Trust.DOUBTFUL
        else:
            trust = Trust.GOOD
        if told.reads_high:
            reason = EstimateReason.READS_HIGH_UNCONFIRMED
        elif source is Source.CORE:
            reason = EstimateReason.CORE
        elif source is Source.SENSOR:
            reason = EstimateReason.SENSOR
        else:
            reason = EstimateReason.BLIND if trust is Trust.BLIND else EstimateReason.COASTING
    return Estimate(
        tank=setup.tank.key, time=time, height=told.height, sd=told.sd, rate=told.rate, trust=trust, reason=reason,
        stories=told.stories if rivals > 0.0 else (),
    )  # fmt: skip
