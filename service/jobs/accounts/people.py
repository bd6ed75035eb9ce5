"""Accounts of people: passwords, sessions, tokens, and throttled sign-in.

Passwords are hashed with Argon2id; session and token secrets are random, so that a plain hash of them is enough. A name
nobody has takes as long to refuse as a wrong password.
"""

from __future__ import annotations

import hashlib
import math
import re
import secrets
import threading
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import structlog
from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Connection, Engine

from service.calls.contact import is_mail_address
from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.jobs.accounts import password as password_rules
from service.storage.accounts import api_tokens, audit, people, second_factors, sessions
from service.storage.accounts.people import PersonRecord
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)

#: A session not used for so long, or so old, is over. Long enough for a shift, so that nobody signs in on a walkway.
IDLE, LONGEST = timedelta(hours=14), timedelta(days=7)
#: Failures count for so long.
REMEMBER_FAILURES = timedelta(minutes=30)
#: So many failures of a name from one address, of an address, and of a name from anywhere, cost nothing.
FREE_TRIES, FREE_TRIES_ADDRESS, FREE_TRIES_NAME = 4, 20, 40
LONGEST_WAIT = timedelta(minutes=5)
#: A password, a code or a fresh sign-in counts so long as proof of who somebody is, in the session it was given in.
PROVEN_FOR = timedelta(minutes=5)
#: A token is good for no longer than this, unless the settings say less or more; one that answers alarms never for longer than that:
#: it can keep a call from being made.
LONGEST_TOKEN, LONGEST_ALARM_TOKEN = timedelta(days=365), timedelta(days=90)
#: What is longer cannot be anybody's password, and is not worth hashing; those of an earlier version may have up to this. [characters]
LONGEST_TRIED = 256

TOKEN_PREFIX = "uw_"

_hasher = PasswordHasher()
#: Each hash takes 64 MiB for a moment: a crowd at the door must not take all memory.
_hashing = threading.BoundedSemaphore(2)
#: So much of a session's hash tells one's own apart. [characters]
_KEY = 16
_NAME = re.compile(r"[a-z0-9][a-z0-9._@-]{0,63}")


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedIn:
    """The secret for the cookie, and whose it is."""

    secret: str
    person: PersonRecord
    #: Their password is one that guessers try early, by lists that are newer than it.
    weak: bool = False


@dataclass(frozen=True, slots=True)
class CodeNeeded:
    """The password is right; the code of their second factor is still to be given."""

    person: PersonRecord
    weak: bool = False


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """Not let in. ``wait`` is how long until another try is looked at."""

    wait: timedelta = timedelta(0)


def add(
    engine: Engine,
    *,
    name: str,
    label: str,
    role: Role,
    password: str | None,
    now: datetime,
    actor: str,
    email: str = "",
) -> PersonRecord:
    """Let somebody new in.

    Raises
    ------
    InputError
        the name is taken or cannot be a name, the address cannot be one, or the password is too weak or one that many
        people use.
    """
    clean = clean_name(name)
    if not _NAME.fullmatch(clean):
        raise InputError(f"{name!r} cannot be a sign-in name; use letters, digits, - _ . @, at most 64")
    address = _mail_address(email)
    hashed = None if password is None else _hash(password_rules.checked(password, clean, label))
    with transaction(engine) as conn:
        people.add_person(
            conn,
            name=clean,
            label=label.strip() or clean,
            role=role,
            password_hash=hashed,
            password_rules=password_rules.rules(),
            now=now,
            email=address,
        )
        audit.record_change(conn, at=now, actor=actor, action="person added", subject=clean, detail={"role": role})
        found = people.find_person(conn, clean)
    assert found is not None
    return found


