"""A second factor for local accounts: one-time codes from a phone (RFC 6238), and recovery codes.

Set up by the person: a key is made, shown once, and confirmed with a code; from then on sign-in asks for one. Keys are sealed
and recovery codes hashed with keys made from the installation's secret, so that nobody makes codes from a copy of the
database alone.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import math
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

import pyotp
import structlog
from cryptography.fernet import Fernet, InvalidToken
from pyotp.exceptions import OTPVerificationError
from sqlalchemy import Connection, Engine

from service.errors import InputError
from service.jobs.accounts import people
from service.jobs.accounts.people import SignedIn, TurnedAway
from service.storage.accounts import audit, second_factors, sessions
from service.storage.accounts.people import PersonRecord
from service.storage.accounts.second_factors import SecondFactorRecord
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)

#: From the right password to the right code.
HALF_WAY = timedelta(minutes=5)
#: A key that was shown and not confirmed by then is not shown again.
SETTING_UP = timedelta(hours=1)
#: A phone's clock may be off by so many time steps of 30 s (RFC 6238, section 5.2: at most one for the network's delay).
DRIFT = 1
RECOVERY_CODES = 10
#: Without what is mistaken for something else. Twelve of 31 are 59 bits; only whoever has the secret can test guesses.
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
_RECOVERY_LENGTH, _GROUP = 12, 4


class FactorKeys:
    """Seals what is stored.

    >>> keys = FactorKeys(b"a secret of at least 32 characters")
    >>> keys.opened(keys.sealed("JBSWY3DPEHPK3PXP"))
    'JBSWY3DPEHPK3PXP'
    """

    def __init__(self, secret: bytes) -> None:
        made = hmac.new(secret, b"second factor", hashlib.sha256).digest()
        self._seal = Fernet(base64.urlsafe_b64encode(made))
        self._hash_key = hmac.new(secret, b"recovery code", hashlib.sha256).digest()

    def sealed(self, key: str) -> str:
        """A key as it is stored."""
        return self._seal.encrypt(key.encode("ascii")).decode("ascii")

    def opened(self, sealed: str) -> str:
        """The key that was sealed.

        Raises
        ------
        InputError
            it was sealed with another secret: the installation's own was lost, or differs between nodes.
        """
        try:
            return self._seal.decrypt(sealed.encode("ascii")).decode("ascii")
        except InvalidToken:
            log.error("second factor unreadable", problem="it was made under another UNDERWEIR_SECRET_KEY")
            raise InputError(
                "this second factor was set up under another secret key of the service and cannot be read any more; "
                "an administrator can take it off"
            ) from None

    def hashed(self, person_id: int, code: str) -> str:
        """A recovery code as it is stored."""
        return hmac.new(
            self._hash_key, f"{person_id} {code}".encode("utf-8", "surrogatepass"), hashlib.sha256
        ).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFactorStatus:
    """How it stands with somebody's second factor."""

    #: Whether they sign in with a password here; who comes from an identity provider gives a code there.
    offered: bool
    since: datetime | None = None
    codes_left: int = 0


def standing(engine: Engine, person: PersonRecord) -> SecondFactorStatus:
    """How it stands with somebody's second factor."""
    with transaction(engine) as conn:
        factor = second_factors.find(conn, person.id)
        return SecondFactorStatus(
            offered=person.password_set_at is not None,
            since=None if factor is None else factor.confirmed_at,
            codes_left=second_factors.codes_left(conn, person.id),
        )


def begin(engine: Engine, keys: FactorKeys, person: PersonRecord, now: datetime) -> None:
    """Make a key for somebody; it replaces one that was not confirmed.

    Raises
    ------
    InputError
        there is a second factor already, or no password it could follow.
    """
    if person.password_set_at is None:
        raise InputError("you sign in at the identity provider; a second factor is set up there")
    with transaction(engine) as conn:
        factor = second_factors.find(conn, person.id)
        if factor is not None and factor.confirmed_at is not None:
            raise InputError("a second factor is on already; switch it off to set up another one")
        second_factors.begin(conn, person.id, keys.sealed(pyotp.random_base32()), now)


