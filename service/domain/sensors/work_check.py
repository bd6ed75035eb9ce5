"""Checks a record of work on a sensor against what the hand cores before it say, as a core is checked before it is stored.

Nothing is refused: the technician may be right and the cores wrong. The person is asked to look once more.
"""

from __future__ import annotations

import math

from service.domain.cores.check import CORE_SD, FAR, FITS
from service.domain.cores.core import Calibration
from service.domain.plant.display import format_length
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit, to_si
from service.domain.sensors.advice import CORES_NEEDED, TOLERANCE
from service.domain.sensors.drift_history import DriftHistory


def believed_error(history: DriftHistory, at: float, above_pivot: float) -> tuple[float, float] | None:
    """Error by the cores of a history, and its standard deviation; None where too few say anything. [m]

    Parameters
    ----------
    history : of the pairs and works before the work to be checked.
    at : seconds since 1970.
    above_pivot : where the blanket usually stands above the span's pivot. [m]
    """
    if history.told_at is None or history.sound_cores < CORES_NEEDED:
        return None
    error, var = history.drift.at(max(0.0, (at - history.told_at.timestamp()) / 86_400.0), above_pivot)
    return error, math.sqrt(var)


def check_work(work: Calibration, believed: tuple[float, float] | None, units: UnitSystem) -> tuple[str, ...]:
    """What has to be confirmed, as sentences in the site's units; empty when there is nothing to ask.

    Parameters
    ----------
    believed : error by the cores just before the work, and its standard deviation; None when not known. [m]
    """
    return tuple(doubt for doubt in (_found(work, believed, units), _left(work, believed, units)) if doubt)


def _found(work: Calibration, believed: tuple[float, float] | None, units: UnitSystem) -> str:
    found = work.as_found_offset
    if found is None or believed is None:
        return ""
    expected, sd = believed
    # The error was found with a core, or something no better, beside the reading.
    far = math.hypot(sd, CORE_SD)
    if abs(found - expected) <= FAR * far:
        return ""
    said = (
        f"As found {format_length(found, units, signed=True)} contradicts the cores before it: "
        f"{format_length(expected, units, signed=True)} (± {format_length(1.96 * sd, units)}). "
    )
    if abs(found + expected) <= FITS * far:
        said += f"With the sign turned, {format_length(-found, units, signed=True)}, it would fit: error is reading minus truth. "
    unit = shown_unit(Dimension.LENGTH, units)
    for other in ("m", "ft", "in", "cm"):
        meant = to_si(from_si(found, unit), other)
        if other != unit and abs(expected) > TOLERANCE and abs(meant - expected) <= FITS * math.hypot(sd, TOLERANCE):
            said += f"As {from_si(found, unit):+.2f} {other} it would fit: check the unit. "
    return said + "Confirm reading, core and sign; if they are right, the sensor has changed since the last core."


def _left(work: Calibration, believed: tuple[float, float] | None, units: UnitSystem) -> str:
    before = work.as_found_offset if work.as_found_offset is not None or believed is None else believed[0]
    if work.as_left_offset is None or before is None:
        return ""
    if abs(work.as_left_offset) <= max(abs(before), TOLERANCE) + 2.0 * CORE_SD:
        return ""
    return (
        f"As left {format_length(work.as_left_offset, units, signed=True)} is further off than before the work "
        f"({format_length(before, units, signed=True)}). Confirm that it is left so."
    )
