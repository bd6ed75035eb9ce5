"""Advises on a sensor: work on it, watch, leave it or take more cores; which values to set; what one core beside it says."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from service.domain.blanket.drift import Drift, DriftBank
from service.domain.cores.check import CORE_SD
from service.domain.plant.display import format_length
from service.domain.plant.signal import Measures, Signal
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.domain.sensors.agreement import proportional
from service.domain.sensors.drift_history import DriftHistory

#: An error beyond this is worth a technician's visit [m]. Field accuracy of interface sensors is about ±0.1 m: common
#: practice, no source.
TOLERANCE = 0.10
#: How sure one must be that the error is beyond the tolerance: to act, and to keep an eye on it [–].
SURE, SUSPICIOUS = 0.95, 0.5
#: How far ahead the error is looked at if nothing is done [day].
AHEAD = 30.0
#: Sound cores needed before anybody is sent.
CORES_NEEDED = 3.0
#: Chance that the latest core was wrong or showed a step, above which nothing is decided before the next [–].
UNSETTLED = 0.3
#: More cores than this are never asked for.
MOST_CORES = 30
#: Cores needed before a sensor is said to work in another unit, and how near the factor must be [–].
UNIT_CORES, UNIT_SLACK = 5, 0.12
#: A span error is set, not just an offset, when it is this many standard deviations from none [–].
SPAN_SURE = 2.5


class Action(StrEnum):
    """What to do."""

    WORK = "needs work now"
    WATCH = "watch"
    FINE = "fine"
    MORE_CORES = "not enough cores"

    @property
    def urgency(self) -> int:
        """Place in a list of work: 0 first."""
        return (Action.WORK, Action.WATCH, Action.MORE_CORES, Action.FINE).index(self)


class DriftCause(StrEnum):
    """What the error looks like."""

    NONE = "none"
    FOULING = "slow fouling"
    STEP = "step"
    SPAN = "span"
    NOISE = "noise"
    DATUM = "wrong datum or position"
    UNIT = "wrong unit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What to type into the transmitter. In the sensor's own frame and in [m]; the reading it makes is then right.

    ``at_4_ma`` and ``at_20_ma`` are what the ends of the loop should stand for, given what they stand for now; None when
    the signal's range is not described.
    """

    add: float  #: to every reading, for an offset alone
    multiply: float  #: of the reading, before adding; 1 for an offset alone
    at_4_ma: float | None
    at_20_ma: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """Advice on one sensor, with the numbers behind it. Errors are sensor minus truth in [m], intervals are 95 %."""

    action: Action
    cause: DriftCause
    hint: str  #: a length of the tank that the error equals, if one does; else empty
    error: float  #: at the height the blanket usually has
    error_interval: tuple[float, float]
    error_ahead: float  #: expected 30 days on, if left
    error_ahead_interval: tuple[float, float]
    beyond_tolerance: float  #: chance that the error is beyond the tolerance now [–]
    offset: float  #: about the pivot
    offset_interval: tuple[float, float]
    span: float  #: [–]
    span_interval: tuple[float, float]
    trend: float  #: [m/day]
    setting: Setting
    more_cores: int  #: that would settle it; 0 when it is settled
    core_heights: tuple[float, float] | None  #: where on the blanket's range they would help most

    @property
    def clean_first(self) -> bool:
        """Whether a setting is changed only for what is left after cleaning."""
        return self.cause is DriftCause.FOULING and self.action in (Action.WORK, Action.WATCH)


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do, and the error it rests on. [m], chances in [–]"""

    action: Action
    error: float
    sd: float
    beyond: float
    ahead: float
    ahead_sd: float
    more_cores: int


def decide(bank: DriftBank, time: float, above_pivot: float, tolerance: float = TOLERANCE) -> Decision:
    """What to do about a sensor, from its filters alone: cheap enough to ask after every core.

    Parameters
    ----------
    time : now, seconds since 1970.
    above_pivot : height above the span's pivot at which the blanket usually stands. [m]
    tolerance : error that is still good enough. [m]
    """
    drift = bank.now()
    days = max(0.0, (time - bank.time) / 86_400.0) if bank.cores else 0.0
    error, var = drift.at(days, above_pivot)
    sd = math.sqrt(var)
    ahead, ahead_var = drift.at(days + AHEAD, above_pivot)
    beyond = _beyond(error, sd, tolerance)
    enough, unsettled = bank.cores >= CORES_NEEDED, bank.unsettled > UNSETTLED
    if beyond >= SURE and enough and not unsettled:
        action = Action.WORK
    elif not enough or unsettled or (sd > 0.75 * tolerance and 1.0 - SURE < beyond < SURE):
        action = Action.MORE_CORES
    elif beyond >= SUSPICIOUS or (
        abs(drift.trend) > 2.0 * math.sqrt(drift.cov[3])
        and _beyond(ahead, math.sqrt(ahead_var), tolerance) >= SUSPICIOUS
    ):
        action = Action.WATCH
    else:
        action = Action.FINE
    more = 0
    if action is Action.MORE_CORES:
        least = max(math.ceil(CORES_NEEDED - bank.cores), 2 if unsettled else 1)
        more = _more_cores(error, var, bank.learned()["core_sd"], tolerance, least)
    return Decision(action, error, sd, beyond, ahead, math.sqrt(ahead_var), more)


def advise(
    history: DriftHistory, bank: DriftBank, time: float, signal: Signal, tank: Tank, pivot: float,
    usual_height: float, tolerance: float = TOLERANCE, head: float = 0.0,
) -> Advice:  # fmt: skip
    """Advice on a sensor.

    Parameters
    ----------
    history : of its pairs.
    bank : its filters, as the online estimate holds them.
    time : now, seconds since 1970.
    usual_height : where the blanket usually stands above the floor datum. [m]
    tolerance : error that is still good enough. [m]
    head : water surface above the weir crest, from which sensors that look down from the surface count. [m]
    """
    above = usual_height - pivot
    decision = decide(bank, time, above, tolerance)
    drift = bank.now()
    days = max(0.0, (time - bank.time) / 86_400.0) if bank.cores else 0.0
    span_sd = math.sqrt(drift.cov[5])
    span_sure = abs(drift.span) > SPAN_SURE * span_sd and bank.learned()["span"] > 0.9
    offset, offset_var = drift.at(days, 0.0)
    error = decision.error
    cause = _cause(history, drift, error, span_sure, above, tank, tolerance)
    return Advice(
        action=decision.action,
        cause=cause,
        hint=_hint(error, decision.sd, tank, signal) if cause is DriftCause.DATUM else "",
        error=error,
        error_interval=_interval(error, decision.sd),
        error_ahead=decision.ahead,
        error_ahead_interval=_interval(decision.ahead, decision.ahead_sd),
        beyond_tolerance=decision.beyond,
        offset=offset,
        offset_interval=_interval(offset, math.sqrt(offset_var)),
        span=drift.span,
        span_interval=_interval(drift.span, span_sd),
        trend=drift.trend,
        setting=setting_for(
            signal,
            tank.side_water_depth + head,
            pivot,
            offset if span_sure else error,
            drift.span if span_sure else 0.0,
        ),
        more_cores=decision.more_cores,
        core_heights=_where(history, tank, usual_height) if decision.action is Action.MORE_CORES else None,
    )


@dataclass(frozen=True, slots=True)
class CoreBeside:
    """What one core beside a sensor says of it; ``agrees`` is False where somebody has to look. ``difference`` is sensor minus core. [m]"""

    difference: float
    agrees: bool
    sentence: str


def core_beside(
    tag: str, difference: float, decision: Decision, units: UnitSystem, tolerance: float = TOLERANCE
) -> CoreBeside:
    """One core beside a sensor, judged by the tolerance and the decision that the sensor's own page goes by.

    A single core repeats only to ± 2 standard deviations of a core: a difference within that is no news, and a sensor that all
    cores together say is off does not agree because one of them came out near.
    """
    apart, repeats = abs(difference), 2.0 * CORE_SD
    agrees = apart <= repeats and decision.action is not Action.WORK
    way = "higher" if difference > 0.0 else "lower"
    if apart <= tolerance:
        beside = "agrees with" if agrees else "reads close to"
        said = f"{tag} {beside} this core ({format_length(difference, units, signed=True)})"
    else:
        said = f"{tag} reads {format_length(apart, units)} {way} than this core"
        if agrees:
            said += f", within what one core repeats to (± {format_length(repeats, units)})"
    by_all = (
        f"off by {format_length(decision.error, units, signed=True)} (± {format_length(1.96 * decision.sd, units)})"
    )
    if decision.action is Action.MORE_CORES:
        return CoreBeside(difference, agrees, f"{said}. There are not enough cores yet to say how far it is off.")
    return CoreBeside(difference, agrees, f"{said}. By the cores so far it is {by_all}: {decision.action.value}.")


def _beyond(mean: float, sd: float, tolerance: float) -> float:
    """Chance that a normal value lies beyond ± tolerance."""
    scale = max(sd, 1e-9) * math.sqrt(2.0)
    return 0.5 * (math.erfc((tolerance - mean) / scale) + math.erfc((tolerance + mean) / scale))


def _interval(mean: float, sd: float) -> tuple[float, float]:
    return mean - 1.96 * sd, mean + 1.96 * sd


def _more_cores(error: float, var: float, core_sd: float, tolerance: float, least: int) -> int:
    """Sound cores after which the chance would be clear, were the error what it now looks like."""
    # The deviation at which the present mean would be clearly beyond the tolerance or clearly within it.
    needed = max(abs(abs(error) - tolerance) / 1.645, 0.25 * tolerance)
    return max(least, min(MOST_CORES, math.ceil(core_sd**2 * max(1.0 / needed**2 - 1.0 / var, 0.0))))


def _where(history: DriftHistory, tank: Tank, usual: float) -> tuple[float, float] | None:
    """Blanket heights at which cores would tell most: away from where cores were taken so far, within what tanks hold."""
    heights = [point.pair.core_height for point in history.points if point.wrong < 0.5]
    if not heights:
        return None
    mean = sum(heights) / len(heights)
    spread = math.sqrt(sum((h - mean) ** 2 for h in heights) / len(heights))
    if spread > 0.15 * tank.side_water_depth:
        return usual - 0.2, usual + 0.2
    # All cores at about one height say nothing about the span: catch the blanket when it stands elsewhere.
    return mean + max(2.0 * spread, 0.3), min(mean + max(4.0 * spread, 1.0), 0.8 * tank.side_water_depth)


def setting_for(signal: Signal, surface: float, pivot: float, offset: float, span: float = 0.0) -> Setting:
    """Bring offset and span error into the sensor's own frame: truth = multiply × reading + add.

    Parameters
    ----------
    surface : height of the water surface above the floor datum. [m]
    """
    mount = signal.mount
    direction, base = 1.0, 0.0
    if mount is not None:
        if mount.measures is Measures.HEIGHT:
            base = mount.zero_height
        else:
            direction = -1.0
            base = mount.zero_height if mount.measures is Measures.DISTANCE else surface
    scale = 1.0 / (1.0 + span)
    # height = base + direction·reading; truth = pivot + scale·(height − offset − pivot); back into the frame.
    add = direction * (pivot - base + scale * (base - offset - pivot))

    def right(reading: float | None) -> float | None:
        return None if reading is None else scale * reading + add

    return Setting(add=add, multiply=scale, at_4_ma=right(signal.low), at_20_ma=right(signal.high))


def _cause(
    history: DriftHistory, drift: Drift, error: float, span_sure: bool, above: float, tank: Tank,
    tolerance: float,
) -> DriftCause:  # fmt: skip
    sound = [point for point in history.points if point.wrong < 0.5]
    if len(sound) < CORES_NEEDED:
        return DriftCause.NONE
    if _unit_slip(history):
        return DriftCause.UNIT
    if span_sure and abs(drift.span) * max(0.25 * tank.side_water_depth, abs(above)) > 0.5 * tolerance:
        return DriftCause.SPAN
    if abs(error) < 0.5 * tolerance:
        return DriftCause.NOISE if history.fit.core_sd > 2.0 * tolerance else DriftCause.NONE
    recent = [step for step in history.steps if history.last_work is None or step.after >= history.last_work]
    if recent and abs(sum(step.size for step in recent)) >= 0.5 * abs(error):
        return DriftCause.STEP
    if abs(drift.trend) > 2.0 * math.sqrt(drift.cov[3]):
        return DriftCause.FOULING
    since = [p for p in sound if history.last_work is None or p.pair.time >= history.last_work]
    first = since[0].then if since else 0.0
    if since and abs(first) > 0.7 * abs(error) and first * error > 0.0:
        return DriftCause.DATUM
    return DriftCause.FOULING


def _hint(error: float, sd: float, tank: Tank, signal: Signal) -> str:
    """The length somebody may have left out or counted twice: one that the error equals within its deviation."""
    lengths = [(tank.floor_drop(tank.core_distance_from_wall), "the floor's fall to where cores are taken")]
    if signal.mount is not None:
        lengths.append((tank.floor_drop(signal.mount.distance_from_wall), "the floor's fall to where the sensor hangs"))
        lengths.append((abs(signal.mount.zero_height), "the height of the sensor's zero or face above the floor datum"))
    lengths.append((abs(tank.lowest_height), "the floor's whole fall"))
    close = [(abs(abs(error) - length), words) for length, words in lengths if length > 2.0 * sd]
    off, words = min(close, default=(math.inf, ""))
    return words if off <= 2.0 * sd else ""


def _unit_slip(history: DriftHistory) -> bool:
    """The sensor's level is the core's times 3.28 or 0.305, over all cores: a line through the origin, unit slipped."""
    sound = [point.pair for point in history.points if point.wrong < 0.5]
    if len(sound) < UNIT_CORES or all(pair.core_height <= 0.0 for pair in sound):
        return False
    ratio = proportional([pair.core_height for pair in sound], [pair.sensor for pair in sound]).slope
    return any(abs(ratio / factor - 1.0) < UNIT_SLACK for factor in (0.3048, 1 / 0.3048))
