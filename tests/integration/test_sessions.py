"""Sessions and guesses at the database: who is switched off is out, and a name is guarded wherever the guesses come from."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine

from service.domain.role import Role
from service.jobs import people
from service.storage import people as stored
from service.storage.people import PersonRecord
from service.storage.session import transaction
from tests.alarm_plant import NIGHT

PASSWORD = "six heron marsh lantern"


@pytest.fixture
def person(engine: Engine) -> PersonRecord:
    return people.add(
        engine, name="operator", label="", role=Role.OPERATOR, password=PASSWORD, now=NIGHT, actor="a test"
    )


def test_a_session_opened_while_its_owner_was_being_switched_off_opens_nothing(
    engine: Engine, person: PersonRecord
) -> None:
    """Switching off ends the sessions there are; one that a slow sign-in opens just after must not count either."""
    signed_in = people.sign_in(engine, "operator", PASSWORD, address="192.0.2.1", agent="", now=NIGHT)
    assert isinstance(signed_in, people.SignedIn)
    assert people.session_of(engine, signed_in.secret, NIGHT) is not None
    people.switch(engine, "operator", False, now=NIGHT, actor="a test")
    with transaction(engine) as conn:
        late = people.opened(conn, person, address="192.0.2.1", agent="", now=NIGHT)
    assert people.session_of(engine, late.secret, NIGHT) is None
    assert people.session_of(engine, signed_in.secret, NIGHT) is None


def test_only_what_was_switched_off_is_out(engine: Engine, person: PersonRecord) -> None:
    with transaction(engine) as conn:
        secret = people.opened(conn, person, address="192.0.2.1", agent="", now=NIGHT).secret
        stored.set_active(conn, person.id, False)
    assert people.session_of(engine, secret, NIGHT) is None
    with transaction(engine) as conn:
        stored.set_active(conn, person.id, True)
    assert people.session_of(engine, secret, NIGHT) is not None


def guess(engine: Engine, number: int) -> people.TurnedAway:
    """One wrong guess at the same name, from an address nobody has used."""
    found = people.sign_in(
        engine, "operator", "wrong horse battery", address=f"2001:db8::{number:x}", agent="", now=NIGHT
    )
    assert isinstance(found, people.TurnedAway)
    return found


def test_a_crowd_of_addresses_does_not_get_more_guesses_at_one_name(
    engine: Engine, person: PersonRecord, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OWASP ASVS 4.0.3, 2.2.1: no more than a hundred tries an hour at one account. Forty from anywhere cost nothing."""
    monkeypatch.setattr(people, "_verify", lambda stored, password: password == PASSWORD)  # the hash is not the subject
    for number in range(40):
        assert guess(engine, number).wait == timedelta(0), number
    assert guess(engine, 40).wait > timedelta(0)
    # The right password waits too: else its finder would be told that it is right.
    right = people.sign_in(engine, "operator", PASSWORD, address="2001:db8::ffff", agent="", now=NIGHT)
    assert isinstance(right, people.TurnedAway)
    assert right.wait > timedelta(0)
    # Nobody else is kept waiting, and half an hour later nobody is.
    other = people.sign_in(engine, "nobody", PASSWORD, address="2001:db8::ffff", agent="", now=NIGHT)
    assert other == people.TurnedAway()
    later = NIGHT + timedelta(minutes=31)
    assert isinstance(
        people.sign_in(engine, "operator", PASSWORD, address="192.0.2.1", agent="", now=later), people.SignedIn
    )
