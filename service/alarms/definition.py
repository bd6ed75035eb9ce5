"""What an alarm is: the record that IEC 62682 / ISA-18.2 rationalization asks for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum


class AlarmKind(StrEnum):
    """What the alarm watches."""

    HIGH = "high"  #: clearance below the warning limit
    HIGH_HIGH = "high-high"  #: clearance below the danger limit
    RATE = "rate of change"
    TIME_TO_DANGER = "time to danger"
    DEVIATION = "deviation"  #: sensor against core
    BAD_MEASUREMENT = "bad measurement"  #: stale, flat, lost, blind
    SOLIDS_LOADING = "solids loading"
    CORE_OVERDUE = "core overdue"
    READS_HIGH = "reads high, not confirmed"
    SYSTEM = "system"


class Priority(StrEnum):
    """Three priorities, as IEC 62682 / ISA-18.2 recommend at most."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmDefinition:
    """One rationalized alarm.

    ``limit`` and ``deadband`` are in the SI unit of what the kind watches: clearance [m] for high and high-high,
    [m/h] for rate of change, [h] for time to danger and core overdue.
    """

    key: str
    kind: AlarmKind
    tank: str | None
    limit: float | None = None
    deadband: float = 0.0
    on_delay: timedelta = timedelta(0)
    off_delay: timedelta = timedelta(0)
    priority: Priority = Priority.MEDIUM
    cause: str = ""
    consequence: str = ""
    action: str = ""
    time_to_respond: timedelta = timedelta(minutes=30)
    latching: bool = False
    re_alarm_after: timedelta | None = None
