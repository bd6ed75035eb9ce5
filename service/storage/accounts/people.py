"""People who may sign in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select, update
from sqlalchemy.dialects.postgresql import insert

from service.domain.plant.role import Role
from service.errors import InputError
from service.storage.database.tables import Person


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonRecord:
    """Somebody known to the service. ``name`` is what they sign in with, ``label`` what others read."""

    id: int
    name: str
    label: str
    role: Role
    active: bool
    created_at: datetime
    password_set_at: datetime | None
    #: Where they are told of changes to their account.
    email: str | None


def add_person(
    conn: Connection,
    *,
    name: str,
    label: str,
    role: Role,
    password_hash: str | None,
    now: datetime,
    password_rules: str | None = None,
    subject: str | None = None,
    email: str | None = None,
) -> int:
    """Store a new person and return the row number; *subject* is who they are at the identity provider, *password_rules* what the
    password was held against.

    Raises
    ------
    InputError
        the name is taken.
    """
    row = insert(Person).values(
        name=name,
        label=label,
        role=role.value,
        subject=subject,
        email=email,
        password_hash=password_hash,
        password_rules=password_rules,
        created_at=now,
        password_set_at=None if password_hash is None else now,
    )
    made = conn.execute(row.on_conflict_do_nothing(index_elements=[Person.name]).returning(Person.id)).scalar()
    if made is None:
        raise InputError(f"there is somebody called {name!r} already")
    return made


def people(conn: Connection) -> list[PersonRecord]:
    """Everybody, by name; also those switched off."""
    return [record_of(row) for row in conn.execute(select(*PERSON).order_by(Person.name))]


def find_person(conn: Connection, name: str) -> PersonRecord | None:
    """The person of that sign-in name."""
    row = conn.execute(select(*PERSON).where(Person.name == name)).first()
    return None if row is None else record_of(row)


def find_subject(conn: Connection, subject: str) -> PersonRecord | None:
    """The person the identity provider means."""
    row = conn.execute(select(*PERSON).where(Person.subject == subject)).first()
    return None if row is None else record_of(row)


def password_of(conn: Connection, name: str) -> tuple[PersonRecord, str] | None:
    """An active person with the hash of their password; None where there is no such person or no password."""
    row = conn.execute(
        select(*PERSON)
        .add_columns(Person.password_hash)
        .where(Person.name == name, Person.active, Person.password_hash != "")
    ).first()
    return None if row is None else (record_of(row), row.password_hash)


def set_password(conn: Connection, person_id: int, password_hash: str, rules: str, now: datetime) -> None:
    """Put a new password, held against those rules, in the place of the old one."""
    given = {"password_hash": password_hash, "password_rules": rules, "password_set_at": now}
    conn.execute(update(Person).where(Person.id == person_id).values(given))


def set_hash(conn: Connection, person_id: int, password_hash: str) -> None:
    """Store the same password by another hash."""
    conn.execute(update(Person).where(Person.id == person_id).values(password_hash=password_hash))


def password_rules_of(conn: Connection, person_id: int) -> str | None:
    """What somebody's password was held against last."""
    return conn.execute(select(Person.password_rules).where(Person.id == person_id)).scalar_one()


def set_password_rules(conn: Connection, person_id: int, rules: str) -> None:
    """Note what somebody's password was held against, and met."""
    conn.execute(update(Person).where(Person.id == person_id).values(password_rules=rules))


def set_role(conn: Connection, person_id: int, role: Role) -> None:
    """Give a person another role."""
    conn.execute(update(Person).where(Person.id == person_id).values(role=role.value))


def set_email(conn: Connection, person_id: int, email: str | None) -> None:
    """Give a person another address for what concerns their account."""
    conn.execute(update(Person).where(Person.id == person_id).values(email=email))


def set_active(conn: Connection, person_id: int, active: bool) -> None:
    """Switch a person on or off."""
    conn.execute(update(Person).where(Person.id == person_id).values(active=active))


#: What :func:`record_of` needs of a row.
PERSON = (
    Person.id,
    Person.name,
    Person.label,
    Person.role,
    Person.active,
    Person.created_at,
    Person.password_set_at,
    Person.email,
)


def record_of(row: Any) -> PersonRecord:
    """The person in a row that holds the columns of ``PERSON``."""
    return PersonRecord(
        id=row.id,
        name=row.name,
        label=row.label,
        role=Role(row.role),
        active=row.active,
        created_at=row.created_at,
        password_set_at=row.password_set_at,
        email=row.email,
    )
