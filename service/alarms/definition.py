"""Defines an alarm by the fields that IEC 62682 / ISA-18.2 rationalization asks for."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import timedelta
from enum import StrEnum
from typing import Any


class AlarmKind(StrEnum):
    """What the alarm watches."""

    HIGH = "high"  #: clearance below the warning limit
    HIGH_HIGH = "high-high"  #: clearance below the danger limit
    RATE = "rate of change"
    TIME_TO_DANGER = "time to danger"
    DEVIATION = "deviation"  #: sensor against core
    BAD_MEASUREMENT = "bad measurement"  #: stale, flat, lost, blind
    SOLIDS_LOADING = "solids loading"
    EFFLUENT_SOLIDS = "effluent solids"
    TURBIDITY = "turbidity"
    PERMIT_NEAR = "permit limit near"  #: an average of the permit approaches its limit
    PERMIT_OVER = "permit limit broken"
    CORE_OVERDUE = "core overdue"
    READS_HIGH = "reads high, not confirmed"
    SYSTEM = "system"


#: What follows while no sensor of a tank can be believed; not told while another one can.
NOBODY_SEES = "A rising blanket goes unseen until it is measured again."


class SystemWatch(StrEnum):
    """What a system alarm watches of the service itself."""

    CONNECTOR = "connector"
    DELIVERY = "delivery"
    CLOCK = "clock"
    DUTY = "duty"
    FILLING = "filling"  #: several tanks at once
    CHATTERING = "chattering"  #: alarms that come and go
    STALE = "stale"  #: alarms that stand for very long


class Priority(StrEnum):
    """Three priorities, as IEC 62682 / ISA-18.2 recommend at most."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmDefinition:
    """One rationalized alarm.

    ``limit`` and ``deadband`` are in the SI unit of what the kind watches: clearance [m] for high and high-high,
    [m/h] for rate of change, [m] for deviation, [kg/(m²·h)] for solids loading,
    [kg/m³] for effluent solids, [NTU] for turbidity, [–] of the limit for the averages of the permit, [h] for time to danger, core overdue and
    every system alarm.
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
    action_of_site: bool = False  #: whether the site wrote the action itself
    time_to_respond: timedelta = timedelta(minutes=30)
    latching: bool = False
    re_alarm_after: timedelta | None = None  #: calls again when it still stands this long after it was acknowledged
    #: Calls again unless, within this time of being acknowledged and of every look back since, it got better by at
    #: least the deadband; sooner where it gets worse. Only for clearances: high and high-high.
    improve_within: timedelta | None = None
    watch: SystemWatch | None = None  #: only for system alarms
    connector: str | None = None  #: which connector a system alarm watches

    def to_json(self) -> dict[str, Any]:
        """Plain values, times in seconds: how the definition is written into the journal when it changes."""
        shown = asdict(self)
        return {k: v.total_seconds() if isinstance(v, timedelta) else v for k, v in shown.items()}


def system_definitions(connectors: Iterable[str], *, duty: bool = False) -> tuple[AlarmDefinition, ...]:
    """The alarms every service has about itself, whatever the site file defines: it must not fail silently.

    Parameters
    ----------
    connectors : keys of the connectors of the site file.
    duty : whether the site has rotas, so that a time without anybody on duty is an alarm ahead of it.
    """
    own = [
        AlarmDefinition(
            key=f"system.connector.{connector}",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.CONNECTOR,
            connector=connector,
            limit=0.25,
            priority=Priority.MEDIUM,
            cause="The source stopped, its network is down, or its files are no longer written.",
            consequence="Blankets fed by this source are not watched.",
            action="Check that the source still delivers. Until it does, watch these tanks by hand core.",
        )
        for connector in connectors
    ]
    own.append(
        AlarmDefinition(
            key="system.delivery",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.DELIVERY,
            limit=10 / 60,
            priority=Priority.HIGH,
            cause="The mail server or gateway is away, or refuses an address.",
            consequence="People who should be called are not being called.",
            action="Look at the list of alarms yourself now. Check mail server, passwords and addresses.",
        )
    )
    own.append(
        AlarmDefinition(
            key="system.clock",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.CLOCK,
            limit=2 / 60,
            on_delay=timedelta(minutes=5),
            priority=Priority.LOW,
            cause="Readings carry times that are still to come: two clocks differ, or a source's time zone is set wrong.",
            consequence="Staleness and delays are judged wrongly.",
            action="Check the clock and the time zone of the source and of this machine.",
        )
    )
    own += [
        AlarmDefinition(
            key="system.filling",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.FILLING,
            limit=0.5,
            off_delay=timedelta(minutes=30),
            priority=Priority.HIGH,
            cause="Storm flow, return pumps down, a tank out of the flow split, or sludge that settles badly.",
            consequence="Several tanks lose their room together; none can take over for another.",
            action="Inflow, flow split and return pumps first, then the site's procedure for high flow. "
            "A tank that reaches its danger limit still calls by itself.",
        ),
        AlarmDefinition(
            key="system.chattering",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.CHATTERING,
            limit=1.0,
            priority=Priority.LOW,
            cause="Deadband or delays too small for a noisy signal, or a sensor about to fail.",
            consequence="People stop believing alarms that come and go.",
            action="Look at the signal; then give the alarm more deadband or longer delays, and write down why.",
            time_to_respond=timedelta(hours=8),
        ),
        AlarmDefinition(
            key="system.stale",
            kind=AlarmKind.SYSTEM,
            tank=None,
            watch=SystemWatch.STALE,
            limit=24.0,
            priority=Priority.LOW,
            cause="A fault nobody repairs, or a limit that does not fit how the plant is run.",
            consequence="An alarm that always stands hides the next one.",
            action="Repair what it points to; or change its limit, shelve it or take it out of service, with a reason.",
            time_to_respond=timedelta(hours=8),
        ),
    ]
    if duty:
        own.append(
            AlarmDefinition(
                key="system.duty",
                kind=AlarmKind.SYSTEM,
                tank=None,
                watch=SystemWatch.DUTY,
                limit=24.0,
                priority=Priority.MEDIUM,
                cause="A rota has a hole: a shift without people, an end without a successor.",
                consequence="An alarm in that time calls whoever stands next on the escalation, later than it should.",
                action="Fill the hole in the rota, or put somebody in as a stand-in.",
            )
        )
    return tuple(own)
