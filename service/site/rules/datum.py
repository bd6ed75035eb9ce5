"""Checks the position and range of blanket sensors against the tank: datum, range, danger level."""

from __future__ import annotations

from dataclasses import dataclass

from service.alarms.definition import AlarmKind
from service.domain.plant.signal import Measures, SignalKind, sensor_height
from service.domain.plant.tank import Tank
from service.domain.plant.units import UNITS, Dimension
from service.site.conversion.plant import signal_of, tank_alarms
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import length
from service.site.rules.tanks import plausible_tank
from service.site.sections.plant import SignalSection

#: A sensor face may stand this far above the weir on a bracket. [m]
HIGHEST_BRACKET = 3.0

#: A range of more than this many tank depths is most likely in another unit: a metre is 3.28 feet.
MOST_DEPTHS = 2.2


def check_datum(
    entry: ReadSection[SignalSection], reference: ReferenceTank | None, draft: Draft, report: Report
) -> None:
    """Check where the sensor is, and its range as blanket height."""
    signal = entry.section
    if (
        signal.kind not in (SignalKind.BLANKET, SignalKind.FLUFF)
        or UNITS[signal.unit].dimension is not Dimension.LENGTH
    ):
        return
    tank = reference.tank if reference is not None else None
    _check_zero(entry, tank, draft, report)
    if reference is None or tank is None:
        return
    place = signal.distance_from_wall
    if place is not None and not 0 <= place <= tank.reach:
        report.error(
            entry,
            "distance_from_wall",
            f"{length(place, draft.units)} lies outside the tank",
            f"write where the sensor hangs, 0 to {length(tank.reach, draft.units)} from the side wall",
        )
    if signal.kind is SignalKind.BLANKET:
        _check_span(entry, reference, draft, report)


def _check_zero(entry: ReadSection[SignalSection], tank: Tank | None, draft: Draft, report: Report) -> None:
    signal = entry.section
    zero = signal.zero_height
    if signal.measures is Measures.DEPTH and zero is not None:
        report.warning(
            entry, "zero_height", "is not used when the sensor counts down from the water surface", "remove it"
        )
    elif signal.measures is Measures.DISTANCE and zero is None and "zero_height" not in entry.unread:
        report.error(
            entry,
            "zero_height",
            "is missing: how high above the floor at the side wall is the sensor's face?",
            "write that height; for a face at the weir crest it is the side water depth",
        )
    elif signal.measures is Measures.DISTANCE and zero is not None and zero <= 0:
        report.error(entry, "zero_height", "puts the sensor's face under the floor", "write its height above the floor")
    elif tank is not None and zero is not None and zero > tank.side_water_depth + HIGHEST_BRACKET:
        report.warning(
            entry,
            "zero_height",
            f"{length(zero, draft.units)} is far above the weir at {length(tank.side_water_depth, draft.units)}",
            "check the unit and that it counts from the floor at the side wall",
        )


def _check_span(entry: ReadSection[SignalSection], reference: ReferenceTank, draft: Draft, report: Report) -> None:
    signal, tank, danger = entry.section, reference.tank, reference.danger
    if signal.low is None or signal.high is None or signal.low >= signal.high or signal.measures is None:
        return
    if signal.measures is Measures.DISTANCE and (signal.zero_height is None or signal.zero_height <= 0):
        return
    mount = signal_of(signal).mount
    if mount is None:
        return
    ends = [sensor_height(value, tank, mount) for value in (signal.low, signal.high)]
    bottom, top = min(ends), max(ends)
    end_up = "high" if signal.measures is Measures.HEIGHT else "low"
    end_down = "low" if signal.measures is Measures.HEIGHT else "high"
    floor = tank.lowest_height
    if top <= floor or bottom >= tank.side_water_depth:
        report.error(
            entry,
            "measures",
            f"the range lies outside the tank: {length(bottom, draft.units)} to {length(top, draft.units)} above the floor",
            "check measures, zero_height, low, high and unit",
        )
    elif danger is not None and top <= danger:
        report.error(
            entry,
            end_up,
            f"the sensor cannot report above {length(top, draft.units)}, but high-high is at {length(danger, draft.units)}",
            f"the range must hold blankets up to the weir at {length(tank.side_water_depth, draft.units)}: check {end_up}, "
            "measures and zero_height",
        )
    elif top < 0.9 * tank.side_water_depth:
        report.warning(
            entry,
            end_up,
            f"the range ends at {length(top, draft.units)}, below the weir at {length(tank.side_water_depth, draft.units)}",
            f"check {end_up}, measures and zero_height",
        )
    if bottom > 0.25 * tank.side_water_depth and bottom < tank.side_water_depth:
        report.warning(
            entry,
            end_down,
            f"the range begins at {length(bottom, draft.units)} above the floor: a normal blanket is not seen",
            f"check {end_down}, measures and zero_height",
        )
    if top - bottom > MOST_DEPTHS * (tank.side_water_depth - floor):
        report.warning(
            entry,
            end_down if signal.measures is not Measures.HEIGHT else end_up,
            f"the range of {length(top - bottom, draft.units)} is several times the depth of the tank",
            f"check the unit {signal.unit}",
        )


@dataclass(frozen=True)
class ReferenceTank:
    """A tank of plausible size, and the highest blanket at which its high-high alarm is raised; None when it has none. [m]"""

    tank: Tank
    danger: float | None


def reference_tanks(draft: Draft) -> dict[str, ReferenceTank]:
    """The tanks that sensors can be checked against, by key."""
    tanks = {tank.key: tank for entry in draft.tanks if (tank := plausible_tank(entry)) is not None}
    danger: dict[str, float] = {}
    for p in tank_alarms([a.section for a in draft.alarms], tanks.values()):
        key, limit = p.definition.tank, p.definition.limit
        if p.definition.kind is AlarmKind.HIGH_HIGH and limit is not None and key is not None:
            depth = tanks[key].side_water_depth
            if 0 <= limit <= depth:
                danger[key] = max(depth - limit, danger.get(key, 0.0))
    return {key: ReferenceTank(tank, danger.get(key)) for key, tank in tanks.items()}
