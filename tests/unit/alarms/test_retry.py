"""When a message is tried again."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.alarms.retry import LIFETIME, PERMANENT, STUCK_AFTER_TRIES, WAITS, Failure, GiveUp, next_try
from tests.unit.alarms.cases import T0


@pytest.mark.parametrize("failure", list(Failure))
@pytest.mark.parametrize("attempts", [1, 2, 5, 50])
def test_every_failure_has_an_answer(failure: Failure, attempts: int) -> None:
    retry = next_try(attempts, failure, created_at=T0, now=T0)
    assert (retry.at is None) is (retry.give_up is not None) is (failure in PERMANENT)
    if retry.at is not None:
        assert WAITS[0] <= retry.at - T0 <= WAITS[-1]


def test_waits_grow_and_stay_bounded() -> None:
    waits = []
    for attempts in range(1, 12):
        at = next_try(attempts, Failure.UNREACHABLE, created_at=T0, now=T0).at
        assert at is not None
        waits.append(at - T0)
    assert waits == sorted(waits)
    assert waits[-1] == WAITS[-1]


def test_hours_of_outage_are_lived_through_and_days_are_not() -> None:
    assert next_try(40, Failure.UNREACHABLE, created_at=T0, now=T0 + timedelta(hours=12)).at is not None
    assert next_try(400, Failure.UNREACHABLE, created_at=T0, now=T0 + LIFETIME).give_up is GiveUp.TOO_OLD


def test_what_is_tried_often_in_vain_is_stuck_long_before_anybody_has_to_respond() -> None:
    assert not next_try(STUCK_AFTER_TRIES - 1, Failure.TEMPORARY, created_at=T0, now=T0).stuck
    assert next_try(STUCK_AFTER_TRIES, Failure.TEMPORARY, created_at=T0, now=T0).stuck
    assert sum(WAITS[: STUCK_AFTER_TRIES - 1], timedelta(0)) < timedelta(minutes=5)
    # However few the tries: a server that asks for twenty minutes is not waited for.
    assert next_try(1, Failure.RATE_LIMITED, created_at=T0, now=T0, retry_after=timedelta(minutes=20)).stuck


def test_the_other_side_may_ask_for_patience_but_not_for_ever() -> None:
    def wait(asked: timedelta) -> timedelta:
        at = next_try(1, Failure.RATE_LIMITED, created_at=T0, now=T0, retry_after=asked).at
        assert at is not None
        return at - T0

    assert wait(timedelta(seconds=1)) == WAITS[0]
    assert wait(timedelta(minutes=5)) == timedelta(minutes=5)
    assert wait(timedelta(days=1)) == timedelta(minutes=30)


def test_a_wrong_password_is_not_hammered() -> None:
    at = next_try(1, Failure.SIGN_IN, created_at=T0, now=T0).at
    assert at is not None
    assert at - T0 >= timedelta(minutes=2)
