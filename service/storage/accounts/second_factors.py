"""Second factors: sealed keys of one-time codes, and hashed recovery codes."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, func, insert, select, update

from service.storage.database.tables import RecoveryCode, SecondFactor


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFactorRecord:
    """A second factor; not asked for until it is confirmed."""

    sealed_key: str
    begun_at: datetime
    confirmed_at: datetime | None


def begin(conn: Connection, person_id: int, sealed_key: str, now: datetime) -> None:
    """Store a new key, not confirmed, in the place of whatever there was."""
    remove(conn, person_id)
    conn.execute(insert(SecondFactor).values(person_id=person_id, sealed_key=sealed_key, begun_at=now, last_step=-1))


def find(conn: Connection, person_id: int, *, hold: bool = False) -> SecondFactorRecord | None:
    """The second factor of a person, confirmed or not; *hold* keeps others from looking at codes of theirs meanwhile."""
    statement = select(SecondFactor.sealed_key, SecondFactor.begun_at, SecondFactor.confirmed_at)
    statement = statement.where(SecondFactor.person_id == person_id)
    row = conn.execute(statement.with_for_update() if hold else statement).first()
    if row is None:
        return None
    return SecondFactorRecord(sealed_key=row.sealed_key, begun_at=row.begun_at, confirmed_at=row.confirmed_at)


def confirm(conn: Connection, person_id: int, step: int, code_hashes: Iterable[str], now: datetime) -> bool:
    """Note that the person's phone has the key, and their recovery codes; False when another request did so just before."""
    statement = update(SecondFactor).where(SecondFactor.person_id == person_id, SecondFactor.confirmed_at.is_(None))
    if conn.execute(statement.values(confirmed_at=now, last_step=step)).rowcount == 0:
        return False
    conn.execute(insert(RecoveryCode), [{"person_id": person_id, "code_hash": one} for one in code_hashes])
    return True


def spend_step(conn: Connection, person_id: int, step: int) -> bool:
    """Note that the code of a time step was used; False when that or a later one was used before."""
    statement = update(SecondFactor).where(SecondFactor.person_id == person_id, SecondFactor.last_step < step)
    return conn.execute(statement.values(last_step=step)).rowcount == 1


def spend_recovery_code(conn: Connection, person_id: int, code_hash: str, now: datetime) -> bool:
    """Note that a recovery code was used; False when there is none such, or it was used before."""
    statement = update(RecoveryCode).where(
        RecoveryCode.person_id == person_id, RecoveryCode.code_hash == code_hash, RecoveryCode.used_at.is_(None)
    )
    return conn.execute(statement.values(used_at=now)).rowcount == 1


def codes_left(conn: Connection, person_id: int) -> int:
    """How many recovery codes a person has not used."""
    statement = select(func.count()).where(RecoveryCode.person_id == person_id, RecoveryCode.used_at.is_(None))
    return conn.execute(statement).scalar_one()


def remove(conn: Connection, person_id: int) -> bool:
    """Take a second factor away with its recovery codes; False when there was none."""
    conn.execute(delete(RecoveryCode).where(RecoveryCode.person_id == person_id))
    return conn.execute(delete(SecondFactor).where(SecondFactor.person_id == person_id)).rowcount == 1


def confirmed(conn: Connection) -> frozenset[int]:
    """Everybody who is asked for a code, by row number."""
    found = conn.execute(select(SecondFactor.person_id).where(SecondFactor.confirmed_at.is_not(None)))
    return frozenset(found.scalars())
