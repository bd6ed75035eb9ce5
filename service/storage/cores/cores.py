"""Hand cores: append-only rows; a correction or withdrawal is a new row that supersedes an older one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, Row, Select, func, select
from sqlalchemy.dialects.postgresql import distinct_on, insert
from sqlalchemy.orm import aliased

from service.domain.cores.core import Core, Surface
from service.errors import InputError
from service.storage.blanket.recompute import mark_dirty
from service.storage.database.tables import CoreRow, TankRow
from service.storage.database.versions import in_force, supersede, versions_of


@dataclass(frozen=True, slots=True, kw_only=True)
class CoreRecord:
    """A core as stored: the core itself, what was typed, where it came from and what it corrects."""

    core: Core
    tank_id: int
    typed_value: float
    typed_unit: str
    source: str
    batch_id: int | None = None
    warnings: tuple[str, ...] = ()
    supersedes: UUID | None = None
    withdrawn: bool = False
    correction_reason: str = ""


def insert_core(conn: Connection, record: CoreRecord) -> bool:
    """Store a new core and mark its tank; False when a core of this id is stored already.

    Raises
    ------
    InputError
        the id is taken by a different core: a client that reuses ids would otherwise lose a core without a word.
    """
    if record.supersedes is not None:
        raise InputError(f"core {record.core.id} corrects another: use correct_core")
    stored = conn.execute(
        insert(CoreRow)
        .values(**_values(record))
        .on_conflict_do_nothing(index_elements=[CoreRow.id])
        .returning(CoreRow.id)
    ).first()
    if stored is None:
        _require_same(conn, record)
        return False
    mark_dirty(conn, {record.tank_id: record.core.taken_at})
    return True


def correct_core(conn: Connection, supersedes: UUID, record: CoreRecord, reason: str) -> bool:
    """Put *record* in the place of the core *supersedes*; False when this very correction is stored already.

    Both the old and the new place in time are marked for a new estimate.

    Raises
    ------
    InputError
        there is no such core, it was corrected or withdrawn before (correct the newest version instead), or the reason is
        missing.
    """
    return _supersede(conn, supersedes, record, reason, withdrawn=False)


def withdraw_core(conn: Connection, supersedes: UUID, *, id: UUID, at: datetime, reason: str, by: str) -> bool:
    """Take a core back: it counts no longer, but stays in the history with the reason; False when done already by this id."""
    old = find_core(conn, supersedes)
    if old is None:
        raise InputError(f"there is no core {supersedes}")
    withdrawn = CoreRecord(
        core=replace(old.core, id=id, recorded_at=at, taken_by=by),
        tank_id=old.tank_id,
        typed_value=old.typed_value,
        typed_unit=old.typed_unit,
        source=old.source,
    )
    return _supersede(conn, supersedes, withdrawn, reason, withdrawn=True)


def find_core(conn: Connection, core_id: UUID) -> CoreRecord | None:
    """The stored version of that id, current or not."""
    row = conn.execute(_records().where(CoreRow.id == core_id)).first()
    return None if row is None else _record(row)


def current_cores(
    conn: Connection,
    tank_ids: Sequence[int],
    start: datetime | None = None,
    end: datetime | None = None,
    *,
    limit: int | None = None,
) -> list[CoreRecord]:
    """Cores in their current versions, taken at start ≤ time < end, oldest first; the first *limit* of them, and what was taken with the last."""
    statement = _current(tank_ids, start, end)
    if limit is not None:
        last = statement.with_only_columns(CoreRow.taken_at).order_by(CoreRow.taken_at).offset(limit - 1).limit(1)
        reached = conn.execute(last).scalar()
        if reached is not None:
            statement = statement.where(CoreRow.taken_at <= reached)
    return [_record(row) for row in conn.execute(statement.order_by(*_IN_ORDER))]


def newest_cores(
    conn: Connection, tank_ids: Sequence[int], start: datetime, end: datetime | None = None, *, limit: int
) -> list[CoreRecord]:
    """Cores in their current versions, taken at start ≤ time < end, newest first, at most so many."""
    statement = _current(tank_ids, start, end).order_by(*(column.desc() for column in _IN_ORDER)).limit(limit)
    return [_record(row) for row in conn.execute(statement)]


def last_cores(conn: Connection, tank_ids: Sequence[int], start: datetime, end: datetime) -> dict[str, CoreRecord]:
    """The last core of each tank, by its key, in its current version."""
    statement = _current(tank_ids, start, end).ext(distinct_on(CoreRow.tank_id))
    rows = conn.execute(statement.order_by(CoreRow.tank_id, *(column.desc() for column in _IN_ORDER)))
    return {record.core.tank: record for record in map(_record, rows)}


_IN_ORDER = (CoreRow.taken_at, CoreRow.replicate, CoreRow.recorded_at, CoreRow.id)


#: Not superseded by a later version, nor withdrawn.
_IS_CURRENT = in_force(CoreRow)


def _current(tank_ids: Sequence[int], start: datetime | None, end: datetime | None) -> Select[Any]:
    statement = _records().where(CoreRow.tank_id.in_(tank_ids), _IS_CURRENT)
    if start is not None:
        statement = statement.where(CoreRow.taken_at >= start)
    if end is not None:
        statement = statement.where(CoreRow.taken_at < end)
    return statement


def core_history(conn: Connection, core_id: UUID) -> list[CoreRecord]:
    """Every version of one core, first to last, whichever version's id is given; empty when there is none."""
    chain = versions_of(CoreRow, core_id)
    rows = conn.execute(_records().join(chain, chain.c.id == CoreRow.id).order_by(chain.c.step))
    return [_record(row) for row in rows]


