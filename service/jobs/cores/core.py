"""Records, corrects and withdraws hand cores; every door goes through here.

The record, its line in the audit log, the notices to those who want each core at once, and the mark that has the tank
estimated anew are one transaction. Alarms read cores where they are kept, so the next look sees them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID, uuid4

from sqlalchemy import Connection

from service.calls.routing import address_of
from service.domain.cores.check import (
    CoreFinding,
    ExpectedCore,
    check_core,
    expected_from_cores,
    refused,
)
from service.domain.cores.core import Core
from service.domain.plant.display import describe_clearance, format_length, format_local_time
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem
from service.errors import InputError
from service.jobs.accounts.actor import Actor, Door, audit
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.plant.plant import Plant
from service.notify.channels.base import text_of
from service.storage.blanket.estimates import latest_estimates
from service.storage.calls.outbox import OutboxMessage, enqueue
from service.storage.cores import cores as store
from service.storage.cores.cores import CoreRecord, correct_core, current_cores, find_core, insert_core

#: An estimate older than this says little about a core; the recent cores are asked instead.
ESTIMATE_COUNTS_FOR = timedelta(hours=2)
#: Depths of one core that differ by no more were rounded differently. [m]
SAME_DEPTH = 0.006
#: How far back the recent cores are looked up.
CORES_COUNT_FOR = timedelta(days=14)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreDraft:
    """A core as a person gave it, not yet checked: the core in SI, and what was typed.

    Parameters
    ----------
    confirmed : somebody looked again, or nobody can be asked: what is doubtful is stored with its doubt.
    supersedes, reason : the core this one corrects, and why.
    batch_id : the delivery it came in.
    """

    core: Core
    typed_value: float
    typed_unit: str
    confirmed: bool = False
    supersedes: UUID | None = None
    reason: str = ""
    batch_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """What came of a draft: stored (now, or already before), or the findings that stand in the way.

    ``known`` is the same core where it came through another door before: that one is kept, and counts once.
    """

    stored: bool
    already: bool
    known: CoreRecord | None = None
    findings: tuple[CoreFinding, ...] = ()
    expected: ExpectedCore | None = None


def submit_core(
    conn: Connection,
    plant: Plant,
    tank: Tank,
    draft: CoreDraft,
    actor: Actor,
    *,
    now: datetime,
    units: UnitSystem | None = None,
) -> Logged:
    """Check a core and store it; a doubtful one is stored only when it was confirmed.

    Parameters
    ----------
    conn : a transaction that the caller commits.
    units : those of the findings' sentences; the site's if None.

    Raises
    ------
    InputError
        when the core it corrects is not there or was corrected before, or the id is another core's.
    """
    core, tank_id = draft.core, plant.ids.tanks[tank.key]
    if draft.supersedes is None and (known := _known(conn, draft, tank_id, actor)) is not None:
        return Logged(stored=True, already=True, known=known)
    findings: tuple[CoreFinding, ...] = ()
    expected = None
    # One that is sent again was checked when it came first: what was learned since must not ask about it anew.
    if find_core(conn, core.id) is None:
        expected = _expected_height(conn, tank, tank_id, core.taken_at, leave_out=draft.supersedes)
        findings = check_core(
            core, tank, now=now, units=units or plant.alarms.units, typed_unit=draft.typed_unit, expected=expected
        )
        if refused(findings) or (findings and not draft.confirmed):
            return Logged(stored=False, already=False, findings=findings, expected=expected)
    record = CoreRecord(
        core=core,
        tank_id=tank_id,
        typed_value=draft.typed_value,
        typed_unit=draft.typed_unit,
        source=actor.source,
        batch_id=draft.batch_id,
        warnings=tuple(finding.problem.value for finding in findings),
    )
    if draft.supersedes is None:
        new = insert_core(conn, record)
        word, detail = "CORE", {"tank": tank.key}
    else:
        new = correct_core(conn, draft.supersedes, record, draft.reason)
        word, detail = "CORRECTED CORE", {"corrects": str(draft.supersedes), "reason": draft.reason}
    if new:
        audit(conn, actor, now, f"core {'logged' if word == 'CORE' else 'corrected'}", str(core.id), detail)
        enqueue(conn, core_notices(plant.alarms, core, tank, now, word))
    return Logged(stored=True, already=not new, findings=findings, expected=expected)


def withdraw_core(
    conn: Connection,
    plant: Plant,
    core_id: UUID,
    actor: Actor,
    *,
    reason: str,
    now: datetime,
) -> None:
    """Take back a core that never was; it stays in its history, and who was told of it learns so.

    Raises
    ------
    InputError
        when there is no such core, it was corrected or withdrawn before, or the reason is missing.
    """
    withdrawal = uuid4()
    store.withdraw_core(conn, core_id, id=withdrawal, at=now, reason=reason, by=actor.name)
    audit(conn, actor, now, "core withdrawn", str(core_id), {"reason": reason.strip()})
    record = find_core(conn, withdrawal)
    if record is None:
        raise InputError(f"core {core_id} could not be withdrawn")
    tank = plant.tanks.get(record.core.tank)
    if tank is not None:
        enqueue(conn, core_notices(plant.alarms, record.core, tank, now, "WITHDRAWN CORE", reason.strip()))


def known_words(known: CoreRecord, setup: AlarmSetup) -> str:
    """That a core came before through another door, in a sentence."""
    said = format_length(known.core.thickness, setup.units)
    at = format_local_time(known.core.taken_at, setup.site.zone)
    return f"The core of {at}, {said} of sludge, came before ({known.source}) and is kept once."


def _known(conn: Connection, draft: CoreDraft, tank_id: int, actor: Actor) -> CoreRecord | None:
    """The same core as it came through another door: same tank, minute, place and depth, and nothing new about it.

    Somebody types a core at the tank and enters it into the day's sheet as well; that is one observation, not two that agree.
    """
    core = draft.core
    minute = core.taken_at.replace(second=0, microsecond=0)
    if find_core(conn, core.id) is not None:
        return None
    for other in current_cores(conn, [tank_id], minute, minute + timedelta(minutes=1)):
        stored = other.core
        apart = max(
            abs(stored.thickness - core.thickness),
            abs(stored.distance_from_wall - core.distance_from_wall),
            0.0 if core.fluff is None else abs(core.fluff - (math.inf if stored.fluff is None else stored.fluff)),
        )
        if (
            apart <= SAME_DEPTH
            and stored.replicate == core.replicate
            and set(core.surface) <= set(stored.surface)
            and _door(other) is not actor.via
        ):
            return other
    return None


def _door(record: CoreRecord) -> Door | None:
    """The door a core came through, as its source says (:attr:`service.jobs.accounts.actor.Actor.source`)."""
    if record.batch_id is not None:
        return Door.SHEET
    word = record.source.partition(", ")[0]
    return next((door for door in Door if door == word), None)


def _expected_height(
    conn: Connection, tank: Tank, tank_id: int, at: datetime, leave_out: UUID | None = None
) -> ExpectedCore | None:
    """What a core taken then is expected to find: the estimate just before it, else the tank's recent cores.

    An estimate of the same moment may have seen the core itself; replicates of the same moment count among the recent cores.
    """
    estimate = latest_estimates(conn, [tank_id], at - timedelta.resolution).get(tank_id)
    if estimate is not None and at - estimate.time <= ESTIMATE_COUNTS_FOR:
        # Over all stories: a core that fits a rival one is no slip.
        return ExpectedCore(estimate.height, estimate.spread / 1.96)
    recent = current_cores(conn, [tank_id], at - CORES_COUNT_FOR, at + timedelta.resolution)
    return expected_from_cores([r.core for r in recent if r.core.id != leave_out], tank, at)


#: A core taken longer ago is history, as a sheet of the last half year brings it: it is kept, and told to nobody.
NOTICE_WITHIN = timedelta(hours=24)


def core_notices(
    setup: AlarmSetup, core: Core, tank: Tank, now: datetime, word: str = "CORE", why: str = ""
) -> list[OutboxMessage]:
    """The messages about a core, one for each person and way; none where the site does not ask for them.

    Parameters
    ----------
    word : what happened to the core; the message begins with it.
    why : the reason, where there is one to tell.
    """
    return list(_messages(setup, core, tank, now, word, why)) if now - core.taken_at <= NOTICE_WITHIN else []


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
