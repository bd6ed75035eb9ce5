"""Laboratory results: append-only rows; a correction or withdrawal is a new row that supersedes an older one."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, Select, literal, or_, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.orm import aliased

from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.errors import InputError
from service.storage.database.tables import LaboratoryResultRow, TankRow
from service.storage.database.versions import in_force, supersede, versions_of

_IN_FORCE = in_force(LaboratoryResultRow)


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryRecord:
    """A result as stored: the value itself, what was typed, where it came from and what it corrects."""

    result: LaboratoryResult
    tank_id: int | None
    typed_value: float
    typed_unit: str
    source: str
    warnings: tuple[str, ...] = ()
    supersedes: UUID | None = None
    withdrawn: bool = False
    correction_reason: str = ""


def laboratory_results(
    conn: Connection,
    kinds: Collection[LaboratoryKind] = tuple(LaboratoryKind),
    since: datetime | None = None,
    until: datetime | None = None,
    tank_ids: Collection[int | None] | None = None,
    *,
    limit: int | None = None,
) -> list[LaboratoryRecord]:
    """Results in force, taken at since ≤ time < until, oldest first.

    Parameters
    ----------
    tank_ids : row numbers of tanks, None among them for the whole plant; every tank and the plant if left out.
    limit : so many of the newest.
    """
    row = LaboratoryResultRow
    statement = _records().where(row.kind.in_([kind.value for kind in kinds]), _IN_FORCE)
    if since is not None:
        statement = statement.where(row.taken_at >= since)
    if until is not None:
        statement = statement.where(row.taken_at < until)
    if tank_ids is not None:
        of_plant = row.tank_id.is_(None) if None in tank_ids else literal(False)
        statement = statement.where(or_(row.tank_id.in_([i for i in tank_ids if i is not None]), of_plant))
    newest_first = (row.taken_at.desc(), row.recorded_at.desc(), row.id.desc())
    found = [_record(r) for r in conn.execute(statement.order_by(*newest_first).limit(limit))]
    found.reverse()
    return found


def insert_result(conn: Connection, record: LaboratoryRecord) -> bool:
    """Store a new result; False when it is stored already under this id.

    Raises
    ------
    InputError
        the id is taken by a different result.
    """
    if record.supersedes is not None:
        raise InputError(f"result {record.result.id} corrects another: use correct_result")
    stored = conn.execute(
        insert(LaboratoryResultRow)
        .values(**_values(record))
        .on_conflict_do_nothing(index_elements=[LaboratoryResultRow.id])
        .returning(LaboratoryResultRow.id)
    ).first()
    if stored is None:
        _require_same(conn, record)
    return stored is not None


def correct_result(
    conn: Connection, supersedes: UUID, record: LaboratoryRecord, reason: str, *, withdrawn: bool = False
) -> bool:
    """Put *record* in the place of the result *supersedes*; False when this very correction is stored already.

    Raises
    ------
    InputError
        there is no such result, it was corrected or withdrawn before, or the reason is missing.
    """
    values = _values(record)
    if supersede(conn, LaboratoryResultRow, supersedes, values, reason, withdrawn=withdrawn, what="laboratory result"):
        return True
    _require_same(conn, record)
    return False


def withdraw_result(conn: Connection, supersedes: UUID, *, id: UUID, at: datetime, reason: str, by: str) -> bool:
    """Take a result back: it counts no longer, but stays in the history; False when done already by this id."""
    old = find_result(conn, supersedes)
    if old is None:
        raise InputError(f"there is no laboratory result {supersedes}")
    taken_back = replace(old, result=replace(old.result, id=id, recorded_at=at, taken_by=by), supersedes=None)
    return correct_result(conn, supersedes, taken_back, reason, withdrawn=True)


def find_result(conn: Connection, result_id: UUID) -> LaboratoryRecord | None:
    """The stored version of that id, in force or not."""
    row = conn.execute(_records().where(LaboratoryResultRow.id == result_id)).first()
    return None if row is None else _record(row)


def corrected_results(
    conn: Connection, kinds: Collection[LaboratoryKind], since: datetime, until: datetime
) -> list[tuple[LaboratoryRecord, LaboratoryRecord]]:
    """Pairs (old, new version) of results that were corrected or withdrawn at since < time ≤ until, in that order."""
    rows = conn.execute(
        _records()
        .where(
            LaboratoryResultRow.supersedes.is_not(None),
            LaboratoryResultRow.kind.in_([kind.value for kind in kinds]),
            LaboratoryResultRow.recorded_at > since,
            LaboratoryResultRow.recorded_at <= until,
        )
        .order_by(LaboratoryResultRow.recorded_at, LaboratoryResultRow.id)
    )
    found = []
    for new in map(_record, rows):
        old = None if new.supersedes is None else find_result(conn, new.supersedes)
        assert old is not None
        found.append((old, new))
    return found


def result_history(conn: Connection, result_id: UUID) -> list[LaboratoryRecord]:
    """Every version of one result, first to last, whichever version's id is given; empty when there is none."""
    chain = versions_of(LaboratoryResultRow, result_id)
    return [
        _record(r)
        for r in conn.execute(_records().join(chain, chain.c.id == LaboratoryResultRow.id).order_by(chain.c.step))
    ]