def pending(engine: Engine, keys: FactorKeys, person: PersonRecord, now: datetime) -> str | None:
    """The key somebody is setting up, in base 32; None when there is none or too much time went by."""
    with transaction(engine) as conn:
        factor = second_factors.find(conn, person.id)
    if factor is None or factor.confirmed_at is not None or now - factor.begun_at > SETTING_UP:
        return None
    return keys.opened(factor.sealed_key)


def address_of(key: str, name: str, plant: str) -> str:
    """What a phone's app reads from the QR code."""
    return pyotp.TOTP(key).provisioning_uri(name=name, issuer_name=f"Underweir {plant}".replace(":", " "))


def confirm(engine: Engine, keys: FactorKeys, person: PersonRecord, code: str, now: datetime) -> list[str]:
    """Switch it on, given a code that proves the phone has the key; returns the recovery codes, told this once.

    Raises
    ------
    InputError
        the code is wrong, or there is nothing to confirm.
    """
    key = pending(engine, keys, person, now)
    if key is None:
        raise InputError("that took too long, or was finished elsewhere; begin again")
    step = _step(key, _clean(code), now)
    if step is None:
        raise InputError(
            "that code is not right; type the one the phone shows now, and let the phone set its clock by the network"
        )
    made = ["".join(secrets.choice(_LETTERS) for _ in range(_RECOVERY_LENGTH)) for _ in range(RECOVERY_CODES)]
    with transaction(engine) as conn:
        if not second_factors.confirm(conn, person.id, step, [keys.hashed(person.id, one) for one in made], now):
            raise InputError("a second factor is on already")
        audit.record_change(conn, at=now, actor=person.name, action="second factor switched on", subject=person.name)
    return ["-".join(re.findall(f".{{{_GROUP}}}", one)) for one in made]


def sign_in(
    engine: Engine,
    keys: FactorKeys,
    name: str,
    code: str,
    *,
    proven_at: datetime,
    address: str,
    agent: str,
    now: datetime,
) -> SignedIn | TurnedAway:
    """Look at the code of somebody whose password was right at *proven_at*; wrong codes wait like wrong passwords.

    Raises
    ------
    InputError
        they have to begin again with the password, or the second factor cannot be read.
    """
    with transaction(engine) as conn:
        person = people.person_of(conn, name)
        # One at a time: of many guesses sent at once each counts before the next is looked at.
        factor = second_factors.find(conn, person.id, hold=True)
        wait = people.wait_of(conn, name, address, now)
        if wait > timedelta(0):
            return TurnedAway(wait)
        changed = person.password_set_at is None or person.password_set_at > proven_at
        if factor is None or factor.confirmed_at is None or changed or not person.active or now - proven_at > HALF_WAY:
            raise InputError("that took too long, or something changed; begin again with the password")
        if not _spent(conn, keys, person, factor, code, address, now):
            people.record_failure(conn, name, address, now)
            return TurnedAway()
        sessions.clear_failures(conn, name=name, address=address)
        return people.open_session(
            conn, person, address=address, agent=agent, now=now, detail={"by": "password and code"}
        )


def switch_off(
    engine: Engine, keys: FactorKeys, person: PersonRecord, code: str, *, address: str, now: datetime
) -> None:
    """Take somebody's own second factor off, given a code; ask for the password first.

    Raises
    ------
    InputError
        the code is wrong or was used, or too many were.
    """
    with transaction(engine) as conn:
        wrong = _wrong(conn, keys, person, code, address, now)
        if not wrong:
            second_factors.remove(conn, person.id)
            audit.record_change(
                conn, at=now, actor=person.name, action="second factor switched off", subject=person.name
            )
    if wrong:  # after the failure was stored
        raise InputError(wrong)


