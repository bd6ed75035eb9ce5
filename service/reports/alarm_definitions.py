"""Lists the rationalized alarms of a site with their set-points and history, as IEC 62682 / ISA-18.2 ask."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, AlarmKind, SystemWatch
from service.domain.plant.display import (
    format_delay,
    format_duration,
    format_length,
    format_local_time,
    format_quantity,
    format_share,
    format_speed,
)
from service.domain.plant.units import Dimension, UnitSystem
from service.reports.rendering.document import csv_safe

#: So many changes are told of each alarm; what is older stands in the journal.
MOST_CHANGES = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class SetPointChange:
    """One change of a definition: who, when, from what to what, and why."""

    at: datetime
    event: str
    by: str
    why: str
    #: By name of the field what it was and what it became, as stored: SI, times in seconds.
    changed: Mapping[str, Sequence[Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedAlarm:
    """One alarm in words."""

    key: str
    tank: str
    kind: str
    priority: str
    set_point: str
    deadband: str
    on_delay: str
    off_delay: str
    latching: str
    re_alarm: str
    cause: str
    consequence: str
    action: str
    respond_within: str
    history: tuple[str, ...]


def listed_alarms(
    definitions: Iterable[AlarmDefinition],
    tanks: Mapping[str, str],
    changes: Mapping[str, Sequence[SetPointChange]],
    *,
    units: UnitSystem,
    zone: ZoneInfo,
) -> list[ListedAlarm]:
    """Every alarm with its set-points and their history.

    Parameters
    ----------
    tanks : what people call each tank, by its key.
    changes : by alarm key, the oldest first; the newest MOST_CHANGES are told, and that there were others.
    """
    return [
        ListedAlarm(
            key=d.key,
            tank="the service itself" if d.tank is None else tanks.get(d.tank, d.tank),
            kind=_kind(d),
            priority=d.priority.value,
            set_point=set_point(d.kind, d.limit, units) or "none",
            deadband=amount(d.kind, d.deadband, units) if d.deadband else "none",
            on_delay=format_delay(d.on_delay),
            off_delay=format_delay(d.off_delay),
            latching="yes" if d.latching else "no",
            re_alarm=_re_alarm(d),
            cause=d.cause,
            consequence=d.consequence,
            action=d.action,
            respond_within=format_duration(d.time_to_respond),
            history=tuple(_history(changes.get(d.key, ()), d.kind, units, zone)),
        )
        for d in definitions
    ]


def _re_alarm(definition: AlarmDefinition) -> str:
    """When an alarm that somebody has calls again."""
    said = []
    if definition.improve_within is not None:
        said.append(
            f"when half of the clear water left is gone, or unless it improves within {format_duration(definition.improve_within)}"
        )
    if definition.re_alarm_after is not None:
        said.append(f"after {format_duration(definition.re_alarm_after)}")
    return ", and ".join(said) or "never"


#: What the service watches of itself, as the rest of a line about it.
_WATCHED = {
    SystemWatch.CONNECTOR: "source silent",
    SystemWatch.DELIVERY: "messages not delivered",
    SystemWatch.CLOCK: "readings stamped in the future",
    SystemWatch.DUTY: "nobody on duty",
    SystemWatch.FILLING: "several tanks filling",
    SystemWatch.CHATTERING: "alarms that come and go",
    SystemWatch.STALE: "alarms active for very long",
}


def _kind(definition: AlarmDefinition) -> str:
    if definition.watch is None:
        return definition.kind.value
    said = _WATCHED[definition.watch]
    return f"{said}: {definition.connector}" if definition.connector else said


def amount(kind: AlarmKind, value: float | None, units: UnitSystem) -> str:
    """A set-point or deadband as its kind of alarm is read; empty where there is none."""
    if value is None:
        return ""
    match kind:
        case AlarmKind.HIGH | AlarmKind.HIGH_HIGH | AlarmKind.DEVIATION | AlarmKind.READS_HIGH:
            return format_length(value, units)
        case AlarmKind.RATE:
            return format_speed(value, units)
        case AlarmKind.SOLIDS_LOADING:
            return format_quantity(value, Dimension.SOLIDS_LOADING, units)
        case AlarmKind.EFFLUENT_SOLIDS:
            return format_quantity(value, Dimension.CONCENTRATION, units)
        case AlarmKind.PERMIT_NEAR | AlarmKind.PERMIT_OVER:
            return format_share(value)
        case AlarmKind.TURBIDITY:
            return format_quantity(value, Dimension.TURBIDITY, units)
    return format_duration(timedelta(hours=value))


def set_point(kind: AlarmKind, value: float | None, units: UnitSystem) -> str:
    """A set-point and from where it is measured; empty where there is none."""
    said = amount(kind, value, units)
    return f"{said} under the weir" if said and kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH) else said


_SECONDS = ("on_delay", "off_delay", "time_to_respond", "re_alarm_after", "improve_within")


def _history(changes: Sequence[SetPointChange], kind: AlarmKind, units: UnitSystem, zone: ZoneInfo) -> Iterable[str]:
    if len(changes) > MOST_CHANGES:
        yield f"Only the newest {MOST_CHANGES} changes are listed; the journal has the others."
    for change in changes[-MOST_CHANGES:]:
        yield _told(change, kind, units, zone)


def _told(change: SetPointChange, kind: AlarmKind, units: UnitSystem, zone: ZoneInfo) -> str:
    said = []
    for name, (old, new) in change.changed.items():
        shown = [_stored(name, value, kind, units) for value in (old, new)]
        said.append(f"{name.replace('_', ' ')} from {shown[0]} to {shown[1]}")
    what = f": {'; '.join(said)}" if said else ""
    why = f" ({change.why})" if change.why else ""
    return f"{format_local_time(change.at, zone)}, {change.by}: {change.event}{what}{why}"


def _stored(name: str, value: Any, kind: AlarmKind, units: UnitSystem) -> str:
    if value is None:
        return "none"
    if name == "limit":
        return set_point(kind, float(value), units)
    if name == "deadband":
        return amount(kind, float(value), units)
    if name in _SECONDS:
        return format_delay(timedelta(seconds=float(value)))
    return f"“{value}”" if isinstance(value, str) else str(value)


_HEADINGS = {
    "key": "alarm",
    "tank": "tank",
    "kind": "class",
    "priority": "priority",
    "set_point": "set-point",
    "deadband": "deadband",
    "on_delay": "on-delay",
    "off_delay": "off-delay",
    "latching": "latching",
    "re_alarm": "re-alarm",
    "cause": "cause",
    "consequence": "consequence",
    "action": "corrective action",
    "respond_within": "time to respond",
}


def alarms_as_csv(alarms: Iterable[ListedAlarm]) -> str:
    """A line an alarm; every cell is text, and none that a spreadsheet would take for a formula (RFC 4180)."""
    written = io.StringIO(newline="")
    writer = csv.writer(written)
    writer.writerow([*_HEADINGS.values(), "changes"])
    for alarm in alarms:
        cells = [str(getattr(alarm, name)) for name in _HEADINGS]
        writer.writerow([csv_safe(cell) for cell in (*cells, "\n".join(alarm.history))])
    return written.getvalue()
