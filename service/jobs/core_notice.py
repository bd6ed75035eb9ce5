"""A hand core told to the supervisor at once, where the site wants that; otherwise it stands in the shift log."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from service.alarms.routing import address_of
from service.domain.core import Core
from service.domain.display import describe_clearance, format_length, format_local_time
from service.domain.tank import Tank
from service.domain.units import UnitSystem
from service.jobs.alarm_setup import AlarmSetup
from service.notify.base import text_of
from service.reports.mailing import Mailing
from service.storage.outbox import OutboxMessage


def core_notices(
    setup: AlarmSetup, mailing: Mailing, core: Core, tank: Tank, now: datetime, *, corrected: bool = False
) -> list[OutboxMessage]:
    """The messages about a core, one for each person and way; none where the site does not ask for them."""
    return list(_messages(setup, mailing, core, tank, now, corrected)) if mailing.cores_at_once else []


def _messages(
    setup: AlarmSetup, mailing: Mailing, core: Core, tank: Tank, now: datetime, corrected: bool
) -> Iterable[OutboxMessage]:
    for contact in mailing.to:
        words = _words(setup, core, tank, contact.units or setup.units, corrected)
        for channel in contact.channels:
            address = address_of(contact, channel)
            if channel not in setup.channels or not address:
                continue
            yield OutboxMessage(
                key="|".join(("core", str(core.id), contact.name, channel)),
                alarm_event_id=None,
                channel=channel,
                recipient=address,
                payload={
                    "kind": "core",
                    "contact": contact.name,
                    "reason": "the site tells cores at once",
                    "occurred_at": None,
                    "subject": words,
                    "text": text_of(words, channel),
                },
                created_at=now,
            )


def _words(setup: AlarmSetup, core: Core, tank: Tank, units: UnitSystem, corrected: bool) -> str:
    height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
    said = (
        f"{'CORRECTED CORE' if corrected else 'CORE'} {tank.label}: {describe_clearance(tank.clearance(height), units)}"
        f" ({format_length(core.thickness, units)} of sludge), {format_local_time(core.taken_at, setup.site.zone)}"
    )
    if core.taken_by:
        said += f" by {core.taken_by}"
    seen = ", ".join(surface.value for surface in core.surface)
    # In one line: it is the subject of the mail as well.
    return " ".join(". ".join(part for part in (said, seen, core.note) if part).split())[:400]
