"""Which tanks have a size that other things can be judged by."""

from __future__ import annotations

from service.domain.plant.tank import Tank, TankShape
from service.site.conversion.plant import tank_of
from service.site.reading.report import ReadSection
from service.site.sections.plant import TankSection

SHALLOWEST, DEEPEST = 1.0, 10.0  # [m]
SMALLEST, LARGEST = 2.0, 150.0  # [m]


def sound_tank(entry: ReadSection[TankSection]) -> Tank | None:
    """The tank, where it has a size at all."""
    return tank_of(entry.section) if entry.section.side_water_depth > 0 and all(s > 0 for s in _sizes(entry)) else None


def usual_tank(entry: ReadSection[TankSection]) -> Tank | None:
    """The tank, where its size is a usual one; else it is in doubt itself and nothing is judged by it."""
    usual = SHALLOWEST <= entry.section.side_water_depth <= DEEPEST
    return tank_of(entry.section) if usual and all(SMALLEST <= s <= LARGEST for s in _sizes(entry)) else None


def _sizes(entry: ReadSection[TankSection]) -> tuple[float, ...]:
    tank = entry.section
    sizes = (tank.diameter,) if tank.shape is TankShape.CIRCULAR else (tank.length, tank.width)
    return tuple(size if size is not None else 0.0 for size in sizes)
