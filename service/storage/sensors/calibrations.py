"""Calibrations and other work on sensors: append-only rows; a correction or withdrawal is a new row that supersedes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, Select, select
from sqlalchemy.dialects.postgresql import insert

from service.domain.cores.core import Calibration, CalibrationKind
from service.errors import InputError
from service.storage.blanket.recompute import mark_signals_dirty
from service.storage.database.epoch import to_us
from service.storage.database.tables import CalibrationRow, SignalRow
from service.storage.database.versions import in_force, supersede, versions_of

_IN_FORCE = in_force(CalibrationRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRecord:
    """A calibration as stored: the work itself, when it was recorded and what it corrects."""

    id: UUID
    calibration: Calibration
    signal_id: int
    recorded_at: datetime
    note: str = ""
    as_found_typed: str = ""  #: what was typed, of which the error was made
    as_left_typed: str = ""
    supersedes: UUID | None = None
    withdrawn: bool = False
    correction_reason: str = ""


def insert_calibration(conn: Connection, record: CalibrationRecord) -> bool:
    """Store work on a sensor and mark its tank; False when this id is stored already.

    Raises
    ------
    InputError
        the id is taken by different work.
    """
    if record.supersedes is not None:
        raise InputError(f"calibration {record.id} corrects another: use correct_calibration")
    statement = insert(CalibrationRow).values(**_values(record))
    stored = conn.execute(
        statement.on_conflict_do_nothing(index_elements=[CalibrationRow.id]).returning(CalibrationRow.id)
    ).first()
    if stored is None:
        _require_same(conn, record)
        return False
    mark_signals_dirty(conn, {record.signal_id: to_us(record.calibration.at)})
    return True


def correct_calibration(conn: Connection, supersedes: UUID, record: CalibrationRecord, reason: str) -> bool:
    """Put *record* in the place of another; False when this very correction is stored already.

    Raises
    ------
    InputError
        there is no such calibration, it was corrected or withdrawn before, or the reason is missing.
    """
    return _supersede(conn, supersedes, record, reason, withdrawn=False)


def withdraw_calibration(conn: Connection, supersedes: UUID, *, id: UUID, at: datetime, reason: str) -> bool:
    """Take a calibration back: it counts no longer, but stays in the history; False when done already by this id."""
    old = find_calibration(conn, supersedes)
    if old is None:
        raise InputError(f"there is no calibration {supersedes}")
    record = CalibrationRecord(
        id=id, calibration=old.calibration, signal_id=old.signal_id, recorded_at=at, note=old.note
    )
    return _supersede(conn, supersedes, record, reason, withdrawn=True)


def find_calibration(conn: Connection, calibration_id: UUID) -> CalibrationRecord | None:
    """The stored version of that id, current or not."""
    row = conn.execute(_records().where(CalibrationRow.id == calibration_id)).first()
    return None if row is None else _record(row)


def current_calibrations(
    conn: Connection, signal_ids: Sequence[int], start: datetime | None = None, end: datetime | None = None
) -> list[CalibrationRecord]:
    """Calibrations in their current versions, done at start ≤ time < end, oldest first."""
    statement = _records().where(
        CalibrationRow.signal_id.in_(signal_ids),
        _IN_FORCE,
    )
    if start is not None:
        statement = statement.where(CalibrationRow.at >= start)
    if end is not None:
        statement = statement.where(CalibrationRow.at < end)
    rows = conn.execute(statement.order_by(CalibrationRow.at, CalibrationRow.recorded_at, CalibrationRow.id))
    return [_record(row) for row in rows]


def calibration_history(conn: Connection, calibration_id: UUID) -> list[CalibrationRecord]:
    """Every version of one calibration, first to last, whichever version's id is given; empty when there is none."""
    chain = versions_of(CalibrationRow, calibration_id)
    rows = conn.execute(_records().join(chain, chain.c.id == CalibrationRow.id).order_by(chain.c.step))
    return [_record(row) for row in rows]


def _supersede(conn: Connection, old_id: UUID, record: CalibrationRecord, reason: str, *, withdrawn: bool) -> bool:
    old = supersede(conn, CalibrationRow, old_id, _values(record), reason, withdrawn=withdrawn, what="calibration")
    if old is None:
        _require_same(conn, record)
        return False
    at = to_us(record.calibration.at)
    earliest = {old.signal_id: to_us(old.at)}
    earliest[record.signal_id] = min(at, earliest.get(record.signal_id, at))
    mark_signals_dirty(conn, earliest)
    return True


def _require_same(conn: Connection, record: CalibrationRecord) -> None:
    stored = find_calibration(conn, record.id)
    if stored is None or stored.calibration != record.calibration:
        raise InputError(f"calibration id {record.id} is already used by different work; new work needs a new id")


def _values(record: CalibrationRecord) -> dict[str, Any]:
    done = record.calibration
    return {
        "id": record.id,
        "signal_id": record.signal_id,
        "at": done.at,
        "recorded_at": record.recorded_at,
        "kind": done.kind.value,
        "done_by": done.done_by,
        "reason": done.reason,
        "note": record.note,
        "as_found_typed": record.as_found_typed,
        "as_left_typed": record.as_left_typed,
        "as_found_offset": done.as_found_offset,
        "as_left_offset": done.as_left_offset,
        "as_found_span_error": done.as_found_span_error,
        "as_left_span_error": done.as_left_span_error,
    }


def _records() -> Select[Any]:
    table = CalibrationRow.__table__
    return select(table, SignalRow.tag.label("tag")).join(SignalRow, SignalRow.id == CalibrationRow.signal_id)


def _record(row: Row[Any]) -> CalibrationRecord:
    return CalibrationRecord(
        id=row.id,
        calibration=Calibration(
            tag=row.tag,
            at=row.at,
            kind=CalibrationKind(row.kind),
            done_by=row.done_by,
            reason=row.reason,
            as_found_offset=row.as_found_offset,
            as_left_offset=row.as_left_offset,
            as_found_span_error=row.as_found_span_error,
            as_left_span_error=row.as_left_span_error,
        ),
        signal_id=row.signal_id,
        recorded_at=row.recorded_at,
        note=row.note,
        as_found_typed=row.as_found_typed,
        as_left_typed=row.as_left_typed,
        supersedes=row.supersedes,
        withdrawn=row.withdrawn,
        correction_reason=row.correction_reason,
    )