def prove(
    engine: Engine, keys: FactorKeys, person: PersonRecord, session: str, given: str, *, address: str, now: datetime
) -> None:
    """See by a code, or by the password where no second factor is on, that it is its owner who holds a session.

    Parameters
    ----------
    session : the session's secret, in which the proof counts for :data:`service.jobs.accounts.people.PROVEN_FOR`.

    Raises
    ------
    InputError
        what was given is wrong, too much was, or they sign in at the identity provider, where they do it again.
    """
    with transaction(engine) as conn:
        factor = second_factors.find(conn, person.id)
    if factor is not None and factor.confirmed_at is not None:
        with transaction(engine) as conn:
            wrong = _wrong(conn, keys, person, given, address, now)
        if wrong:
            raise InputError(wrong)
    elif person.password_set_at is None:
        raise InputError("this account has no password here; sign in again at the identity provider")
    else:
        people.prove_password(engine, person.name, given, address=address, now=now)
    people.keep_proof(engine, session, now)
    log.info("proved who they are", person=person.name, address=address)


def take_off(engine: Engine, name: str, *, now: datetime, actor: str) -> None:
    """Take the second factor off somebody who lost the phone; their sessions end, as one may be on it.

    Raises
    ------
    InputError
        there is nobody of that name, or they have none.
    """
    with transaction(engine) as conn:
        person = people.person_of(conn, name)
        if not second_factors.remove(conn, person.id):
            raise InputError(f"{person.name} has no second factor")
        sessions.close_sessions_of(conn, person.id)
        audit.record_change(conn, at=now, actor=actor, action="second factor taken off", subject=person.name)


def _wrong(conn: Connection, keys: FactorKeys, person: PersonRecord, code: str, address: str, now: datetime) -> str:
    """What is wrong with a code, which is then noted; empty where it is right, and spent."""
    factor = second_factors.find(conn, person.id, hold=True)
    if factor is None or factor.confirmed_at is None:
        return "no second factor is on"
    wait = people.wait_of(conn, person.name, address, now)
    if wait > timedelta(0):
        return f"too many tries; wait {math.ceil(wait.total_seconds())} s, then try again"
    if _spent(conn, keys, person, factor, code, address, now):
        return ""
    people.record_failure(conn, person.name, address, now)
    return "that code is wrong or was used already; wait for the next one"


def _spent(
    conn: Connection,
    keys: FactorKeys,
    person: PersonRecord,
    factor: SecondFactorRecord,
    code: str,
    address: str,
    now: datetime,
) -> bool:
    """Whether the code is right and counts for the first time."""
    typed = _clean(code)
    if len(typed) != _RECOVERY_LENGTH:
        step = _step(keys.opened(factor.sealed_key), typed, now)
        fresh = step is not None and second_factors.spend_step(conn, person.id, step)
        if step is not None and not fresh:
            # Somebody may look over a shoulder, or between phone and server.
            audit.record_change(
                conn, at=now, actor="sign-in", action="one-time code used again", subject=person.name, address=address
            )
        return fresh
    if not second_factors.spend_recovery_code(conn, person.id, keys.hashed(person.id, typed), now):
        return False
    left = second_factors.codes_left(conn, person.id)
    audit.record_change(
        conn, at=now, actor=person.name, action="recovery code used", subject=person.name, detail={"left": left}
    )
    return True


def _step(key: str, typed: str, now: datetime) -> int | None:
    """The time step whose code that is, near now."""
    if re.fullmatch("[0-9]{6}", typed) is None:
        return None
    try:
        return pyotp.TOTP(key).verify_and_get_timecode(typed, for_time=now, valid_window=DRIFT)
    except OTPVerificationError:
        return None


def _clean(code: str) -> str:
    """People copy codes in groups, and write recovery codes down in capitals."""
    return re.sub(r"[\s-]", "", code).lower()