def change_password(
    engine: Engine, name: str, password: str, *, now: datetime, actor: str, keep_session: str = ""
) -> None:
    """Give somebody a new password; their tokens end, and their sessions, but for the one of that secret."""
    with transaction(engine) as conn:
        person = person_of(conn, name)
    hashed = _hash(password_rules.checked(password, person.name, person.label))
    with transaction(engine) as conn:
        people.set_password(conn, person.id, hashed, password_rules.rules(), now)
        sessions.close_sessions_of(conn, person.id, but=hash_secret(keep_session) if keep_session else "")
        api_tokens.revoke_tokens_of(conn, person.id, now)
        audit.record_change(conn, at=now, actor=actor, action="password changed", subject=person.name)


def change_email(engine: Engine, name: str, email: str, *, now: datetime, actor: str) -> None:
    """Give somebody another address for what concerns their account; none where it is empty.

    Raises
    ------
    InputError
        it cannot be an address.
    """
    address = _mail_address(email)
    with transaction(engine) as conn:
        person = person_of(conn, name)
        if person.email == address:
            return
        people.set_email(conn, person.id, address)
        audit.record_change(
            conn,
            at=now,
            actor=actor,
            action="e-mail address changed",
            subject=person.name,
            detail={"from": person.email or "", "to": address or ""},
        )


def change_role(engine: Engine, name: str, role: Role, *, now: datetime, actor: str) -> None:
    """Give somebody another role; it counts at once. Their tokens end with a role they lose."""
    with transaction(engine) as conn:
        person = person_of(conn, name)
        if person.role is Role.ADMINISTRATOR and role is not Role.ADMINISTRATOR:
            _keep_an_administrator(conn, person)
        people.set_role(conn, person.id, role)
        if not role.includes(person.role):
            api_tokens.revoke_tokens_of(conn, person.id, now)
        audit.record_change(
            conn,
            at=now,
            actor=actor,
            action="role changed",
            subject=person.name,
            detail={"from": person.role, "to": role},
        )


def switch(engine: Engine, name: str, active: bool, *, now: datetime, actor: str) -> None:
    """Switch somebody off (their sessions and tokens end at once and for good), or on again."""
    with transaction(engine) as conn:
        person = person_of(conn, name)
        if not active:
            _keep_an_administrator(conn, person)
            sessions.close_sessions_of(conn, person.id)
            api_tokens.revoke_tokens_of(conn, person.id, now)
        people.set_active(conn, person.id, active)
        action = "person switched on" if active else "person switched off"
        audit.record_change(conn, at=now, actor=actor, action=action, subject=person.name)


def issue_token(
    engine: Engine,
    name: str,
    *,
    purpose: str,
    scopes: Iterable[Scope],
    now: datetime,
    actor: str,
    expires_at: datetime | None = None,
    longest: timedelta = LONGEST_TOKEN,
) -> str:
    """Make a token for a program that acts for somebody; the secret is told once and never again.

    Parameters
    ----------
    expires_at : when it ends; as late as may be if None.
    longest : how long a token may be good for at most.

    Raises
    ------
    InputError
        it has no scope or purpose, or would be good for longer.
    """
    given = frozenset(scopes)
    longest = min(longest, LONGEST_ALARM_TOKEN) if Scope.ALARMS in given else longest
    if expires_at is not None and expires_at - now > longest:
        answers = " that may answer alarms" if Scope.ALARMS in given else ""
        raise InputError(f"a token{answers} is good for at most {longest.days} days; make it for fewer")
    if not given:
        raise InputError(f"a token needs at least one scope: {', '.join(Scope)}")
    if not purpose.strip():
        raise InputError("say what the token is for")
    secret = TOKEN_PREFIX + secrets.token_urlsafe(32)
    with transaction(engine) as conn:
        person = person_of(conn, name)
        token_id = api_tokens.add_token(
            conn,
            name=purpose.strip(),
            person_id=person.id,
            token_hash=hash_secret(secret),
            scopes=given,
            now=now,
            expires_at=now + longest if expires_at is None else expires_at,
        )
        detail = {"token": token_id, "for": purpose.strip(), "scopes": sorted(given)}
        audit.record_change(conn, at=now, actor=actor, action="token made", subject=person.name, detail=detail)
    return secret


