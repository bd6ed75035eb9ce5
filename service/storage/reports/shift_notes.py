"""What people write into the shift log. Append-only: a note is corrected by a further note that names it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, func, select
from sqlalchemy.dialects.postgresql import insert

from service.errors import InputError
from service.storage.database.tables import ShiftNote

#: Lines of one shift: more than people write, and no more than one page shows.
MOST_LINES = 200


class NoteKind(StrEnum):
    """What was written."""

    NOTE = "note"
    TAKE_OVER = "take over"


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteRecord:
    """One line. ``shift_start`` is the beginning of the shift it belongs to."""

    id: UUID
    shift_start: datetime
    recorded_at: datetime
    kind: NoteKind
    author: str
    note: str = ""
    corrects: UUID | None = None


def add_note(conn: Connection, record: NoteRecord) -> bool:
    """Store a line; False when one of this id is stored already.

    Raises
    ------
    InputError
        it says nothing, corrects a note that is not there, or the shift has as many lines as it may.
    """
    if record.kind is NoteKind.NOTE and not record.note:
        raise InputError("the note is empty: write what the next shift has to know")
    if record.corrects is not None:
        old = find_note(conn, record.corrects)
        if old is None or old.kind is not NoteKind.NOTE:
            raise InputError(f"there is no note {record.corrects} to correct")
    written = select(func.count()).where(ShiftNote.shift_start == record.shift_start, ShiftNote.id != record.id)
    if conn.execute(written).scalar_one() >= MOST_LINES:
        raise InputError(f"this shift has {MOST_LINES} lines already, and takes no more; write into the next one")
    row = insert(ShiftNote).values(
        id=record.id,
        shift_start=record.shift_start,
        recorded_at=record.recorded_at,
        kind=record.kind.value,
        author=record.author,
        note=record.note,
        corrects=record.corrects,
    )
    return conn.execute(row.on_conflict_do_nothing().returning(ShiftNote.id)).first() is not None


def find_note(conn: Connection, note_id: UUID) -> NoteRecord | None:
    """The line of that id."""
    row = conn.execute(select(*ShiftNote.__table__.c).where(ShiftNote.id == note_id)).first()
    return None if row is None else _record(row)


def notes_between(conn: Connection, start: datetime, end: datetime) -> list[NoteRecord]:
    """What was written about shifts that began at start ≤ time < end, in the order it was written."""
    rows = conn.execute(
        select(*ShiftNote.__table__.c)
        .where(ShiftNote.shift_start >= start, ShiftNote.shift_start < end)
        .order_by(ShiftNote.recorded_at, ShiftNote.id)
    )
    return [_record(row) for row in rows]


def _record(row: Row[Any]) -> NoteRecord:
    return NoteRecord(
        id=row.id,
        shift_start=row.shift_start,
        recorded_at=row.recorded_at,
        kind=NoteKind(row.kind),
        author=row.author,
        note=row.note,
        corrects=row.corrects,
    )
