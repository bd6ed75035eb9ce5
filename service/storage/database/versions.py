"""Append-only rows whose corrections supersede each other: which version is in force, and all versions of one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlalchemy import CTE, ColumnElement, Connection, Row, literal, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.orm import aliased

from service.errors import InputError
from service.storage.database.tables import CalibrationRow, CoreRow, LaboratoryResultRow, RoundRow

Versioned = type[CoreRow] | type[CalibrationRow] | type[LaboratoryResultRow] | type[RoundRow]


def in_force(row: Versioned) -> ColumnElement[bool]:
    """Condition on versions that nothing supersedes and that are no withdrawal; make it once, as it costs more than a query."""
    later = aliased(row)
    return ~row.withdrawn & ~select(literal(1)).where(later.supersedes == row.id).exists()


def versions_of(row: Versioned, version: UUID) -> CTE:
    """``id`` and ``step`` of every version of one record, whichever version is given; ``step`` counts from the first."""
    back = select(row.id, row.supersedes).where(row.id == version).cte("back", recursive=True)
    back = back.union_all(select(row.id, row.supersedes).join(back, row.id == back.c.supersedes))
    root = select(back.c.id).where(back.c.supersedes.is_(None)).scalar_subquery()
    chain = select(row.id, literal(0).label("step")).where(row.id == root).cte("chain", recursive=True)
    following = aliased(row)
    return chain.union_all(select(following.id, chain.c.step + 1).join(chain, following.supersedes == chain.c.id))


def supersede(
    conn: Connection,
    row: Versioned,
    old_id: UUID,
    values: Mapping[str, Any],
    reason: str,
    *,
    withdrawn: bool,
    what: str,
) -> Row[Any] | None:
    """Put a version in the place of another; gives back the old one, or None when this very version is stored already.

    Parameters
    ----------
    values : columns of the new version but for those that say what it supersedes, and why.
    what : the kind of record, for messages.

    Raises
    ------
    InputError
        there is no such record, it was corrected or withdrawn before (correct the newest version instead), or the reason is
        missing.
    """
    if not reason.strip():
        raise InputError(f"a correction needs a reason: say what was wrong with the {what}")
    old = conn.execute(select(row.__table__).where(row.id == old_id)).first()
    if old is None:
        raise InputError(f"there is no {what} {old_id}")
    if old.withdrawn:
        raise InputError(f"{what} {old_id} was withdrawn; enter it anew instead of correcting it")
    new = {**values, "supersedes": old_id, "withdrawn": withdrawn, "correction_reason": reason.strip()}
    # Of two corrections at once the unique constraint on supersedes lets one through; the other waits, and is refused.
    if conn.execute(insert(row).values(**new).on_conflict_do_nothing().returning(row.id)).first() is not None:
        return old
    same = conn.execute(select(row.__table__).where(row.id == new["id"])).first()
    if same is None or same.supersedes != old_id or same.withdrawn != withdrawn:
        raise InputError(f"{what} {old_id} has been corrected already; correct its newest version instead")
    return None
