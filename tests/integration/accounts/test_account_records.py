"""Rows of accounts beside rows of others: what is changed of one person, token or factor leaves the rest as they are."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine

from service.domain.plant.role import Role, Scope
from service.errors import InputError
from service.storage.accounts import api_tokens, audit, people, second_factors
from service.storage.database.session import transaction
from tests.support.alarm_plant import MINUTE, NIGHT

DAY = timedelta(days=1)


@pytest.fixture
def both(engine: Engine) -> tuple[int, int]:
    """Row numbers of two people, of whom only the first has a password."""
    with transaction(engine) as conn:
        ines = people.add_person(
            conn,
            name="ines",
            label="Ines",
            role=Role.OPERATOR,
            password_hash="hash",
            now=NIGHT,
            password_rules="1",
            email="i@example.org",
        )
        sam = people.add_person(
            conn, name="sam", label="Sam", role=Role.VIEWER, password_hash=None, now=NIGHT, subject="sam@idp"
        )
    return ines, sam


def test_a_change_of_one_account_leaves_the_other_as_it_was(engine: Engine, both: tuple[int, int]) -> None:
    ines, sam = both
    with transaction(engine) as conn:
        before = people.find_person(conn, "ines")
        with pytest.raises(InputError, match="already"):
            people.add_person(conn, name="ines", label="", role=Role.VIEWER, password_hash=None, now=NIGHT)
        people.set_role(conn, sam, Role.SUPERVISOR)
        people.set_email(conn, sam, "s@example.org")
        people.set_password(conn, sam, "another", "2", NIGHT + MINUTE)
        people.set_password_rules(conn, sam, "3")
        people.set_hash(conn, sam, "rehashed")
        assert people.find_person(conn, "ines") == before
        assert people.password_rules_of(conn, ines) == "1"
        assert people.password_rules_of(conn, sam) == "3"
        for name, person, stored in (("ines", ines, "hash"), ("sam", sam, "rehashed")):
            found = people.password_of(conn, name)
            assert found is not None
            assert (found[0].id, found[1]) == (person, stored)
        changed = people.find_subject(conn, "sam@idp")
        assert changed is not None
        assert (changed.name, changed.role, changed.email) == ("sam", Role.SUPERVISOR, "s@example.org")
        assert changed.password_set_at == NIGHT + MINUTE
        people.set_active(conn, sam, False)
        assert people.password_of(conn, "sam") is None
        assert people.password_of(conn, "ines") is not None
        assert [person.name for person in people.people(conn)] == ["ines", "sam"], "also who is switched off"
        assert people.find_subject(conn, "nobody") is None


def test_who_has_no_password_signs_in_with_none(engine: Engine, both: tuple[int, int]) -> None:
    with transaction(engine) as conn:
        assert people.password_of(conn, "sam") is None


def test_a_token_ends_alone_and_a_persons_tokens_end_together(engine: Engine, both: tuple[int, int]) -> None:
    ines, sam = both

    def token(conn: object, name: str, person: int, days: int = 9) -> int:
        return api_tokens.add_token(
            conn,  # type: ignore[arg-type]
            name=name, person_id=person, token_hash=name, scopes=frozenset({Scope.READ}), now=NIGHT, expires_at=NIGHT + days * DAY,
        )  # fmt: skip

    with transaction(engine) as conn:
        first, second, _, theirs = (
            token(conn, *of) for of in (("a", ines), ("b", ines), ("old", ines, 0), ("theirs", sam))
        )
        api_tokens.use_token(conn, second, NIGHT + MINUTE)
        assert [(t.name, t.last_used_at) for t in api_tokens.tokens(conn, ines)] == [
            ("old", None),
            ("b", NIGHT + MINUTE),
            ("a", None),
        ]
        assert len(api_tokens.tokens(conn)) == 4
        assert api_tokens.revoke_token(conn, first, NIGHT)
        assert not api_tokens.revoke_token(conn, first, NIGHT)
        assert not api_tokens.revoke_token(conn, 10 * theirs, NIGHT)
        assert api_tokens.revoke_tokens_of(conn, ines, NIGHT) == 1  # of the three one is revoked, and one expired
        left = api_tokens.find_token(conn, "theirs")
        ended = api_tokens.find_token(conn, "b")
        assert left is not None
        assert ended is not None
        assert (left.id, left.person.name, left.valid(NIGHT), ended.valid(NIGHT)) == (theirs, "sam", True, False)
        assert left.valid(NIGHT + 9 * DAY - MINUTE)
        assert not left.valid(NIGHT + 9 * DAY)  # to the minute it was given for
        people.set_active(conn, sam, False)
        found = api_tokens.find_token(conn, "theirs")
        assert found is not None
        assert not found.valid(NIGHT)


def test_a_second_factor_counts_once_confirmed_and_its_codes_once_each(engine: Engine, both: tuple[int, int]) -> None:
    ines, sam = both
    with transaction(engine) as conn:
        for person in both:
            second_factors.begin(conn, person, f"sealed {person}", NIGHT)
        assert second_factors.confirmed(conn) == frozenset()
        assert second_factors.confirm(conn, ines, 7, ["x", "y"], NIGHT)
        assert not second_factors.confirm(conn, ines, 8, ["z"], NIGHT)
        assert second_factors.confirmed(conn) == {ines}
        kept = second_factors.find(conn, sam)
        assert kept is not None
        assert (kept.sealed_key, kept.confirmed_at) == (f"sealed {sam}", None)
        assert [second_factors.spend_step(conn, ines, step) for step in (6, 7, 8, 8)] == [False, False, True, False]
        assert second_factors.spend_step(conn, sam, 0), "what one spends is nothing to another"
        assert second_factors.confirm(conn, sam, 1, ["x"], NIGHT)
        assert [second_factors.spend_recovery_code(conn, ines, code, NIGHT) for code in ("x", "x", "z")] == [
            True,
            False,
            False,
        ]
        assert (second_factors.codes_left(conn, ines), second_factors.codes_left(conn, sam)) == (1, 1)
        assert second_factors.remove(conn, ines)
        assert not second_factors.remove(conn, ines)
        assert second_factors.find(conn, ines) is None
        assert (second_factors.codes_left(conn, ines), second_factors.codes_left(conn, sam)) == (0, 1)
        assert second_factors.confirmed(conn) == {sam}


def test_of_the_changes_those_of_a_kind_since_a_time_are_told(engine: Engine) -> None:
    with transaction(engine) as conn:
        for minutes, action in ((-1, "a"), (0, "a"), (1, "b"), (2, "c"), (3, "a")):
            audit.record_change(conn, at=NIGHT + minutes * MINUTE, actor="sam", action=action, subject="x")
        assert [(c.action, c.at) for c in audit.changes_since(conn, NIGHT, ("a", "b"))] == [
            ("a", NIGHT), ("b", NIGHT + MINUTE), ("a", NIGHT + 3 * MINUTE),
        ]  # fmt: skip
