"""Facts of messages: an invented tank at night."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.alarms.definition import AlarmDefinition, AlarmKind, Priority, SystemWatch
from service.alarms.observations import CoreSeen
from service.alarms.rules import RuleReason, SensorSeen
from service.calls.routing import MessageKind
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.plant.tank import TankKind
from service.notify.messages.facts import AlarmFacts, SitePresentation

NOW = datetime(2026, 1, 14, 8, 10, tzinfo=UTC)
SITE = SitePresentation(name="Alder Creek", zone=ZoneInfo("America/New_York"))


def facts(kind: AlarmKind = AlarmKind.HIGH_HIGH, **more: Any) -> AlarmFacts:
    limits = {AlarmKind.HIGH: 1.2, AlarmKind.HIGH_HIGH: 0.6, AlarmKind.RATE: 0.3, AlarmKind.DEVIATION: 0.3}
    clearance = {AlarmKind.HIGH: 1.0, AlarmKind.HIGH_HIGH: 0.55}.get(kind, 2.0)
    trust = more.pop("trust", Trust.GOOD)
    rate = more.pop("rate", 0.18)
    clearance = more.pop("clearance", clearance)
    given: dict[str, Any] = {
        "site": SITE,
        "kind": MessageKind.ALARM,
        "definition": AlarmDefinition(
            key="east.alarm", kind=kind, tank="east", limit=limits.get(kind), priority=Priority.HIGH
        ),
        "now": NOW,
        "at": NOW,
        "occurred_at": NOW - timedelta(minutes=6),
        "code": "K7QDHM",
        "reason": RuleReason.BEYOND_LIMIT,
        "value": clearance if kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH) else None,
        "tank_label": "East clarifier",
        "tank_kind": TankKind.SECONDARY,
        "side_water_depth": 4.0,
        "danger_limit": 0.6,
        "estimate": Estimate(
            tank="east",
            time=NOW,
            height=4.0 - clearance,
            sd=0.08,
            rate=rate,
            trust=trust,
            reason=EstimateReason.SENSOR,
        ),
        "sensors": (
            SensorSeen(
                tag="LT-1",
                stale_after=timedelta(minutes=10),
                last_sample_at=NOW,
                height=4.3 - clearance,
                corrected=4.0 - clearance,
            ),
        ),
        "core": CoreSeen(taken_at=NOW - timedelta(hours=2), height=2.9, thickness=3.3, taken_by="Sam"),
    }
    return AlarmFacts(**given | more)


def service_facts(watch: SystemWatch, **more: Any) -> AlarmFacts:
    definition = AlarmDefinition(
        key="system.x", kind=AlarmKind.SYSTEM, tank=None, watch=watch, connector="drop", limit=0.25
    )
    return facts(
        AlarmKind.SYSTEM,
        **{
            "definition": definition,
            "tank_label": "",
            "tank_kind": None,
            "side_water_depth": None,
            "estimate": None,
            "sensors": (),
            "core": None,
            **more,
        },
    )
