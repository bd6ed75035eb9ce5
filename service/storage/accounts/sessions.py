"""Web sessions and failed sign-ins. Secrets are stored as hashes only."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, delete, func, insert, select, text, update

from service.storage.accounts.people import PERSON, PersonRecord, record_of
from service.storage.database.tables import Person, SecondFactor, SignInFailure, WebSession


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionRecord:
    """A session and its person."""

    token_hash: str
    person: PersonRecord
    started_at: datetime
    seen_at: datetime
    #: Whether its owner is asked for a code at sign-in.
    second_factor: bool
    #: When its owner last proved who they are.
    proven_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionSummary:
    """A session as its owner sees it."""

    token_hash: str
    started_at: datetime
    seen_at: datetime
    address: str
    agent: str


@dataclass(frozen=True, slots=True)
class FailureCount:
    """How many sign-ins failed lately, and when the last one did."""

    count: int
    last_at: datetime | None


def open_session(
    conn: Connection,
    *,
    token_hash: str,
    person_id: int,
    now: datetime,
    address: str,
    agent: str,
    proven_at: datetime | None,
) -> None:
    """Begin a session; *proven_at* is when its owner proved who they are."""
    conn.execute(
        insert(WebSession).values(
            token_hash=token_hash,
            person_id=person_id,
            started_at=now,
            seen_at=now,
            address=address,
            agent=agent,
            proven_at=proven_at,
        )
    )


def find_session(conn: Connection, token_hash: str) -> SessionRecord | None:
    """The session of an active person."""
    row = conn.execute(
        select(
            WebSession.token_hash,
            WebSession.started_at,
            WebSession.seen_at,
            WebSession.proven_at,
            SecondFactor.confirmed_at,
            *PERSON,
        )
        .join(Person, Person.id == WebSession.person_id)
        .outerjoin(SecondFactor, SecondFactor.person_id == Person.id)
        .where(WebSession.token_hash == token_hash, Person.active)
    ).first()
    if row is None:
        return None
    return SessionRecord(
        token_hash=row.token_hash,
        person=record_of(row),
        started_at=row.started_at,
        seen_at=row.seen_at,
        second_factor=row.confirmed_at is not None,
        proven_at=row.proven_at,
    )


def sessions_of(
    conn: Connection, person_id: int, *, seen_since: datetime, started_since: datetime
) -> list[SessionSummary]:
    """The sessions of a person that are not over, the one used last first."""
    statement = (
        select(WebSession.token_hash, WebSession.started_at, WebSession.seen_at, WebSession.address, WebSession.agent)
        .where(
            WebSession.person_id == person_id,
            WebSession.seen_at >= seen_since,
            WebSession.started_at >= started_since,
        )
        .order_by(WebSession.seen_at.desc(), WebSession.started_at.desc())
    )
    return [SessionSummary(**row._mapping) for row in conn.execute(statement)]


def touch_session(conn: Connection, token_hash: str, now: datetime) -> None:
    """Note that the session was used."""
    conn.execute(update(WebSession).where(WebSession.token_hash == token_hash).values(seen_at=now))


def prove_session(conn: Connection, token_hash: str, now: datetime) -> None:
    """Note that the session's owner proved who they are."""
    conn.execute(update(WebSession).where(WebSession.token_hash == token_hash).values(proven_at=now))


def close_session(conn: Connection, token_hash: str) -> None:
    """End a session."""
    conn.execute(delete(WebSession).where(WebSession.token_hash == token_hash))


def close_sessions_of(conn: Connection, person_id: int, *, but: str = "") -> int:
    """End every session of a person but one; returns how many."""
    statement = delete(WebSession).where(WebSession.person_id == person_id, WebSession.token_hash != but)
    return conn.execute(statement).rowcount


def drop_old(conn: Connection, *, seen_before: datetime, started_before: datetime, failed_before: datetime) -> None:
    """Delete expired sessions and failures."""
    conn.execute(
        delete(WebSession).where((WebSession.seen_at < seen_before) | (WebSession.started_at < started_before))
    )
    conn.execute(delete(SignInFailure).where(SignInFailure.at < failed_before))


def lock_sign_in(conn: Connection, *, name: str, address: str) -> None:
    """Lock the failures of that name and from that address until this transaction ends.

    Two advisory locks, taken in the order of their numbers so that no two transactions deadlock. Other names and addresses
    are not blocked.
    """
    numbers = {
        int.from_bytes(hashlib.sha256(f"{kind} {value}".encode("utf-8", "surrogatepass")).digest()[:8], signed=True)
        for kind, value in (("sign-in name", name), ("sign-in address", address))
    }
    for number in sorted(numbers):
        conn.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": number})


def record_failure(conn: Connection, *, name: str, address: str, now: datetime) -> int:
    """Record a failed sign-in; returns the row's number."""
    row = insert(SignInFailure).values(name=name, address=address, at=now).returning(SignInFailure.id)
    number: int = conn.execute(row).scalar_one()
    return number


def drop_failure(conn: Connection, number: int) -> None:
    """Delete a failure that was recorded before the password was verified, which was right."""
    conn.execute(delete(SignInFailure).where(SignInFailure.id == number))


def failures(conn: Connection, since: datetime, *, name: str | None = None, address: str | None = None) -> FailureCount:
    """Sign-ins that failed since a time, with that name, from that address, or both."""
    statement = select(func.count().label("count"), func.max(SignInFailure.at).label("last_at"))
    statement = statement.where(SignInFailure.at >= since)
    if name is not None:
        statement = statement.where(SignInFailure.name == name)
    if address is not None:
        statement = statement.where(SignInFailure.address == address)
    row = conn.execute(statement).one()
    return FailureCount(row[0], row[1])


def clear_failures(conn: Connection, *, name: str, address: str) -> None:
    """Delete the failures of a name from an address: the right password was given."""
    conn.execute(delete(SignInFailure).where(SignInFailure.name == name, SignInFailure.address == address))
