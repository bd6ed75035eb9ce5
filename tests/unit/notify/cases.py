"""Facts of messages: an invented tank at night."""

from __future__ import annotations

from dataclasses import replace
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


#: As long as the address of a site behind a gateway gets, and its links after it.
LONG_URL = "https://wastewater-operations-and-maintenance.departmentofpublicworks.example.org/underweir"
LINKED = SitePresentation(
    name="Alder Creek Regional Water Reclamation Facility",
    zone=ZoneInfo("America/New_York"),
    public_url=LONG_URL,
    link=lambda key, code, at: f"{LONG_URL}/a/{'Zm9vYmFy' * 12}",
)


def every_kind(site: SitePresentation) -> dict[str, AlarmFacts]:
    """A message of every kind about an alarm of every kind, by name."""
    made: dict[str, AlarmFacts] = {}
    for message in MessageKind:
        over = NOW if message is MessageKind.CLEARED else None
        more: dict[str, Any] = {"site": site, "returned_at": over, "actor": "Sam", "note": "on my way"}
        more["shelved_until"] = NOW + timedelta(hours=1)
        more["also_active"] = ("SENSOR: blanket reading is frozen at one value",)
        for kind in AlarmKind:
            if kind is not AlarmKind.SYSTEM:
                made[f"{message}, {kind}"] = replace(facts(kind, **more), kind=message)
        for watch in SystemWatch:
            told = service_facts(watch, value=2.0, detail="North primary, South primary, East clarifier", **more)
            made[f"{message}, {watch}"] = replace(told, kind=message)
    made["blind"] = facts(site=site, trust=Trust.BLIND, reason=RuleReason.BLIND)
    made["a long tag"] = facts(
        site=site,
        sensors=(
            SensorSeen(tag="LT" * 40, stale_after=timedelta(minutes=10), last_sample_at=NOW),
            *facts().sensors,
        ),
    )
    return made
