"""Who signed which month of effluent figures, with which figures. Append-only: a month may be signed again, none is taken away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Connection, select
from sqlalchemy.dialects.postgresql import insert

from service.storage.database.tables import EffluentSignatureRow


@dataclass(frozen=True, slots=True, kw_only=True)
class EffluentSignature:
    """One signature. ``month`` is its first day; ``figures`` are those of the moment of signing."""

    id: UUID
    month: date
    signed_at: datetime
    signed_by: str
    reason: str
    figures: Mapping[str, Any]


def add_signature(conn: Connection, signature: EffluentSignature) -> bool:
    """Store a signature; False when one of this id is stored already."""
    row = insert(EffluentSignatureRow).values(
        id=signature.id,
        month=signature.month,
        signed_at=signature.signed_at,
        signed_by=signature.signed_by,
        reason=signature.reason,
        figures=dict(signature.figures),
    )
    return conn.execute(row.on_conflict_do_nothing().returning(EffluentSignatureRow.id)).first() is not None


def signatures_of(conn: Connection, month: date) -> list[EffluentSignature]:
    """Every signature under a month, the first one first."""
    rows = conn.execute(
        select(*EffluentSignatureRow.__table__.c)
        .where(EffluentSignatureRow.month == month)
        .order_by(EffluentSignatureRow.signed_at, EffluentSignatureRow.id)
    )
    return [
        EffluentSignature(
            id=row.id,
            month=row.month,
            signed_at=row.signed_at,
            signed_by=row.signed_by,
            reason=row.reason,
            figures=row.figures,
        )
        for row in rows
    ]
