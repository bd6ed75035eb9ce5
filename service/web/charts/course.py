"""Diagram of a what-if: the blanket over the coming hours, unchanged and changed."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.forecast.outlook import HORIZONS, LOOK_AHEAD, Forecast
from service.domain.forecast.wording import spread
from service.domain.plant.display import describe_clearance
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.jobs.diagnosis.what_if import Course
from service.web.charts.axes import Frame


@dataclass(frozen=True, slots=True)
class Path:
    """One course: its middle and the band that nine in ten lie in."""

    middle: str
    band: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CoursePicture:
    """Everything the diagram is made of; places as in :mod:`service.web.charts.axes`."""

    frame: Frame
    as_is: Path
    changed: Path
    weir: float
    danger: float | None
    words: str
    x_name: str
    y_name: str


def draw_course(found: Course, units: UnitSystem) -> CoursePicture:
    """The diagram."""
    tank, symbol = found.setup.tank, shown_unit(Dimension.LENGTH, units)
    lowest = min(spread(tank, forecast, hour)[1] for forecast in (found.as_is, found.changed) for hour in HORIZONS)
    frame = Frame(0.0, LOOK_AHEAD, from_si(min(lowest, 0.0), symbol), from_si(tank.side_water_depth * 1.08, symbol))

    def path(forecast: Forecast) -> Path:
        steps = [(hour, *(from_si(v, symbol) for v in spread(tank, forecast, hour))) for hour in (0.0, *HORIZONS)]
        upper = [(hour, high) for hour, _, _, high in steps]
        lower = [(hour, low) for hour, _, low, _ in reversed(steps)]
        return Path(frame.points((hour, middle) for hour, middle, _, _ in steps), frame.points(upper + lower))

    as_is, changed = (
        describe_clearance(tank.clearance(forecast.at(LOOK_AHEAD)[0]), units)
        for forecast in (found.as_is, found.changed)
    )
    return CoursePicture(
        frame=frame,
        as_is=path(found.as_is),
        changed=path(found.changed),
        weir=frame.y(from_si(tank.side_water_depth, symbol)),
        danger=None if found.danger is None else frame.y(from_si(found.danger, symbol)),
        words=f"Blanket of {tank.label} in {LOOK_AHEAD:g} h: as things are {as_is}, changed {changed}.",
        x_name="hours from now",
        y_name=f"blanket above the floor at the wall ({symbol})",
    )
