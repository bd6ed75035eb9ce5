"""Checks a hand core before it is stored: what is refused, and what has to be confirmed.

Refused is only what cannot be: no tank is deeper than it is, and nobody cores tomorrow. A core that merely disagrees is
never refused, because the core may be right and everything else wrong; the person is asked to look once more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.cores.core import Core
from service.domain.plant.display import format_duration, format_length
from service.domain.plant.tank import Tank, TankShape
from service.domain.plant.units import UnitSystem, from_si, to_si

#: Repeatability of a hand core in a firm blanket, as a standard deviation. [m] Common practice, no source.
CORE_SD = 0.15
#: Standard deviations between core and expectation from which the person is asked: 1 in 370 cores by chance alone.
FAR = 3.0
#: Standard deviations within which a core read in another unit fits well.
FITS = 2.0
#: How far ahead of ours the clock of the person who typed the time may be.
CLOCK_SKEW = timedelta(minutes=5)
#: Water above the weir crest that a tank may carry at its highest flow. [m] Common practice, no source.
HEAD_OVER_WEIR = 0.15
#: Units in which a hand core is read, on a sampler or a tape.
SAMPLER_UNITS = ("m", "cm", "ft", "in")


class CoreSeverity(StrEnum):
    """What a finding asks for."""

    REFUSE = "refuse"  #: cannot be: the core is not stored
    CONFIRM = "confirm"  #: may be: the person is asked, a file's core is stored with the warning


class CoreProblem(StrEnum):
    """What is wrong, or may be wrong, with a core."""

    NOT_A_NUMBER = "not a number"
    NEGATIVE = "negative"
    DEEPER_THAN_TANK = "deeper than the tank"
    IN_THE_FUTURE = "in the future"
    OUTSIDE_THE_TANK = "outside the tank"
    NO_SUCH_REPLICATE = "no such replicate"
    UNIT_SLIP = "unit slip suspected"
    FAR_FROM_ESTIMATE = "far from the estimate"
    FLUFF_BELOW_SLUDGE = "fluff below the sludge"


@dataclass(frozen=True, slots=True)
class CoreFinding:
    """One problem of a core, as a sentence in the site's units."""

    problem: CoreProblem
    severity: CoreSeverity
    sentence: str


@dataclass(frozen=True, slots=True)
class ExpectedCore:
    """Blanket height that a core is expected to find, with its standard deviation. [m]"""

    height: float
    sd: float


