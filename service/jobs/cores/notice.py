"""A hand core told to the supervisor at once, where the site wants that; otherwise it stands in the shift log."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from service.calls.routing import address_of
from service.domain.cores.core import Core
from service.domain.plant.display import describe_clearance, format_length, format_local_time
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.jobs.alarms.setup import AlarmSetup
from service.notify.channels.base import text_of
from service.storage.calls.outbox import OutboxMessage

#: A core taken longer ago is history, as a sheet of the last half year brings it: it is kept, and told to nobody.
TOLD_FOR = timedelta(hours=24)


def core_notices(
    setup: AlarmSetup, core: Core, tank: Tank, now: datetime, word: str = "CORE", why: str = ""
) -> list[OutboxMessage]:
    """The messages about a core, one for each person and way; none where the site does not ask for them.

    Parameters
    ----------
    word : what happened to the core; the message begins with it.
    why : the reason, where there is one to tell.
    """
    return list(_messages(setup, core, tank, now, word, why)) if now - core.taken_at <= TOLD_FOR else []


def _messages(setup: AlarmSetup, core: Core, tank: Tank, now: datetime, word: str, why: str) -> Iterable[OutboxMessage]:
    for contact in setup.told_of_cores:
        words = _words(setup, core, tank, contact.units or setup.units, word, why)
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


def _words(setup: AlarmSetup, core: Core, tank: Tank, units: UnitSystem, word: str, why: str) -> str:
    height = tank.height_from_thickness(core.thickness, core.distance_from_wall)
    said = (
        f"{word} {tank.label}: {describe_clearance(tank.clearance(height), units, tank.side_water_depth)}"
        f" ({format_length(core.thickness, units)} of sludge), {format_local_time(core.taken_at, setup.site.zone)}"
    )
    if core.taken_by:
        said += f" by {core.taken_by}"
    seen = ", ".join(surface.value for surface in core.surface)
    # In one line: it is the subject of the mail as well.
    return " ".join(". ".join(part for part in (said, why, seen, core.note) if part).split())[:400]
