"""A core and what a sensor said at that time, in one frame: the pair from which drift is learned."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from service.domain.cores.core import Core
from service.domain.plant.tank import Tank

#: How surely the time of a core is known [h]: standard deviation.
TIME_SD = 2.5 / 60.0
#: A blanket is not level: extra deviation where the arm has just passed the sampler [m].
ARM_DISTURBANCE_SD = 0.08
#: Angle behind the arm within which the blanket is still stirred [degree].
ARM_STIRS = 45.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """A core beside a sensor. Heights above the floor datum in [m], chances in [–]."""

    tag: str
    core: UUID
    time: datetime
    sensor: float  #: level the sensor saw, before drift correction
    core_height: float
    thickness: float  #: as the core was logged [m]
    extra_var: float  #: of the pair beyond a core's own noise: blanket movement, sensor noise, stirred blanket [m²]
    height: float  #: believed blanket height before this core
    foretold: float  #: expected sensor minus core [m]
    foretold_sd: float
    sound: float  #: chance that the core is sound and no step happened
    wrong: float  #: chance that the core is wrong
    stepped: float  #: chance that the sensor stepped since the core before
    offset: float  #: offset after this core [m]
    offset_sd: float
    hindsight_wrong: float = 0.0  #: what this core makes of the one before it: chance that that one was wrong
    jump: float = 0.0  #: jump of the sensor's own signal since the core before, suspected to be a step [m]

    @property
    def difference(self) -> float:
        """Sensor minus core. [m]"""
        return self.sensor - self.core_height


def pair_to_json(pair: Pair) -> dict[str, Any]:
    """A pair as JSON values; :func:`pair_from_json` gives back exactly the same."""
    values = {field.name: getattr(pair, field.name) for field in dataclasses.fields(pair)}
    return values | {"core": str(pair.core), "time": pair.time.isoformat()}


def pair_from_json(values: Mapping[str, Any]) -> Pair:
    """A pair from :func:`pair_to_json`."""
    numbers = {name: float(value) for name, value in values.items() if name not in ("tag", "core", "time")}
    return Pair(tag=values["tag"], core=UUID(values["core"]), time=datetime.fromisoformat(values["time"]), **numbers)


def core_height(core: Core, tank: Tank) -> float:
    """Blanket height above the floor datum from a core, where it was taken. [m]"""
    return tank.height_from_thickness(core.thickness, core.distance_from_wall)


def extra_variance(level_var: float, rate: float, rate_var: float, arm_position: float | None) -> float:
    """Variance of a pair beyond the core's own noise.

    Parameters
    ----------
    level_var : of the sensor's level at the core's time. [m²]
    rate, rate_var : of the blanket then; a core's time is known to a few minutes only. [m/h, m²/h²]
    arm_position : angle from the arm to the sampler, if known. [degree]

    >>> extra_variance(0.0, 0.0, 0.0, None)
    0.0
    """
    stirred = arm_position is not None and (arm_position % 360.0) < ARM_STIRS
    return level_var + TIME_SD**2 * (rate * rate + rate_var) + (ARM_DISTURBANCE_SD**2 if stirred else 0.0)
