"""Checks the site and its tanks: shape, depth, floor, weir, coring spot."""

from __future__ import annotations

import math

from service.domain.loading.limits import PROCESSES_OF
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import END_WALL, Tank, TankShape
from service.site.conversion.plant import tank_of
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import check_unique, length
from service.site.sections.alarm import STEEPEST_FLOOR
from service.site.sections.plant import TankSection
from service.site.sections.section import ZONE_OF_WORD

SHALLOWEST, DEEPEST = 1.0, 10.0  # [m]
SMALLEST, LARGEST = 2.0, 150.0  # [m]


def tank_with_size(entry: ReadSection[TankSection]) -> Tank | None:
    """The tank, if its sizes are positive."""
    return tank_of(entry.section) if entry.section.side_water_depth > 0 and all(s > 0 for s in _sizes(entry)) else None


def plausible_tank(entry: ReadSection[TankSection]) -> Tank | None:
    """The tank, if its size is plausible; else nothing is checked against it."""
    usual = SHALLOWEST <= entry.section.side_water_depth <= DEEPEST
    return tank_of(entry.section) if usual and all(SMALLEST <= s <= LARGEST for s in _sizes(entry)) else None


def _sizes(entry: ReadSection[TankSection]) -> tuple[float, ...]:
    tank = entry.section
    sizes = (tank.diameter,) if tank.shape is TankShape.CIRCULAR else (tank.length, tank.width)
    return tuple(size if size is not None else 0.0 for size in sizes)


#: IANA names that never change to summer time although people who write them mostly do.
_FIXED_OFFSET = ("EST", "MST", "HST")


def check_plant(draft: Draft, report: Report) -> None:
    """Check the time zone, and that there are tanks and signals."""
    if draft.site is not None and draft.site.section.time_zone in _FIXED_OFFSET:
        zone = draft.site.section.time_zone
        near = ZONE_OF_WORD[zone.lower()]
        report.warning(
            draft.site, "time_zone", f"{zone} knows no summer time", f'write "{near}" unless the plant has none'
        )
    if not draft.tanks and "tank" not in draft.incomplete:
        report.error(None, None, "no tank is described", "write a [[tank]] with key, kind, shape and side_water_depth")
    if draft.tanks and not draft.signals and "signal" not in draft.incomplete:
        report.warning(None, None, "no signal is described", "write a [[signal]] for each instrument")


def check_tanks(draft: Draft, report: Report) -> None:
    """Check shape, depth, floor, weir and coring spot of every tank."""
    check_unique(draft.tanks, "key", report)
    with_sensor = frozenset(
        s.section.tank.casefold() for s in draft.signals if s.section.kind is SignalKind.BLANKET and s.section.tank
    )
    # A blanket signal without a tank, or with an unknown one, is reported; it most likely belongs to the tank without.
    unassigned = any(
        s.section.kind is SignalKind.BLANKET and s.section.tank not in draft.names["tank"] for s in draft.signals
    )
    all_known = not unassigned and "signal" not in draft.incomplete
    for entry in draft.tanks:
        _check_shape(entry, draft, report)
        _check_depth(entry, draft, report)
        _check_floor(entry, report)
        _check_weir(entry, draft, report)
        _check_core(entry, draft, report)
        _check_arm(entry, report)
        _check_process(entry, report)
        if all_known:
            _check_has_sensor(entry, with_sensor, report)


def _check_process(entry: ReadSection[TankSection], report: Report) -> None:
    process, fitting = entry.section.process, PROCESSES_OF[entry.section.kind]
    if process is not None and process not in fitting:
        choice = " or ".join(f'"{one}"' for one in fitting)
        report.error(entry, "process", f'"{process}" does not fit a {entry.section.kind} tank', f"write {choice}")


def _check_shape(entry: ReadSection[TankSection], draft: Draft, report: Report) -> None:
    circular = entry.section.shape is TankShape.CIRCULAR
    for name, wanted in (("diameter", circular), ("length", not circular), ("width", not circular)):
        value = getattr(entry.section, name)
        if wanted and not entry.has(name):
            report.error(entry, name, f"is missing: a {entry.section.shape} tank has one", f"write {name} = 80, say")
        elif not wanted and value is not None:
            report.error(
                entry, name, f"does not fit: a {entry.section.shape} tank has none", "remove it, or change shape"
            )
        elif value is not None and (value <= 0 or value * value == 0.0):  # so small that its area is nothing
            report.error(
                entry, name, f"{length(value, draft.units)} is not a size", f"write the {name} of the water surface"
            )
        elif value is not None and not SMALLEST <= value <= LARGEST:
            remedy = 'check the unit; a text may carry its own, such as "80 ft"'
            report.warning(entry, name, f"{length(value, draft.units)} is an unusual {name}", remedy)


