"""Photos of hand cores, stored in the database: backups contain them, and every node shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import Connection, delete, select
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import CorePhoto


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRecord:
    """One photo. ``sha256`` is of what was sent, so that sending it again is noticed."""

    core_id: UUID
    recorded_at: datetime
    sha256: str
    width: int  #: [pixel]
    height: int  #: [pixel]
    jpeg: bytes


def add_photo(conn: Connection, record: PhotoRecord) -> bool:
    """Store it; False when the core has one already."""
    row = insert(CorePhoto).values(asdict(record))
    kept = conn.execute(row.on_conflict_do_nothing(index_elements=[CorePhoto.core_id]).returning(CorePhoto.core_id))
    return kept.first() is not None


def photo_sizes(conn: Connection, core_ids: Sequence[UUID]) -> dict[UUID, tuple[int, int]]:
    """Width and height of the photos of those cores that have one. [pixel]"""
    rows = conn.execute(
        select(CorePhoto.core_id, CorePhoto.width, CorePhoto.height).where(CorePhoto.core_id.in_(core_ids))
    )
    return {row.core_id: (row.width, row.height) for row in rows}


def photo_of(conn: Connection, core_id: UUID) -> PhotoRecord | None:
    """The photo of a core, if it has one."""
    row = conn.execute(select(CorePhoto.__table__).where(CorePhoto.core_id == core_id)).first()
    return None if row is None else PhotoRecord(**row._mapping)


def remove_photo(conn: Connection, core_id: UUID) -> bool:
    """Delete a photo; False when there is none."""
    gone = conn.execute(delete(CorePhoto).where(CorePhoto.core_id == core_id).returning(CorePhoto.core_id))
    return gone.first() is not None