def revoke_token(engine: Engine, token_id: int, *, now: datetime, actor: str) -> None:
    """Take a token back."""
    with transaction(engine) as conn:
        if not api_tokens.revoke_token(conn, token_id, now):
            raise InputError(f"there is no token {token_id} that could be taken back")
        audit.record_change(conn, at=now, actor=actor, action="token taken back", subject=str(token_id))


def sign_in(
    engine: Engine,
    name: str,
    password: str,
    *,
    address: str,
    agent: str,
    now: datetime,
) -> SignedIn | CodeNeeded | TurnedAway:
    """Look at a name and password. After some failures each further try has to wait, longer every time."""
    clean = clean_name(name)[:64]
    guess = _guess(engine, clean, address, now)
    if isinstance(guess, timedelta):
        return TurnedAway(guess)
    with transaction(engine) as conn:
        known = people.password_of(conn, clean)
    right = _verify(known[1] if known is not None else _nobodys_hash(), password)
    if known is None or not right:
        log.warning("sign-in failed", address=address)
        return TurnedAway()
    person, stored = known
    rehashed = _hash(password) if _hasher.check_needs_rehash(stored) else ""
    weak = _found_weak(engine, person, password, address=address, now=now)
    with transaction(engine) as conn:
        sessions.drop_old(
            conn, seen_before=now - IDLE, started_before=now - LONGEST, failed_before=now - REMEMBER_FAILURES
        )
        sessions.drop_failure(conn, guess)
        still = people.password_of(conn, clean)
        if still is None or still[1] != stored:  # changed, or switched off, while it was looked at
            return TurnedAway()
        if rehashed:
            people.set_hash(conn, person.id, rehashed)
        factor = second_factors.find(conn, person.id)
        if factor is not None and factor.confirmed_at is not None:
            # Failures are forgiven with the right code: else the password would buy a guesser of codes ever new tries.
            return CodeNeeded(person, weak)
        sessions.clear_failures(conn, name=clean, address=address)
        return replace(open_session(conn, person, address=address, agent=agent, now=now), weak=weak)


def _found_weak(engine: Engine, person: PersonRecord, password: str, *, address: str, now: datetime) -> bool:
    """Whether a right password is one that would be refused today; looked at only where the lists are not those it met already."""
    rules = password_rules.rules()
    with transaction(engine) as conn:
        if people.password_rules_of(conn, person.id) == rules:
            return False
    try:
        password_rules.checked(password, person.name, person.label)
    except InputError:
        with transaction(engine) as conn:
            audit.record_change(
                conn, at=now, actor=person.name, action="weak password used", subject=person.name, address=address
            )
        return True
    with transaction(engine) as conn:
        people.set_password_rules(conn, person.id, rules)
    return False


def note_new_browser(engine: Engine, person: PersonRecord, *, address: str, agent: str, now: datetime) -> None:
    """Note that somebody signed in with a browser that was not used for it before; its owner is told."""
    with transaction(engine) as conn:
        audit.record_change(
            conn,
            at=now,
            actor=person.name,
            action="new browser used",
            subject=person.name,
            detail={"browser": agent[:200]},
            address=address,
        )


def open_session(
    conn: Connection,
    person: PersonRecord,
    *,
    address: str,
    agent: str,
    now: datetime,
    detail: dict[str, str] | None = None,
    proven: bool = True,
) -> SignedIn:
    """Open a session for somebody; *detail* says how, for the audit log, and *proven* whether they just proved who they are."""
    secret = secrets.token_urlsafe(32)
    sessions.open_session(
        conn,
        token_hash=hash_secret(secret),
        person_id=person.id,
        now=now,
        address=address,
        agent=agent[:200],
        proven_at=now if proven else None,
    )
    audit.record_change(
        conn, at=now, actor=person.name, action="signed in", subject=person.name, detail=detail, address=address
    )
    return SignedIn(secret=secret, person=person)


