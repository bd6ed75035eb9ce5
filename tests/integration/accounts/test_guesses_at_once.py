"""Guesses sent at once are counted like guesses sent one after the other."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pyotp
import pytest
from sqlalchemy import Engine

from service.domain.plant.role import Role
from service.errors import InputError
from service.jobs.accounts import people, second_factor
from service.jobs.accounts.people import CodeNeeded, SignedIn
from service.jobs.accounts.second_factor import FactorKeys
from service.storage.database.session import make_engine, transaction
from tests.support.alarm_plant import NIGHT

PASSWORD, WRONG = "six heron marsh lantern", "wrong horse battery"
GUESSES, CROWD = 100, 24
KEYS = FactorKeys(b"an invented secret of more than 32 bytes")


@pytest.fixture
def looked_at(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The passwords that were really held against a hash."""
    people.add(engine, name="ines", label="", role=Role.OPERATOR, password=PASSWORD, now=NIGHT, actor="x")
    people._nobodys_hash()
    found: list[str] = []
    verify = people._verify

    def counting(stored: str, password: str) -> bool:
        found.append(password)
        return verify(stored, password)

    monkeypatch.setattr(people, "_verify", counting)
    return found


def all_at_once(engine: Engine, guess: Callable[[Engine, int], object], count: int = GUESSES) -> list[object]:
    """Send guesses from so many threads, each on a connection of its own, none before all are there."""
    wide = make_engine(engine.url.render_as_string(hide_password=False), pool_size=CROWD)
    ready = threading.Barrier(CROWD)

    def one(number: int) -> object:
        if number < CROWD:
            ready.wait(120)
        return guess(wide, number)

    try:
        with ThreadPoolExecutor(CROWD) as crowd:
            return list(crowd.map(one, range(count)))
    finally:
        wide.dispose()


def sign_in(engine: Engine, name: str, password: str, address: str) -> object:
    return people.sign_in(engine, name, password, address=address, agent="", now=NIGHT)


def test_of_a_hundred_guesses_at_once_at_one_name_four_are_looked_at(engine: Engine, looked_at: list[str]) -> None:
    came = all_at_once(engine, lambda wide, _: sign_in(wide, "ines", WRONG, "192.0.2.1"))
    assert len(looked_at) == people.FREE_TRIES == 4
    assert not any(isinstance(one, SignedIn | CodeNeeded) for one in came)


def test_of_a_hundred_at_many_names_from_one_address_twenty_are(engine: Engine, looked_at: list[str]) -> None:
    all_at_once(engine, lambda wide, number: sign_in(wide, f"person-{number}", WRONG, "192.0.2.1"))
    assert len(looked_at) == people.FREE_TRIES_ADDRESS == 20


def test_of_a_hundred_at_one_name_from_as_many_addresses_forty_are(engine: Engine, looked_at: list[str]) -> None:
    all_at_once(engine, lambda wide, number: sign_in(wide, "ines", WRONG, f"192.0.2.{number}"))
    assert len(looked_at) == people.FREE_TRIES_NAME == 40


def test_whoever_holds_an_open_page_guesses_no_faster_there(engine: Engine, looked_at: list[str]) -> None:
    def prove(wide: Engine, _: int) -> None:
        with pytest.raises(InputError):
            people.prove_password(wide, "ines", WRONG, address="192.0.2.1", now=NIGHT)

    all_at_once(engine, prove)
    assert len(looked_at) == people.FREE_TRIES


def test_of_a_hundred_codes_at_once_four_are_looked_at(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    people.add(engine, name="ines", label="", role=Role.OPERATOR, password=PASSWORD, now=NIGHT, actor="x")
    with transaction(engine) as conn:
        person = people.person_of(conn, "ines")
    second_factor.begin(engine, KEYS, person, NIGHT)
    key = second_factor.pending(engine, KEYS, person, NIGHT)
    assert key is not None
    second_factor.confirm(engine, KEYS, person, pyotp.TOTP(key).at(NIGHT), NIGHT)
    seen: list[str] = []
    spent = second_factor._spent

    def counting(*args: Any) -> bool:
        seen.append(args[4])
        return spent(*args)

    monkeypatch.setattr(second_factor, "_spent", counting)
    all_at_once(
        engine,
        lambda wide, number: second_factor.sign_in(
            wide, KEYS, "ines", f"{number:05d}x", proven_at=NIGHT, address="192.0.2.1", agent="", now=NIGHT
        ),
    )
    assert len(seen) == people.FREE_TRIES


def test_honest_people_come_in_at_once_and_leave_no_failure_behind(engine: Engine) -> None:
    names = [f"person-{number}" for number in range(8)]
    for name in names:
        people.add(engine, name=name, label="", role=Role.VIEWER, password=PASSWORD, now=NIGHT, actor="x")
    came = all_at_once(
        engine, lambda wide, number: sign_in(wide, names[number % 8], PASSWORD, f"192.0.2.{number}"), count=CROWD
    )
    assert all(isinstance(one, SignedIn) for one in came)
    with transaction(engine) as conn:
        assert conn.exec_driver_sql("SELECT count(*) FROM sign_in_failure").scalar_one() == 0