def _check_depth(entry: ReadSection[TankSection], draft: Draft, report: Report) -> None:
    depth = entry.section.side_water_depth
    if depth <= 0:
        report.error(
            entry, "side_water_depth", "is not above zero", "write the depth from weir crest to floor at the side wall"
        )
    elif not SHALLOWEST <= depth <= DEEPEST:
        report.warning(
            entry,
            "side_water_depth",
            f"{length(depth, draft.units)} is an unusual depth",
            'check the unit; a text may carry its own, such as "14 ft". Ten States Standards chapter 70 asks for at least '
            "10 ft (3.0 m), 12 ft (3.7 m) after activated sludge",
        )


def _check_floor(entry: ReadSection[TankSection], report: Report) -> None:
    slope = entry.section.floor_slope
    if slope > STEEPEST_FLOOR:
        meant = f'write "1:{slope:g}"' if slope > 1 else 'write the fall per length, such as "1:12"'
        report.error(entry, "floor_slope", f"falls {slope:g} over 1: steeper than any floor", meant)
    elif slope < 0:
        report.error(
            entry, "floor_slope", "is below zero", 'write how much the floor falls away from the wall, such as "1:12"'
        )


def _check_weir(entry: ReadSection[TankSection], draft: Draft, report: Report) -> None:
    tank = entry.section
    if tank.weir_length is not None and tank.weir_length <= 0:
        report.error(
            entry,
            "weir_length",
            "is not above zero",
            "write the length of weir crest water flows over, or leave it out",
        )
    elif tank.weir_length is not None and tank.shape is TankShape.CIRCULAR and tank.diameter and plausible_tank(entry):
        around = math.pi * tank.diameter
        # One weir at the wall is π·D; a trough inside the tank has two, each a little shorter.
        if not 0.6 * around <= tank.weir_length <= 2.1 * around:
            report.warning(
                entry,
                "weir_length",
                f"{length(tank.weir_length, draft.units)} is far from the tank's own {length(around, draft.units)} (π × diameter)",
                "check it: one weir at the wall has about that length, a trough with weirs on both sides about twice that",
            )
    for one, other in (("notch_angle", "notch_count"), ("notch_count", "notch_angle")):
        if getattr(tank, one) is not None and not entry.has(other):
            report.error(entry, other, f"is missing, but {one} is given", "write both, or neither")
    if tank.discharge_coefficient is not None and not entry.has("notch_angle"):
        report.warning(
            entry, "discharge_coefficient", "has no use without notches", "write notch_angle and notch_count"
        )
    if tank.notch_count and tank.weir_length and tank.weir_length > 0:
        pitch = tank.weir_length / tank.notch_count
        if not 0.05 <= pitch <= 1.0:
            report.warning(
                entry,
                "notch_count",
                f"puts the notches {length(pitch, draft.units)} apart",
                "check notch_count and weir_length; 0.5 to 1 ft (0.15 to 0.3 m) is usual",
            )


def _check_core(entry: ReadSection[TankSection], draft: Draft, report: Report) -> None:
    tank = entry.section
    if tank.core_position is not None and tank.core_distance_from_wall is not None:
        report.error(entry, "core_position", "says the same as core_distance_from_wall", "keep one of the two")
    if tank.core_position is not None and not 0 <= tank.core_position <= 1:
        report.error(
            entry,
            "core_position",
            f"{tank.core_position:g} lies outside the tank",
            'write the part of the way from the wall inwards, such as "1/3"',
        )
    reach = (tank.diameter or 0) / 2 if tank.shape is TankShape.CIRCULAR else tank.length or 0
    place = tank.core_distance_from_wall
    if place is not None and (place < 0 or (reach > 0 and place > reach)):
        wall = "the side wall" if tank.shape is TankShape.CIRCULAR else END_WALL
        middle = "the centre" if tank.shape is TankShape.CIRCULAR else "the far wall"
        report.error(
            entry,
            "core_distance_from_wall",
            f"{length(place, draft.units)} lies outside the tank",
            f"write the distance from {wall}; {middle} is {length(reach, draft.units)} away",
        )


def _check_arm(entry: ReadSection[TankSection], report: Report) -> None:
    period = entry.section.arm_period
    if period is None:
        return
    minutes = period.total_seconds() / 60
    if minutes <= 0:
        report.error(entry, "arm_period", "is not above zero", "write the time of one revolution, or leave it out")
    elif not 3 <= minutes <= 240:
        remedy = "check the unit; 20 to 60 minutes for one revolution is usual (common practice)"
        report.warning(entry, "arm_period", f"{minutes:g} minutes is an unusual time for one pass", remedy)


def _check_has_sensor(entry: ReadSection[TankSection], with_sensor: frozenset[str], report: Report) -> None:
    if entry.section.key.casefold() in with_sensor:
        return
    report.warning(
        entry,
        None,
        "no blanket signal: only hand cores will watch this tank",
        f'write a [[signal]] with kind = "blanket" and tank = "{entry.section.key}"',
    )