def expected_from_cores(recent: Sequence[Core], tank: Tank, at: datetime) -> ExpectedCore | None:
    """What the tank's recent cores let one expect, where there is no estimate.

    Parameters
    ----------
    recent : cores of this tank, in any order; later ones than *at* and those older than two weeks are passed over.

    Returns
    -------
    The median of the last three (of all replicates of a round), with their spread and what a blanket may move meanwhile;
    None when there are none.

    Notes
    -----
    A blanket is taken to move 0.5 m in a day and by the square root of time otherwise: common practice, no source.
    """
    usable = sorted((c for c in recent if timedelta(0) <= at - c.taken_at <= _RECENT), key=lambda c: c.taken_at)[-3:]
    if not usable:
        return None
    heights = sorted(tank.height_from_thickness(c.thickness, c.distance_from_wall) for c in usable)
    median = heights[len(heights) // 2] if len(heights) % 2 else (heights[0] + heights[1]) / 2.0
    days = (at - usable[-1].taken_at) / timedelta(days=1)
    return ExpectedCore(median, math.hypot(CORE_SD, (heights[-1] - heights[0]) / 2.0, 0.5 * math.sqrt(days)))


def check_core(
    core: Core,
    tank: Tank,
    *,
    now: datetime,
    units: UnitSystem,
    typed_unit: str,
    expected: ExpectedCore | None = None,
) -> tuple[CoreFinding, ...]:
    """Everything wrong, or possibly wrong, with a core; empty when there is nothing to say.

    Parameters
    ----------
    core : lengths in SI already.
    units : the site's unit system, for the sentences.
    typed_unit : the unit in which the thickness was typed.
    expected : blanket height at the time of the core, from the estimate or from recent cores; None when neither is there.

    Returns
    -------
    What is refused first. Where something is refused, nothing is asked.
    """
    refused = _refusals(core, tank, now, units, typed_unit)
    if refused:
        return tuple(refused)
    doubts = (
        _fluff_doubt(core, units),
        None if expected is None else _doubt(core, tank, units, typed_unit, expected),
    )
    return tuple(doubt for doubt in doubts if doubt is not None)


def refused(findings: Sequence[CoreFinding]) -> bool:
    """Whether any of the findings keeps the core from being stored."""
    return any(finding.severity is CoreSeverity.REFUSE for finding in findings)


_RECENT = timedelta(days=14)


def _refusals(core: Core, tank: Tank, now: datetime, units: UnitSystem, typed_unit: str) -> list[CoreFinding]:
    found: list[CoreFinding] = []

    def refuse(problem: CoreProblem, sentence: str) -> None:
        found.append(CoreFinding(problem, CoreSeverity.REFUSE, sentence))

    numbers = (core.thickness, core.distance_from_wall, core.fluff or 0.0, core.arm_position or 0.0)
    if not all(math.isfinite(number) for number in numbers):
        refuse(CoreProblem.NOT_A_NUMBER, "Thickness, position and fluff have to be plain numbers.")
        return found
    if core.thickness < 0:
        refuse(CoreProblem.NEGATIVE, f"A thickness of {format_length(core.thickness, units)} is below the floor.")
    if core.fluff is not None and core.fluff < 0:
        refuse(CoreProblem.NEGATIVE, f"A fluff top of {format_length(core.fluff, units)} is below the floor.")
    if core.taken_at > now + CLOCK_SKEW:
        refuse(
            CoreProblem.IN_THE_FUTURE,
            f"The core is dated {format_duration(core.taken_at - now)} ahead of now; check its date, time and time zone.",
        )
    if core.replicate < 1:
        refuse(CoreProblem.NO_SUCH_REPLICATE, f"Replicates are counted from 1, not {core.replicate}.")
    if not 0.0 <= core.distance_from_wall <= tank.reach:
        most = "centre" if tank.shape is TankShape.CIRCULAR else "far end"
        refuse(
            CoreProblem.OUTSIDE_THE_TANK,
            f"{format_length(core.distance_from_wall, units)} from {tank.wall} is outside {tank.label}, where the {most} is "
            f"{format_length(tank.reach, units)} from it.",
        )
        return found  # the depth at a place that is not there says nothing
    if core.arm_position is not None and not 0.0 <= core.arm_position <= 360.0:
        refuse(CoreProblem.OUTSIDE_THE_TANK, f"An arm position of {core.arm_position:g}° is not between 0° and 360°.")
    depth = tank.side_water_depth + tank.floor_drop(core.distance_from_wall)
    sludge = max(core.thickness, core.fluff or 0.0)
    if sludge > depth + HEAD_OVER_WEIR:
        layers = "fluff" if sludge > core.thickness else "sludge"
        refuse(
            CoreProblem.DEEPER_THAN_TANK,
            f"{format_length(sludge, units)} of {layers} is more than {tank.label} holds at that place "
            f"({format_length(depth, units)} of water).{_other_units_that_fit(core, depth, typed_unit, units)}",
        )
    return found


def _fluff_doubt(core: Core, units: UnitSystem) -> CoreFinding | None:
    """Fluff lies above the sludge; a smaller number is a layer's thickness where its top was meant, or a slip."""
    if core.fluff is None or core.fluff >= core.thickness:
        return None
    fluff, sludge = format_length(core.fluff, units), format_length(core.thickness, units)
    top = format_length(core.thickness + core.fluff, units)
    return CoreFinding(
        CoreProblem.FLUFF_BELOW_SLUDGE,
        CoreSeverity.CONFIRM,
        f"Fluff is written as its top above the floor, as read on the tube: {fluff} is below the {sludge} of sludge. "
        f"If its layer is {fluff} thick, write {top}. Confirm that both numbers are right.",
    )


def _other_units_that_fit(core: Core, depth: float, typed_unit: str, units: UnitSystem) -> str:
    typed = from_si(core.thickness, typed_unit)
    fits = [
        f"{_number(typed, other)} {other} ({format_length(to_si(typed, other), units)})"
        for other in SAMPLER_UNITS
        if other != typed_unit and 0.0 < to_si(typed, other) <= depth
    ]
    if not fits:
        return " Check the number and its unit."
    return f" Check the unit: it would fit as {' or '.join(fits)}."


def _doubt(core: Core, tank: Tank, units: UnitSystem, typed_unit: str, expected: ExpectedCore) -> CoreFinding | None:
    sd = math.hypot(expected.sd, CORE_SD)

    def distance(thickness: float) -> float:
        return abs(tank.height_from_thickness(thickness, core.distance_from_wall) - expected.height) / sd

    if distance(core.thickness) <= FAR:
        return None
    expected_thickness = max(tank.thickness_from_height(expected.height, core.distance_from_wall), 0.0)
    typed = from_si(core.thickness, typed_unit)
    others = [other for other in SAMPLER_UNITS if other != typed_unit]
    nearest = min(others, key=lambda other: distance(to_si(typed, other)))
    about = f"about {format_length(expected_thickness, units)} (± {format_length(2.0 * sd, units)}) was expected there"
    if core.thickness > 0.0 and distance(to_si(typed, nearest)) <= FITS:
        return CoreFinding(
            CoreProblem.UNIT_SLIP,
            CoreSeverity.CONFIRM,
            f"{_number(typed, typed_unit)} {typed_unit} is far from the rest, {about}; "
            f"{_number(typed, nearest)} {nearest} ({format_length(to_si(typed, nearest), units)}) would fit. "
            "Confirm the unit.",
        )
    side = "more" if core.thickness > expected_thickness else "less"
    return CoreFinding(
        CoreProblem.FAR_FROM_ESTIMATE,
        CoreSeverity.CONFIRM,
        f"{format_length(core.thickness, units)} is much {side} than the estimate: {about}. "
        "Confirm that tank, time and number are right; if they are, this core is the news.",
    )


def _number(value: float, symbol: str) -> str:
    return f"{value:.{ {'m': 2, 'ft': 1}.get(symbol, 0) }f}"
