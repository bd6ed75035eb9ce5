"""API tokens of programs; only their hashes are stored."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from service.domain.plant.role import Scope
from service.storage.accounts.people import PERSON, PersonRecord, record_of
from service.storage.database.tables import ApiToken, Person


@dataclass(frozen=True, slots=True, kw_only=True)
class TokenRecord:
    """A token without its secret, and whose it is."""

    id: int
    name: str
    person: PersonRecord
    scopes: frozenset[Scope]
    created_at: datetime
    expires_at: datetime
    last_used_at: datetime | None
    revoked_at: datetime | None

    def valid(self, now: datetime) -> bool:
        """Whether it is accepted now."""
        return self.revoked_at is None and self.person.active and now < self.expires_at


def add_token(
    conn: Connection,
    *,
    name: str,
    person_id: int,
    token_hash: str,
    scopes: frozenset[Scope],
    now: datetime,
    expires_at: datetime,
) -> int:
    """Store a token by its hash and return the row number."""
    row = insert(ApiToken).values(
        name=name,
        person_id=person_id,
        token_hash=token_hash,
        scopes=sorted(scope.value for scope in scopes),
        created_at=now,
        expires_at=expires_at,
    )
    made: int = conn.execute(row.returning(ApiToken.id)).scalar_one()
    return made


def find_token(conn: Connection, token_hash: str) -> TokenRecord | None:
    """The token of that hash, valid or not."""
    row = conn.execute(_tokens().where(ApiToken.token_hash == token_hash)).first()
    return None if row is None else _record(row)


def tokens(conn: Connection, person_id: int | None = None) -> list[TokenRecord]:
    """Every token, or those of one person, newest first."""
    statement = _tokens().order_by(ApiToken.id.desc())
    if person_id is not None:
        statement = statement.where(ApiToken.person_id == person_id)
    return [_record(row) for row in conn.execute(statement)]


def use_token(conn: Connection, token_id: int, now: datetime) -> None:
    """Record the use of a token."""
    conn.execute(update(ApiToken).where(ApiToken.id == token_id).values(last_used_at=now))


def revoke_token(conn: Connection, token_id: int, now: datetime) -> bool:
    """Revoke a token; False when there is none such, or it was revoked before."""
    statement = update(ApiToken).where(ApiToken.id == token_id, ApiToken.revoked_at.is_(None)).values(revoked_at=now)
    return bool(conn.execute(statement).rowcount)


def revoke_tokens_of(conn: Connection, person_id: int, now: datetime) -> int:
    """Revoke every token of a person; returns how many were valid."""
    statement = update(ApiToken).where(
        ApiToken.person_id == person_id, ApiToken.revoked_at.is_(None), ApiToken.expires_at > now
    )
    return conn.execute(statement.values(revoked_at=now)).rowcount


def _tokens() -> Any:
    token = ApiToken
    return select(
        token.id.label("token_id"),
        token.name.label("token_name"),
        token.created_at.label("token_created_at"),
        token.scopes,
        token.expires_at,
        token.last_used_at,
        token.revoked_at,
        *PERSON,
    ).join(Person, Person.id == token.person_id)


def _record(row: Any) -> TokenRecord:
    return TokenRecord(
        id=row.token_id,
        name=row.token_name,
        person=record_of(row),
        scopes=frozenset(Scope(scope) for scope in row.scopes),
        created_at=row.token_created_at,
        expires_at=row.expires_at,
        last_used_at=row.last_used_at,
        revoked_at=row.revoked_at,
    )