def results_changed(conn: Connection, since: datetime, until: datetime) -> list[LaboratoryRecord]:
    """Versions that correct or withdraw results taken at since ≤ time < until, in the order they were made."""
    row, old = LaboratoryResultRow, aliased(LaboratoryResultRow)
    statement = _records().join(old, old.id == row.supersedes)
    within = or_(
        (row.taken_at >= since) & (row.taken_at < until),
        (old.taken_at >= since) & (old.taken_at < until),
    )
    return [_record(r) for r in conn.execute(statement.where(within).order_by(row.recorded_at, row.id))]


def _require_same(conn: Connection, record: LaboratoryRecord) -> None:
    stored = find_result(conn, record.result.id)
    ours, theirs = record.result, None if stored is None else stored.result
    if theirs is None or replace(
        theirs, recorded_at=ours.recorded_at, note=ours.note, taken_by=ours.taken_by
    ) != replace(ours):
        raise InputError(f"id {ours.id} is already used by a different laboratory result; a new one needs a new id")


def _values(record: LaboratoryRecord) -> dict[str, Any]:
    result = record.result
    return {
        "id": result.id,
        "kind": result.kind.value,
        "tank_id": record.tank_id,
        "taken_at": result.taken_at,
        "recorded_at": result.recorded_at,
        "value": result.value,
        "minute": result.minute,
        "stirred": result.stirred,
        "dilution": result.dilution,
        "taken_by": result.taken_by,
        "note": result.note,
        "typed_value": record.typed_value,
        "typed_unit": record.typed_unit,
        "source": record.source,
        "warnings": list(record.warnings),
    }


def _records() -> Select[Any]:
    row = LaboratoryResultRow
    return select(row.__table__, TankRow.key.label("tank_key")).join(TankRow, TankRow.id == row.tank_id, isouter=True)


def _record(row: Row[Any]) -> LaboratoryRecord:
    return LaboratoryRecord(
        result=LaboratoryResult(
            id=row.id,
            kind=LaboratoryKind(row.kind),
            tank=row.tank_key,
            taken_at=row.taken_at,
            recorded_at=row.recorded_at,
            value=row.value,
            minute=row.minute,
            stirred=row.stirred,
            dilution=row.dilution,
            taken_by=row.taken_by,
            note=row.note,
        ),
        tank_id=row.tank_id,
        typed_value=row.typed_value,
        typed_unit=row.typed_unit,
        source=row.source,
        warnings=tuple(row.warnings),
        supersedes=row.supersedes,
        withdrawn=row.withdrawn,
        correction_reason=row.correction_reason,
    )
