"""Sessions and guesses at the database: who is switched off is out, and a name is guarded wherever the guesses come from."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine

from service.domain.plant.role import Role
from service.jobs.accounts import people
from service.storage.accounts import people as stored
from service.storage.accounts import sessions
from service.storage.accounts.people import PersonRecord
from service.storage.database.session import transaction
from tests.support.alarm_plant import NIGHT

MINUTE = timedelta(minutes=1)
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
        late = people.open_session(conn, person, address="192.0.2.1", agent="", now=NIGHT)
    assert people.session_of(engine, late.secret, NIGHT) is None
    assert people.session_of(engine, signed_in.secret, NIGHT) is None


def test_only_what_was_switched_off_is_out(engine: Engine, person: PersonRecord) -> None:
    with transaction(engine) as conn:
        secret = people.open_session(conn, person, address="192.0.2.1", agent="", now=NIGHT).secret
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


def test_sessions_of_several_people_are_told_apart(engine: Engine, person: PersonRecord) -> None:
    other = people.add(engine, name="other", label="", role=Role.VIEWER, password=PASSWORD, now=NIGHT, actor="a test")
    with transaction(engine) as conn:
        mine, theirs = (
            people.open_session(conn, p, address="192.0.2.1", agent="", now=NIGHT).secret for p in (person, other)
        )
    for secret, name in ((mine, "operator"), (theirs, "other")):
        found = people.session_of(engine, secret, NIGHT)
        assert found is not None
        assert found.person.name == name
    later = NIGHT + timedelta(hours=10)
    assert people.session_of(engine, mine, later) is not None  # which counts as use of this one alone
    with transaction(engine) as conn:
        ever = NIGHT - timedelta(days=1)
        [stay] = sessions.sessions_of(conn, person.id, seen_since=ever, started_since=ever)
        assert (stay.token_hash, stay.started_at, stay.seen_at) == (people.hash_secret(mine), NIGHT, later)
        [stay] = sessions.sessions_of(conn, other.id, seen_since=NIGHT, started_since=NIGHT)
        assert stay.seen_at == NIGHT
        assert sessions.sessions_of(conn, other.id, seen_since=later, started_since=ever) == []
        assert sessions.sessions_of(conn, person.id, seen_since=ever, started_since=later) == []


def test_a_new_password_ends_every_session_but_the_one_it_was_typed_in(engine: Engine, person: PersonRecord) -> None:
    other = people.add(engine, name="other", label="", role=Role.VIEWER, password=PASSWORD, now=NIGHT, actor="a test")
    with transaction(engine) as conn:
        here, lost, theirs = (
            people.open_session(conn, p, address="192.0.2.1", agent="", now=NIGHT).secret
            for p in (person, person, other)
        )
        assert sessions.close_sessions_of(conn, person.id, but=people.hash_secret(here)) == 1
    open_ = [people.session_of(engine, secret, NIGHT) is not None for secret in (here, lost, theirs)]
    assert open_ == [True, False, True]


def test_what_is_over_is_forgotten_and_what_is_not_stays(engine: Engine, person: PersonRecord) -> None:
    def opened(started: timedelta, seen: timedelta) -> str:
        with transaction(engine) as conn:
            secret = people.open_session(conn, person, address="192.0.2.1", agent="", now=NIGHT + started).secret
            sessions.touch_session(conn, people.hash_secret(secret), NIGHT + seen)
        return people.hash_secret(secret)

    hour = timedelta(hours=1)
    kept = opened(-2 * hour, timedelta(0)), opened(-9 * hour, -3 * hour)
    opened(-2 * hour, -3 * hour - MINUTE)  # not used for too long
    opened(-9 * hour - MINUTE, timedelta(0))  # begun too long ago
    with transaction(engine) as conn:
        for ago in (timedelta(0), hour, hour + MINUTE):
            sessions.record_failure(conn, name="operator", address="192.0.2.1", now=NIGHT - ago)
        sessions.record_failure(conn, name="another", address="192.0.2.2", now=NIGHT + hour)
        found = sessions.failures(conn, NIGHT - hour, name="operator", address="192.0.2.1")
        assert (found.count, found.last_at) == (2, NIGHT)
        sessions.drop_old(
            conn, seen_before=NIGHT - 3 * hour, started_before=NIGHT - 9 * hour, failed_before=NIGHT - hour
        )
        left = sessions.sessions_of(conn, person.id, seen_since=NIGHT - 99 * hour, started_since=NIGHT - 99 * hour)
        assert {stay.token_hash for stay in left} == set(kept)
        assert sessions.failures(conn, NIGHT - 99 * hour).count == 3
        sessions.clear_failures(conn, name="operator", address="192.0.2.9")
        sessions.clear_failures(conn, name="another", address="192.0.2.1")
        assert sessions.failures(conn, NIGHT - 99 * hour).count == 3
        sessions.clear_failures(conn, name="operator", address="192.0.2.1")
        assert sessions.failures(conn, NIGHT - 99 * hour).count == 1
