"""Append-only rows whose corrections supersede each other: which version is in force, and all versions of one."""

from __future__ import annotations

from uuid import UUID

from sqlalchemy import CTE, ColumnElement, literal, select
from sqlalchemy.orm import aliased

from service.storage.database.tables import CalibrationRow, CoreRow, LaboratoryResultRow

Versioned = type[CoreRow] | type[CalibrationRow] | type[LaboratoryResultRow]


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
