"""Signs people in through the identity provider; their role is the one it reports."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine

from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.accounts import people
from service.jobs.accounts.people import SignedIn
from service.storage.accounts import audit
from service.storage.accounts import people as store
from service.storage.accounts.people import PersonRecord
from service.storage.database.session import transaction

if TYPE_CHECKING:
    from service.identity import VerifiedIdentity

_NOT_IN_NAMES = re.compile(r"[^a-z0-9._@-]+")
ACTOR = "single sign-on"


def let_in(engine: Engine, who: VerifiedIdentity, *, address: str, agent: str, now: datetime) -> SignedIn:
    """Open a session for somebody the provider knows; at the first time they become a person here.

    The session proves who they are only where the provider says that it asked them a moment ago: it may have let them in by a cookie.

    They are known by the provider's lasting subject, never by a name: a name could be that of a local account.

    Raises
    ------
    InputError
        they have no role here, are switched off, or were the last administrator and are one no more.
    """
    if who.role is None:
        raise InputError("you are known, but have no role here: whoever runs the identity provider has to give you one")
    with transaction(engine) as conn:
        person = store.find_subject(conn, who.subject) or _welcome(conn, who, who.role, now)
    if not person.active:
        raise InputError("this account is switched off: ask an administrator")
    if person.role is not who.role:
        people.change_role(engine, person.name, who.role, now=now, actor=ACTOR)
    with transaction(engine) as conn:
        return people.open_session(
            conn, person, address=address, agent=agent, now=now, detail={"by": ACTOR}, proven=asked_lately(who, now)
        )


def asked_lately(who: VerifiedIdentity, now: datetime) -> bool:
    """Whether the provider asked them for their password or the like a moment ago; its clock may be ahead by what is allowed for."""
    return who.authenticated_at is not None and abs(now - who.authenticated_at) <= people.PROVEN_FOR


def _welcome(conn: Connection, who: VerifiedIdentity, role: Role, now: datetime) -> PersonRecord:
    wanted = _NOT_IN_NAMES.sub("-", people.clean_name(who.name)).strip("-._@")[:58] or "person"
    names = [wanted, *(f"{wanted}-{number}" for number in range(2, 1000))]
    name = next(name for name in names if store.find_person(conn, name) is None)
    store.add_person(
        conn,
        name=name,
        label=who.label.strip()[:100] or name,
        role=role,
        password_hash=None,
        now=now,
        subject=who.subject,
    )
    audit.record_change(
        conn, at=now, actor=ACTOR, action="person added", subject=name, detail={"role": role, "by": who.subject}
    )
    found = store.find_person(conn, name)
    assert found is not None
    return found
