"""Reads the shift log, writes notes into it, and records who took over."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

from sqlalchemy import Connection, Engine

from service.calls.hand_over import WorkedShift
from service.errors import InputError
from service.jobs.accounts.actor import Actor, audit
from service.jobs.plant.plant import Plant
from service.notify.messages.wording import kind_word
from service.reports.shift_log import (
    HandOver,
    LoggedCore,
    LoggedMessage,
    ShiftFacts,
    ShiftLog,
    WrittenNote,
    shift_log,
)
from service.storage.alarms.alarms import transitions_between
from service.storage.blanket.estimates import latest_estimates
from service.storage.calls.outbox import traces_between
from service.storage.cores.cores import current_cores
from service.storage.cores.rounds import rounds_between
from service.storage.database.session import transaction
from service.storage.reports.shift_notes import NoteKind, NoteRecord, add_note, find_note, notes_between
from service.storage.sensors.calibrations import current_calibrations

#: How far back an alarm is looked for that stood when the shift began.
STOOD_SINCE = timedelta(days=92)
#: Whoever comes in signs for the next shift from this long before it begins.
EARLY = timedelta(hours=1)
LONGEST_NOTE = 2000


def read_shift(engine: Engine, plant: Plant, shift: WorkedShift, now: datetime) -> ShiftLog:
    """The log of a shift as far as it has come."""
    following = plant.shift_after(shift)
    until = min(now, shift.end)
    tank_ids = [plant.ids.tanks[setup.tank.key] for setup in plant.setups]
    tank_of = {s.tag: setup.tank.key for setup in plant.setups for s in (*setup.blankets, *setup.others)}
    definitions = {definition.key: definition for definition in plant.alarms.definitions}
    with transaction(engine) as conn:
        written = notes_between(conn, shift.start, shift.end)
        facts = ShiftFacts(
            shift=shift,
            now=now,
            definitions=definitions,
            alarm_words={key: kind_word(definition.kind) for key, definition in definitions.items()},
            tanks={setup.tank.key: setup.tank for setup in plant.setups},
            happened=transitions_between(conn, shift.start - STOOD_SINCE, until),
            cores=[
                LoggedCore(core=record.core, corrected=record.supersedes is not None, warnings=record.warnings)
                for record in current_cores(conn, tank_ids, shift.start, shift.end)
            ],
            rounds=[r.seen for r in rounds_between(conn, tank_ids, shift.start, shift.end)],
            works=[
                record.calibration
                for record in current_calibrations(
                    conn, [plant.ids.signals[tag] for tag in tank_of], shift.start, shift.end
                )
            ],
            tank_of_signal=tank_of,
            messages=[
                LoggedMessage(at=t.created_at, kind=t.kind, contact=t.contact, channel=t.channel, status=t.status)
                for t in traces_between(conn, shift.start, shift.end)
            ],
            notes=[
                WrittenNote(id=n.id, at=n.recorded_at, author=n.author, text=n.note, corrects=n.corrects)
                for n in written
                if n.kind is NoteKind.NOTE
            ],
            taken_over=_signatures(written),
            handed_over=_signatures(notes_between(conn, following.start, following.end)),
            estimates={e.tank: e for e in latest_estimates(conn, tank_ids, until).values()},
        )
    return shift_log(facts, units=plant.alarms.units, zone=plant.alarms.site.zone)


def write_note(
    engine: Engine,
    plant: Plant,
    note: str,
    actor: Actor,
    *,
    id: UUID,
    now: datetime,
    at: datetime | None = None,
    corrects: UUID | None = None,
) -> NoteRecord:
    """Write into the log of the shift that holds *at* (now, if None); a correction goes where the corrected note stands.

    Parameters
    ----------
    id : of the note, so that sending it twice stores it once.

    Raises
    ------
    InputError
        the note says nothing, is too long, or corrects one that is not there.
    """
    text = note.strip()
    if len(text) > LONGEST_NOTE:
        raise InputError(f"the note is longer than {LONGEST_NOTE} characters: write it as two")
    if at is not None and at > now:
        raise InputError("the note is about a time still to come: notes are written about what was")
    shift_start = plant.shift(at or now).start
    with transaction(engine) as conn:
        if corrects is not None:
            old = find_note(conn, corrects)
            if old is None:
                raise InputError(f"there is no note {corrects} to correct")
            shift_start = old.shift_start
        record = NoteRecord(
            id=id,
            shift_start=shift_start,
            recorded_at=now,
            kind=NoteKind.NOTE,
            author=actor.name,
            note=text,
            corrects=corrects,
        )
        detail = {"shift": shift_start.isoformat()} | ({"corrects": str(corrects)} if corrects else {})
        _keep(conn, record, "shift note written", actor, detail)
    return record


def taking_over(plant: Plant, now: datetime) -> WorkedShift:
    """The shift that whoever signs now takes over: the running one, or the next when it is about to begin."""
    return plant.shift(now + EARLY)


def take_over(engine: Engine, plant: Plant, actor: Actor, *, id: UUID, now: datetime) -> NoteRecord:
    """Somebody signs that they have the plant."""
    shift = taking_over(plant, now)
    record = NoteRecord(id=id, shift_start=shift.start, recorded_at=now, kind=NoteKind.TAKE_OVER, author=actor.name)
    with transaction(engine) as conn:
        _keep(conn, record, "shift taken over", actor, {"shift": shift.start.isoformat()})
    return record


def _keep(conn: Connection, record: NoteRecord, action: str, actor: Actor, detail: dict[str, str]) -> None:
    if add_note(conn, record):
        audit(conn, actor, record.recorded_at, action, str(record.id), detail)


def _signatures(records: Sequence[NoteRecord]) -> list[HandOver]:
    return [HandOver(who=r.author, at=r.recorded_at) for r in records if r.kind is NoteKind.TAKE_OVER]
