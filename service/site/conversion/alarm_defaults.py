"""Default limits, delays, priorities and texts of alarms.

Sources of the defaults, which every site reviews in its own rationalization (IEC 62682 / ISA-18.2):

- high: a core at the customary spot would read 25 % of the depth there (Treatment Plant Operator, exam study guide, August 2019, after
  WEF *Wastewater Treatment Fundamentals 1*, chapter 8); stated for secondary tanks, used for primaries for want of a better one.
- high-high: 4 ft (1.2 m) of clear water left under the weir, or half the side water depth in a shallower tank (common
  practice, no source).
- gravity thickeners keep deep blankets on purpose: high and high-high at 60 % and 75 % of the side water depth (our choice,
  no source).
- deadband 5 % of the span and 60 s delays for a level (ISA-18.2 starting values, from memory; EEMUA 191 is quoted with 2 %).
- core overdue: at least one core a day at about the same time (same study guide), with two hours of grace.
- the other limits are our choice; each can be written in the site file.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from service.alarms.definition import NOBODY_SEES, AlarmKind, Priority
from service.domain.plant.tank import Tank, TankKind

_MINUTE = timedelta(minutes=1)
_HOUR = timedelta(hours=1)

#: Part of every action that sends somebody to the tank.
CAUTION = (
    "Only if it is safe: guard rails, wet or icy walkways, moving arm, lone working; lock out before touching the drive. "
    "Local codes and site procedures come first."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class KindDefaults:
    """Defaults for alarms of one kind."""

    priority: Priority
    cause: str
    consequence: str
    action: str
    time_to_respond: timedelta
    on_delay: timedelta = _MINUTE
    off_delay: timedelta = _MINUTE
    always: bool = False  #: every tank has one, also without a section


def default_limit(kind: AlarmKind, tank: Tank) -> float | None:
    """The default limit of a kind, as in the alarm definition. [SI]"""
    depth = tank.side_water_depth
    thick = tank.kind is TankKind.THICKENER
    match kind:
        case AlarmKind.HIGH:
            return depth * 0.40 if thick else tank.clearance(tank.height_of_share(0.25))
        case AlarmKind.HIGH_HIGH:
            return depth * 0.25 if thick else min(4 * 0.3048, depth / 2)
        case AlarmKind.RATE:
            return 0.3  # m/h, about 1 ft/h
        case AlarmKind.TIME_TO_DANGER:
            return 2.0  # h on the cautious path: what tests/benchmarks/forecast_score.py scores
        case AlarmKind.DEVIATION:
            return 0.3  # m: two to three times what two cores of one operator differ by
        case AlarmKind.SOLIDS_LOADING:
            return 8.0  # kg/(m²·h), about 40 lb/d.ft²: Ten States Standards chapter 70, conventional activated sludge (from memory)
        case AlarmKind.CORE_OVERDUE:
            return 26.0  # h
    return None


def default_deadband(kind: AlarmKind, tank: Tank | None, limit: float | None) -> float:
    """The default deadband of a kind. [SI]"""
    match kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH:
            return 0.05 * tank.side_water_depth if tank is not None else 0.0
        case (
            AlarmKind.RATE
            | AlarmKind.TIME_TO_DANGER
            | AlarmKind.DEVIATION
            | AlarmKind.SOLIDS_LOADING
            | AlarmKind.EFFLUENT_SOLIDS
            | AlarmKind.TURBIDITY
        ):
            return 0.1 * (limit or 0.0)
        case AlarmKind.PERMIT_NEAR | AlarmKind.PERMIT_OVER:
            return 0.02  # of the limit: averages of days move slowly, and do not waver
    return 0.0


_SURGE = "Flow surge or storm, return pump stopped or blocked, sludge settling badly, sludge wasted too slowly."
_LOOK = "Check flow, flow split and return pumps first, then confirm with a hand core."

_LOSS = "Sludge over the weir, floc that does not settle, or a fouled effluent meter."
_EFFLUENT = "Look over the weirs and take a grab sample and a hand core: is it the blanket, poor floc, or the meter?"

#: Solids and turbidity in the effluent mean the same: solids leave.
_EFFLUENT_BEYOND = KindDefaults(
    priority=Priority.HIGH,
    cause=_LOSS,
    consequence="Solids leave with the effluent; permit limits are at risk.",
    action=f"{_EFFLUENT} {CAUTION}",
    time_to_respond=timedelta(minutes=30),
    on_delay=timedelta(minutes=5),
    off_delay=timedelta(minutes=15),
)

DEFAULTS: dict[AlarmKind, KindDefaults] = {
    AlarmKind.HIGH: KindDefaults(
        priority=Priority.MEDIUM,
        cause=_SURGE,
        consequence="Less room for the next peak; if it keeps rising, solids reach the weir.",
        action=f"{_LOOK} {CAUTION}",
        time_to_respond=_HOUR,
        always=True,
    ),
    AlarmKind.HIGH_HIGH: KindDefaults(
        priority=Priority.HIGH,
        cause=_SURGE,
        consequence="Solids go over the weir to the next stage or the river; permit limits are at risk and biomass is lost.",
        action=f"{_LOOK} Then the site's procedure for high blankets: return flow, flow to other tanks, step feed. {CAUTION}",
        time_to_respond=timedelta(minutes=15),
        always=True,
    ),
    AlarmKind.RATE: KindDefaults(
        priority=Priority.MEDIUM,
        cause="Flow surge, return pump stopped or blocked, or a sensor locking on to something else.",
        consequence="The warning time before the high limit shrinks.",
        action=f"{_LOOK} {CAUTION}",
        time_to_respond=_HOUR,
        on_delay=timedelta(minutes=10),
        off_delay=timedelta(minutes=10),
    ),
    AlarmKind.TIME_TO_DANGER: KindDefaults(
        priority=Priority.HIGH,
        cause="More solids arrive than the underflow removes.",
        consequence="At this rate the blanket reaches the danger limit within the time stated.",
        action=f"{_LOOK} Act while there is time, by the site's procedure for high blankets. {CAUTION}",
        time_to_respond=timedelta(minutes=30),
        on_delay=timedelta(minutes=5),
        off_delay=timedelta(minutes=15),
    ),
    AlarmKind.DEVIATION: KindDefaults(
        priority=Priority.LOW,
        cause="Sensor fouled, drifted or wrongly set; or a core misread, from another tank or in another unit.",
        consequence="The blanket shown may be wrong by the difference stated.",
        action=f"Repeat the core at the marked spot; if they still differ, clean and recalibrate the sensor. {CAUTION}",
        time_to_respond=timedelta(hours=8),
        on_delay=timedelta(0),
        off_delay=timedelta(0),
    ),
    AlarmKind.BAD_MEASUREMENT: KindDefaults(
        priority=Priority.MEDIUM,
        cause="Sensor fouled, frozen or without echo; cable, power or network lost; data export stopped.",
        consequence=NOBODY_SEES,
        action=f"Take a hand core now and by hand until the sensor is back; check the sensor and its connection. {CAUTION}",
        time_to_respond=timedelta(hours=2),
        on_delay=timedelta(minutes=5),
        off_delay=timedelta(minutes=5),
        always=True,
    ),
    AlarmKind.SOLIDS_LOADING: KindDefaults(
        priority=Priority.MEDIUM,
        cause="High flow, high mixed liquor solids, or too few tanks in service.",
        consequence="The tank receives more solids than it is rated for; the blanket will rise.",
        action="Check flow split and tanks in service; consider step feed or less mixed liquor, by the site's procedures.",
        time_to_respond=_HOUR,
        on_delay=timedelta(minutes=15),
        off_delay=timedelta(minutes=15),
    ),
    AlarmKind.EFFLUENT_SOLIDS: _EFFLUENT_BEYOND,
    AlarmKind.TURBIDITY: _EFFLUENT_BEYOND,
    AlarmKind.PERMIT_NEAR: KindDefaults(
        priority=Priority.MEDIUM,
        cause=_LOSS,
        consequence="At this rate the permit limit named is broken.",
        action=f"Find what raises the solids, by the tanks' diagnosis, while the average can still come down; sample to confirm. {CAUTION}",
        time_to_respond=timedelta(hours=4),
        on_delay=timedelta(minutes=30),
        off_delay=timedelta(hours=1),
    ),
    AlarmKind.PERMIT_OVER: KindDefaults(
        priority=Priority.HIGH,
        cause=_LOSS,
        consequence="The permit limit named is broken; the permit may ask for notice within hours.",
        action=f"Sample to confirm, tell whoever the permit names and within the time it names, and write down what was done. {CAUTION}",
        time_to_respond=_HOUR,
        on_delay=timedelta(minutes=10),
        off_delay=timedelta(hours=1),
    ),
    AlarmKind.CORE_OVERDUE: KindDefaults(
        priority=Priority.LOW,
        cause="The round was not made, or its core was not logged.",
        consequence="The sensor is not checked; its drift goes unseen.",
        action=f"Take a hand core at the marked spot and log it. {CAUTION}",
        time_to_respond=timedelta(hours=4),
        on_delay=timedelta(0),
        off_delay=timedelta(0),
        always=True,
    ),
    AlarmKind.READS_HIGH: KindDefaults(
        priority=Priority.MEDIUM,
        cause="Sensor locked on to fluff, scum or the arm; or the blanket really jumped.",
        consequence="If the reading is true, the blanket is much higher than believed.",
        action=f"Take a hand core now to settle it. {CAUTION}",
        time_to_respond=timedelta(minutes=30),
        always=True,
    ),
    AlarmKind.SYSTEM: KindDefaults(
        priority=Priority.MEDIUM,
        cause="A data source, the way out for messages or a clock has failed.",
        consequence="Alarms may be late or missing until it works again.",
        action="Watch the tanks by hand; see the service's log for the cause and tell whoever looks after this service.",
        time_to_respond=_HOUR,
        on_delay=timedelta(0),
        off_delay=timedelta(minutes=5),
    ),
}
