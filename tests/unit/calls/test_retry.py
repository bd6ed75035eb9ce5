"""When a message is tried again."""

from __future__ import annotations

from datetime import timedelta

import pytest

from service.calls.retry import (
    LIFETIME,
    PATIENT_WAITS,
    PERMANENT,
    STUCK_AFTER,
    STUCK_AFTER_TRIES,
    WAITS,
    Failure,
    GiveUp,
    next_try,
)
from tests.unit.alarms.cases import T0


@pytest.mark.parametrize("failure", list(Failure))
@pytest.mark.parametrize("attempts", [1, 2, 5, 50])
def test_every_failure_has_an_answer(failure: Failure, attempts: int) -> None:
    retry = next_try(attempts, failure, created_at=T0, now=T0)
    assert (retry.at is None) is (retry.give_up is not None) is (failure in PERMANENT)
    if retry.at is not None:
        assert WAITS[0] <= retry.at - T0 <= PATIENT_WAITS[-1]


def waits(failure: Failure, tries: int) -> list[timedelta]:
    found = []
    for attempts in range(1, tries + 1):
        at = next_try(attempts, failure, created_at=T0, now=T0).at
        assert at is not None
        found.append(at - T0)
    return found


def test_waits_grow_and_stay_bounded() -> None:
    for failure, longest in ((Failure.UNREACHABLE, WAITS[-1]), (Failure.BROKE_OFF, PATIENT_WAITS[-1])):
        found = waits(failure, 60)
        assert found == sorted(found)
        assert found[-1] == longest


def test_a_way_that_is_free_again_within_the_hour_is_taken_within_two_minutes() -> None:
    found = waits(Failure.UNREACHABLE, 33)
    assert sum(found, timedelta(0)) >= timedelta(hours=1)
    assert max(found) == timedelta(minutes=2)


def test_hours_of_outage_are_lived_through_and_days_are_not() -> None:
    assert next_try(40, Failure.UNREACHABLE, created_at=T0, now=T0 + timedelta(hours=12)).at is not None
    assert next_try(400, Failure.UNREACHABLE, created_at=T0, now=T0 + LIFETIME).give_up is GiveUp.TOO_OLD


def test_what_is_tried_often_in_vain_is_stuck_long_before_anybody_has_to_respond() -> None:
    assert not next_try(STUCK_AFTER_TRIES - 1, Failure.TEMPORARY, created_at=T0, now=T0).stuck
    assert next_try(STUCK_AFTER_TRIES, Failure.TEMPORARY, created_at=T0, now=T0).stuck
    assert sum(WAITS[: STUCK_AFTER_TRIES - 1], timedelta(0)) < timedelta(minutes=5)
    last = T0 + STUCK_AFTER - WAITS[0]
    assert not next_try(1, Failure.TEMPORARY, created_at=T0, now=last).stuck
    assert next_try(1, Failure.TEMPORARY, created_at=T0, now=last + timedelta(seconds=1)).stuck
    # However few the tries: a server that asks for twenty minutes is not waited for.
    assert next_try(1, Failure.RATE_LIMITED, created_at=T0, now=T0, retry_after=timedelta(minutes=20)).stuck


def test_the_other_side_may_ask_for_patience_but_not_for_ever() -> None:
    def wait(asked: timedelta) -> timedelta:
        at = next_try(1, Failure.RATE_LIMITED, created_at=T0, now=T0, retry_after=asked).at
        assert at is not None
        return at - T0

    assert wait(timedelta(seconds=1)) == timedelta(seconds=5)
    assert wait(timedelta(minutes=5)) == timedelta(minutes=5)
    assert wait(timedelta(days=1)) == timedelta(minutes=30)


def test_a_wrong_password_is_not_hammered() -> None:
    assert sum(waits(Failure.SIGN_IN, 10), timedelta(0)) >= timedelta(hours=1, minutes=30)