def superseded_cores(
    conn: Connection, tank_id: int, since: datetime, until: datetime
) -> list[tuple[CoreRecord, CoreRecord]]:
    """Return pairs (old, new version) of a tank's cores superseded at since ≤ time ≤ until, in that order."""
    old = aliased(CoreRow)
    rows = conn.execute(
        _records()
        .join(old, old.id == CoreRow.supersedes)
        .where(old.tank_id == tank_id, CoreRow.recorded_at.between(since, until))
        .add_columns(old.id.label("old_id"))
        .order_by(CoreRow.recorded_at)
    ).all()
    found = []
    for row in rows:
        before = find_core(conn, row.old_id)
        assert before is not None
        found.append((before, _record(row)))
    return found


def latest_core_times(conn: Connection, tank_ids: Sequence[int]) -> dict[int, datetime]:
    """When each tank was last cored, by row number; tanks never cored are left out."""
    rows = conn.execute(
        select(CoreRow.tank_id, func.max(CoreRow.taken_at).label("taken_at"))
        .where(CoreRow.tank_id.in_(tank_ids), _IS_CURRENT)
        .group_by(CoreRow.tank_id)
    )
    return {row.tank_id: row.taken_at for row in rows}


def _supersede(conn: Connection, old_id: UUID, record: CoreRecord, reason: str, *, withdrawn: bool) -> bool:
    old = supersede(conn, CoreRow, old_id, _values(record), reason, withdrawn=withdrawn, what="core")
    if old is None:
        _require_same(conn, record)
        return False
    taken_at = record.core.taken_at
    earliest = {old.tank_id: old.taken_at}
    earliest[record.tank_id] = min(taken_at, earliest.get(record.tank_id, taken_at))
    mark_dirty(conn, earliest)
    return True


def _require_same(conn: Connection, record: CoreRecord) -> None:
    """Check that the core stored under the id is the same measurement; notes may differ."""
    stored = find_core(conn, record.core.id)
    ours, theirs = record.core, None if stored is None else stored.core
    if theirs is None or (
        (theirs.tank, theirs.taken_at, theirs.replicate, theirs.thickness, theirs.distance_from_wall)
        != (ours.tank, ours.taken_at, ours.replicate, ours.thickness, ours.distance_from_wall)
    ):
        raise InputError(f"core id {ours.id} is already used by a different core; a new core needs a new id")


def _values(record: CoreRecord) -> dict[str, Any]:
    core = record.core
    return {
        "id": core.id,
        "tank_id": record.tank_id,
        "taken_at": core.taken_at,
        "recorded_at": core.recorded_at,
        "thickness": core.thickness,
        "distance_from_wall": core.distance_from_wall,
        "arm_position": core.arm_position,
        "replicate": core.replicate,
        "fluff": core.fluff,
        "surface": [seen.value for seen in core.surface],
        "taken_by": core.taken_by,
        "note": core.note,
        "typed_value": record.typed_value,
        "typed_unit": record.typed_unit,
        "source": record.source,
        "batch_id": record.batch_id,
        "warnings": list(record.warnings),
    }


def _records() -> Select[Any]:
    return select(CoreRow.__table__, TankRow.key.label("tank_key")).join(TankRow, TankRow.id == CoreRow.tank_id)


def _record(row: Row[Any]) -> CoreRecord:
    return CoreRecord(
        core=Core(
            id=row.id,
            tank=row.tank_key,
            taken_at=row.taken_at,
            recorded_at=row.recorded_at,
            thickness=row.thickness,
            distance_from_wall=row.distance_from_wall,
            arm_position=row.arm_position,
            replicate=row.replicate,
            fluff=row.fluff,
            surface=tuple(Surface(seen) for seen in row.surface),
            taken_by=row.taken_by,
            note=row.note,
        ),
        tank_id=row.tank_id,
        typed_value=row.typed_value,
        typed_unit=row.typed_unit,
        source=row.source,
        batch_id=row.batch_id,
        warnings=tuple(row.warnings),
        supersedes=row.supersedes,
        withdrawn=row.withdrawn,
        correction_reason=row.correction_reason,
    )
