"""``[[alarm]]``: what is monitored, the limit, and the texts for whoever is called."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from pydantic import Field, ValidationInfo, field_validator

from service.alarms.definition import AlarmKind, Priority, SystemWatch
from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension
from service.site.sections.quantity import duration, wrong
from service.site.sections.section import DepthShare, Duration, Key, Length, Section, Words, in_site_unit, site_quantity

EVERY_TANK = "*"

#: Steeper floors than 1:2 are hoppers, not floors a scraper can travel (common practice, no source).
STEEPEST_FLOOR = 0.5

#: The keys for the limit, by kind; at most one of several may be used.
LIMIT_FIELDS: dict[AlarmKind, tuple[str, ...]] = {
    AlarmKind.HIGH: ("clearance", "blanket_height", "depth_share"),
    AlarmKind.HIGH_HIGH: ("clearance", "blanket_height", "depth_share"),
    AlarmKind.RATE: ("rate",),
    AlarmKind.TIME_TO_DANGER: ("within",),
    AlarmKind.DEVIATION: ("difference",),
    AlarmKind.BAD_MEASUREMENT: (),
    AlarmKind.SOLIDS_LOADING: ("loading",),
    AlarmKind.EFFLUENT_SOLIDS: (),
    AlarmKind.TURBIDITY: (),
    AlarmKind.PERMIT_NEAR: (),
    AlarmKind.PERMIT_OVER: (),
    AlarmKind.CORE_OVERDUE: ("after",),
    AlarmKind.READS_HIGH: (),
    AlarmKind.SYSTEM: ("after",),
}
ALL_LIMIT_FIELDS = tuple(dict.fromkeys(name for names in LIMIT_FIELDS.values() for name in names))

#: The dimension of the deadband, by kind; kinds without a numeric limit have none.
DEADBAND_OF: dict[AlarmKind, Dimension] = {
    AlarmKind.HIGH: Dimension.LENGTH,
    AlarmKind.HIGH_HIGH: Dimension.LENGTH,
    AlarmKind.RATE: Dimension.SPEED,
    AlarmKind.TIME_TO_DANGER: Dimension.TIME,
    AlarmKind.DEVIATION: Dimension.LENGTH,
    AlarmKind.SOLIDS_LOADING: Dimension.SOLIDS_LOADING,
    AlarmKind.EFFLUENT_SOLIDS: Dimension.CONCENTRATION,
    AlarmKind.TURBIDITY: Dimension.TURBIDITY,
    AlarmKind.PERMIT_NEAR: Dimension.RATIO,
    AlarmKind.PERMIT_OVER: Dimension.RATIO,
}


class AlarmSection(Section):
    """One alarm of one tank, or of every tank. Limits in SI after reading, times of ``deadband`` in [h]."""

    kind: AlarmKind = Field(examples=['"high"'])
    tank: Words = EVERY_TANK
    key: Key | None = None
    watch: SystemWatch | None = None
    connector: Words | None = None
    enabled: bool = True
    clearance: Length | None = None
    blanket_height: Length | None = None
    depth_share: DepthShare | None = None
    rate: Annotated[float, in_site_unit(Dimension.SPEED)] | None = None
    within: Duration | None = None
    difference: Length | None = None
    loading: Annotated[float, in_site_unit(Dimension.SOLIDS_LOADING)] | None = None
    after: Duration | None = None
    deadband: float | None = None
    on_delay: Duration | None = None
    off_delay: Duration | None = None
    priority: Priority | None = None
    cause: Words | None = None
    consequence: Words | None = None
    action: Words | None = None
    time_to_respond: Duration | None = None
    latching: bool = False
    re_alarm_after: Duration | None = None
    improve_within: Duration | None = None

    @field_validator("deadband", mode="before")
    @classmethod
    def _in_unit_of_kind(cls, value: Any, info: ValidationInfo) -> float | None:
        kind = info.data.get("kind")
        if kind is None:
            return None
        dimension = DEADBAND_OF.get(kind)
        if dimension is None:
            raise wrong(f'a "{kind}" alarm has no deadband', "leave it out; use on_delay and off_delay")
        if dimension is Dimension.TIME:
            return duration(value) / timedelta(hours=1)
        return site_quantity(value, info, dimension)

    def limit(self, tank: Tank) -> float | None:
        """The limit for a tank as in the alarm definition; None when this section has none. [SI]"""
        if self.blanket_height is not None:
            return tank.clearance(self.blanket_height)
        if self.depth_share is not None:
            # A core's rule, in the core's own frame; where floor or spot are wrong, and reported, by the depth at the wall.
            sound = 0.0 <= tank.core_distance_from_wall <= tank.reach and 0.0 <= tank.floor_slope <= STEEPEST_FLOOR
            height = self.depth_share * tank.side_water_depth
            return tank.clearance(tank.height_of_share(self.depth_share) if sound else height)
        for name in LIMIT_FIELDS[self.kind]:
            value = getattr(self, name)
            if isinstance(value, timedelta):
                return value / timedelta(hours=1)
            if value is not None:
                return float(value)
        return None