def sign_in_guest(engine: Engine, person: PersonRecord, *, address: str, agent: str, now: datetime) -> SignedIn:
    """Open a session without a password; for the demo, which knows who sits in front of it."""
    secret = secrets.token_urlsafe(32)
    with transaction(engine) as conn:
        sessions.open_session(
            conn,
            token_hash=hash_secret(secret),
            person_id=person.id,
            now=now,
            address=address,
            agent=agent[:200],
            proven_at=None,
        )
    return SignedIn(secret=secret, person=person)


def session_of(engine: Engine, secret: str, now: datetime) -> sessions.SessionRecord | None:
    """The session of that secret; None when it is nobody's or over."""
    hashed = hash_secret(secret)
    with transaction(engine) as conn:
        found = sessions.find_session(conn, hashed)
        if found is None or now - found.seen_at > IDLE or now - found.started_at > LONGEST:
            return None
        if now - found.seen_at > timedelta(minutes=1):
            sessions.touch_session(conn, hashed, now)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedInAt:
    """Where somebody is signed in. ``key`` names the session among their own, and opens nothing."""

    key: str
    stay: sessions.SessionSummary
    here: bool


def signed_in_at(engine: Engine, person: PersonRecord, secret: str, now: datetime) -> list[SignedInAt]:
    """Where somebody is signed in; *secret* is that of the session they look with."""
    with transaction(engine) as conn:
        found = sessions.sessions_of(conn, person.id, seen_since=now - IDLE, started_since=now - LONGEST)
    here = hash_secret(secret)
    return [SignedInAt(key=one.token_hash[:_KEY], stay=one, here=one.token_hash == here) for one in found]


def sign_out_at(engine: Engine, person: PersonRecord, keys: Iterable[str], *, address: str, now: datetime) -> int:
    """End sessions of somebody's own; returns how many."""
    wanted = set(keys)
    with transaction(engine) as conn:
        found = sessions.sessions_of(conn, person.id, seen_since=now - IDLE, started_since=now - LONGEST)
        ended = [one for one in found if one.token_hash[:_KEY] in wanted]
        for one in ended:
            sessions.close_session(conn, one.token_hash)
        if ended:
            audit.record_change(
                conn,
                at=now,
                actor=person.name,
                action="signed out elsewhere",
                subject=person.name,
                detail={"sessions": len(ended)},
                address=address,
            )
    return len(ended)


def token_of(engine: Engine, secret: str, now: datetime) -> api_tokens.TokenRecord | None:
    """The valid token of that secret."""
    if not secret.startswith(TOKEN_PREFIX):
        return None
    with transaction(engine) as conn:
        found = api_tokens.find_token(conn, hash_secret(secret))
        if found is None or not found.valid(now):
            return None
        if found.last_used_at is None or now - found.last_used_at > timedelta(minutes=1):
            api_tokens.use_token(conn, found.id, now)
        return found


def sign_out(engine: Engine, secret: str) -> None:
    """End a session."""
    with transaction(engine) as conn:
        sessions.close_session(conn, hash_secret(secret))


def prove_password(engine: Engine, name: str, password: str, *, address: str, now: datetime) -> None:
    """See that it is somebody's password, before what guards their account is changed; guessing is slowed as at sign-in.

    Raises
    ------
    InputError
        it is not, or too many tries were wrong.
    """
    guess = _guess(engine, name, address, now)
    if isinstance(guess, timedelta):
        raise InputError(f"too many tries; wait {math.ceil(guess.total_seconds())} s, then try again")
    with transaction(engine) as conn:
        known = people.password_of(conn, name)
    if known is None or not _verify(known[1], password):
        log.warning("sign-in failed", address=address)
        raise InputError("the password you have now was typed wrong; nothing is changed")
    with transaction(engine) as conn:
        sessions.drop_failure(conn, guess)


def keep_proof(engine: Engine, session: str, now: datetime) -> None:
    """Note in a session that its owner has just proved who they are."""
    with transaction(engine) as conn:
        sessions.prove_session(conn, hash_secret(session), now)


