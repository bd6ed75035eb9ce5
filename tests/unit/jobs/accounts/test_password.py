"""Passwords: what is taken, and what everybody would guess."""

from __future__ import annotations

import re
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from zxcvbn.frequency_lists import FREQUENCY_LISTS

from service.errors import InputError
from service.jobs.accounts.password import LONGEST, SHORTEST, checked


def refusal(password: str, name: str = "night", label: str = "") -> str:
    """What is said against a password; nothing if it is taken."""
    try:
        assert checked(password, name, label) == password
    except InputError as error:
        return str(error)
    return ""


def test_breached_passwords_that_are_long_enough_are_refused() -> None:
    """All of the library's list that our length lets through, as ASVS 2.1.7 asks: 229 of 30,000."""
    long_enough = [word for word in FREQUENCY_LISTS["passwords"] if len(word) >= SHORTEST]
    assert len(long_enough) > 200
    assert [word for word in long_enough if refusal(word) == ""] == []


@pytest.mark.parametrize(
    "dressed_up",
    [
        "Password1234",
        "P@ssw0rd2026",
        "Administrator1",
        "qwertyuiop12",
        "letmein12345",
        "abcdefghijkl",
        "trustno1trustno1",
        "Underweir2026",
        "clarifier2026",
        "ridley.1988.1988",  # the person's own name
    ],
)
def test_a_common_word_with_a_year_or_a_sign_is_refused_too(dressed_up: str) -> None:
    with pytest.raises(InputError, match=re.escape("four words that have nothing to do with each other")):
        checked(dressed_up, "night", "Jo Ridley")


@pytest.mark.parametrize(
    "good",
    [
        "six heron marsh lantern",
        "blue canal otter seven",
        "9f3kLq0zX1vb",
        "möwe Ärmel Teich löffel",
        "x7" + "w 9q" * 31,
    ],
)
def test_what_the_message_asks_for_is_taken(good: str) -> None:
    assert checked(good, "night", "Jo Ridley") == good


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=LONGEST + 5))
def test_whatever_is_typed_is_taken_or_refused_with_a_reason(typed: str) -> None:
    said = refusal(typed)
    assert said == "" or "password" in said


def test_people_who_change_theirs_at_once_are_each_held_against_their_own_name() -> None:
    refused: list[str] = []

    def change(name: str) -> None:
        for _ in range(20):
            try:
                checked(f"{name}1988", name="night", label=name)
            except InputError:
                refused.append(name)

    crowd = [threading.Thread(target=change, args=(name,)) for name in ("umberfeld", "quonsetby", "thrapwell")]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join()
    assert len(refused) == 60
