"""A signal: one measured channel, what it measures, in which unit, from which datum."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum

from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension
from service.errors import DomainError


class SignalKind(StrEnum):
    """What a signal measures."""

    BLANKET = "blanket"
    FLUFF = "fluff"
    FLOW = "flow"  #: effluent (or influent) flow of the tank or plant, return sludge excluded
    RETURN_FLOW = "return_flow"
    WASTE_FLOW = "waste_flow"
    FEED_SOLIDS = "feed_solids"
    RETURN_SOLIDS = "return_solids"
    EFFLUENT_SOLIDS = "effluent_solids"
    TURBIDITY = "turbidity"
    SETTLED_VOLUME = "settled_volume"
    WATER_LEVEL = "water_level"  #: the water surface above the floor datum
    ARM_ANGLE = "arm_angle"
    STATUS = "status"
    TEMPERATURE = "temperature"
    NITRATE = "nitrate"  #: as nitrogen
    TORQUE = "torque"  #: of the scraper's drive, over its rating
    CHEMICAL_FLOW = "chemical_flow"  #: polymer or ferric dosed


DIMENSION_OF: dict[SignalKind, Dimension] = {
    SignalKind.BLANKET: Dimension.LENGTH,
    SignalKind.FLUFF: Dimension.LENGTH,
    SignalKind.FLOW: Dimension.FLOW,
    SignalKind.RETURN_FLOW: Dimension.FLOW,
    SignalKind.WASTE_FLOW: Dimension.FLOW,
    SignalKind.FEED_SOLIDS: Dimension.CONCENTRATION,
    SignalKind.RETURN_SOLIDS: Dimension.CONCENTRATION,
    SignalKind.EFFLUENT_SOLIDS: Dimension.CONCENTRATION,
    SignalKind.TURBIDITY: Dimension.TURBIDITY,
    SignalKind.SETTLED_VOLUME: Dimension.SETTLED_VOLUME,
    SignalKind.WATER_LEVEL: Dimension.LENGTH,
    SignalKind.ARM_ANGLE: Dimension.ANGLE,
    SignalKind.STATUS: Dimension.STATUS,
    SignalKind.TEMPERATURE: Dimension.TEMPERATURE,
    SignalKind.NITRATE: Dimension.CONCENTRATION,
    SignalKind.TORQUE: Dimension.RATIO,
    SignalKind.CHEMICAL_FLOW: Dimension.FLOW,
}


class Measures(StrEnum):
    """Which way a blanket sensor counts."""

    HEIGHT = "height"  #: up from its own zero to the blanket
    DISTANCE = "distance"  #: down from its face to the blanket
    DEPTH = "depth"  #: down from the water surface to the blanket


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """How a blanket sensor sits in its tank. Lengths in [m]."""

    measures: Measures
    #: Height of the sensor's own zero (``height``) or of its face (``distance``) above the floor datum; unused for ``depth``.
    zero_height: float = 0.0
    distance_from_wall: float = 0.0


#: Values of a status that say "in service", where the site file names no others.
IN_SERVICE = (1.0,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One measured channel. ``low`` and ``high`` bound what it can report, in SI, in its own frame."""

    tag: str
    kind: SignalKind
    tank: str | None
    unit: str
    low: float | None = None
    high: float | None = None
    mount: Mount | None = None
    expected_interval: timedelta = timedelta(minutes=1)
    stale_after: timedelta = timedelta(minutes=10)
    #: A value that has not moved by more than ``flat_band`` [SI] for this long is called flat; None switches it off.
    flat_after: timedelta | None = None
    flat_band: float = 0.0
    #: Of effluent solids or turbidity: more than this raises an alarm, in SI or [NTU]; None where the site sets none.
    limit: float | None = None
    #: Of a status: the blanket sensor it speaks of, and the values that say that it is in service.
    sensor: str | None = None
    in_service: tuple[float, ...] = IN_SERVICE


def sensor_height(value: float, tank: Tank, mount: Mount, head_over_weir: float = 0.0) -> float:
    """Blanket height above the floor datum from what a blanket sensor reports.

    Parameters
    ----------
    value : the sensor's own number. [m]
    head_over_weir : water surface above the weir crest. [m]

    Returns
    -------
    Blanket height. [m]

    >>> from service.domain.plant.tank import TankKind, TankShape
    >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
    ...          side_water_depth=4.0)
    >>> round(sensor_height(3.0, t, Mount(measures=Measures.DEPTH), head_over_weir=0.05), 3)
    1.05
    """
    match mount.measures:
        case Measures.HEIGHT:
            return mount.zero_height + value
        case Measures.DISTANCE:
            return mount.zero_height - value
        case Measures.DEPTH:
            return tank.side_water_depth + head_over_weir - value
    raise DomainError(f"unknown direction {mount.measures!r}")  # pragma: no cover