def is_proven(session: sessions.SessionRecord, now: datetime) -> bool:
    """Whether the session's owner proved who they are a moment ago: what guards accounts asks for it."""
    return session.proven_at is not None and now - session.proven_at <= PROVEN_FOR


def person_of(conn: Connection, name: str) -> PersonRecord:
    """The person of that name.

    Raises
    ------
    InputError
        when there is none.
    """
    found = people.find_person(conn, clean_name(name))
    if found is None:
        raise InputError(f"there is nobody called {name!r}")
    return found


def clean_name(name: str) -> str:
    """A sign-in name as it is kept: people type capitals and spaces without meaning them."""
    return unicodedata.normalize("NFKC", name).strip().lower()


def hash_secret(secret: str) -> str:
    """The hash a random secret is kept by."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def _guess(engine: Engine, name: str, address: str, now: datetime) -> timedelta | int:
    """Whether a guess is looked at: how long it has to wait, or the number of the failure it counts as until it is right.

    Counted before it is looked at, and in one transaction with the question whether it may be: of many guesses sent at once no more
    are looked at than of as many sent one after the other, and no lock is held while a password is hashed.
    """
    with transaction(engine) as conn:
        wait = wait_of(conn, name, address, now)
        if wait <= timedelta(0):
            return sessions.record_failure(conn, name=name, address=address, now=now)
    log.warning("sign-in has to wait", address=address)
    return wait


def record_failure(conn: Connection, name: str, address: str, now: datetime) -> None:
    """Note a wrong code; it slows down the next try."""
    sessions.record_failure(conn, name=name, address=address, now=now)
    log.warning("sign-in failed", address=address)


def wait_of(conn: Connection, name: str, address: str, now: datetime) -> timedelta:
    """How long the next try has to wait; nothing or less when it is looked at now.

    Nobody else counts or notes failures of that name or address until the transaction ends.
    """
    sessions.lock_sign_in(conn, name=name, address=address)
    since = now - REMEMBER_FAILURES
    looked_at = (
        (sessions.failures(conn, since, name=name, address=address), FREE_TRIES),
        (sessions.failures(conn, since, address=address), FREE_TRIES_ADDRESS),
        (sessions.failures(conn, since, name=name), FREE_TRIES_NAME),
    )
    longest = timedelta(0)
    for found, free in looked_at:
        over = found.count - free
        if over >= 0 and found.last_at is not None:
            longest = max(longest, found.last_at + pause_after(over) - now)
    return longest


def pause_after(over: int) -> timedelta:
    """How long the next try waits after so many failures beyond those that cost nothing.

    >>> [int(pause_after(over).total_seconds()) for over in (0, 1, 2, 7, 40)]
    [2, 4, 8, 256, 300]
    """
    return min(timedelta(seconds=2.0 ** min(over + 1, 12)), LONGEST_WAIT)


def _keep_an_administrator(conn: Connection, person: PersonRecord) -> None:
    others = [p for p in people.people(conn) if p.active and p.role is Role.ADMINISTRATOR and p.id != person.id]
    if person.role is Role.ADMINISTRATOR and not others:
        raise InputError(f"{person.name} is the last administrator; make another one first")


def _mail_address(email: str) -> str | None:
    clean = email.strip()
    if clean and not is_mail_address(clean):
        raise InputError(f"{clean!r} is not an e-mail address; write one such as night@example.org")
    return clean or None


def _normal(password: str) -> str:
    return unicodedata.normalize("NFKC", password)


def _hash(password: str) -> str:
    with _hashing:
        return _hasher.hash(_normal(password))


def _verify(stored: str, password: str) -> bool:
    if len(password) > LONGEST_TRIED:
        password = ""
    with _hashing:
        try:
            return _hasher.verify(stored, _normal(password))
        except (VerificationError, InvalidHashError):
            return False


_nobody: list[str] = []


def _nobodys_hash() -> str:
    """The hash of a password nobody knows: to refuse an unknown name takes as long as a wrong password."""
    if not _nobody:
        _nobody.append(_hash(secrets.token_urlsafe(32)))
    return _nobody[0]
