"""The retry schedule for messages that could not be delivered. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

_MINUTE = timedelta(minutes=1)
#: Waits after the 1st, 2nd, … failed try. Early tries are close together, as somebody is waiting to be woken; greylisting
#: servers (RFC 6647) let a retry in after a few minutes at most. For an hour they stay close: when the way is free again, whoever
#: has to be woken shall not wait for a schedule. A server that is away costs one try for all that waits.
WAITS = (_MINUTE / 4, _MINUTE / 2, _MINUTE, *(2 * _MINUTE,) * 30, 5 * _MINUTE)
#: Where the other side asks for patience without saying how much, or may have taken the message.
PATIENT_WAITS = (_MINUTE / 4, _MINUTE / 2, *(minutes * _MINUTE for minutes in (1, 2, 4, 8, 15)))
#: And where it locks accounts that are tried too often with a wrong password: a person must change something first.
SIGN_IN_WAITS = tuple(minutes * _MINUTE for minutes in (2, 4, 8, 15))
#: What it asks for is granted between these.
LEAST_ASKED, MOST_ASKED = timedelta(seconds=5), 30 * _MINUTE
#: After this long a message would only tell of the past; the alarm itself still stands in the list.
LIFETIME = timedelta(days=2)
#: A message this often tried in vain, or that will have waited for so long at its next try, counts as stuck: a system alarm
#: says so and the next person is told, well before anybody has to respond.
STUCK_AFTER_TRIES = 4
STUCK_AFTER = timedelta(minutes=5)


class Failure(StrEnum):
    """What went wrong when a message was to be handed over."""

    UNREACHABLE = "server not reachable"
    TIMED_OUT = "server did not answer in time"
    BROKE_OFF = "connection broke; may have been accepted"
    TEMPORARY = "refused for now"
    RATE_LIMITED = "too many messages, slow down"
    SIGN_IN = "sign-in refused"
    TLS = "secure connection not possible"
    RECIPIENT_REFUSED = "recipient refused for good"
    REFUSED = "message refused for good"
    UNUSABLE_ADDRESS = "address cannot be used"
    GARBAGE = "answer not understood"


#: Trying again cannot help: the next person must be told instead.
PERMANENT = frozenset({Failure.RECIPIENT_REFUSED, Failure.REFUSED, Failure.UNUSABLE_ADDRESS})

#: The other side is at fault, whatever the message: what else waits for it would fare no better.
OF_CHANNEL = frozenset({Failure.UNREACHABLE, Failure.TIMED_OUT, Failure.SIGN_IN, Failure.TLS, Failure.RATE_LIMITED})
_WAITS_AFTER = {
    Failure.SIGN_IN: SIGN_IN_WAITS,
    Failure.RATE_LIMITED: PATIENT_WAITS,
    # Each try may be one more copy of a message that was taken.
    Failure.BROKE_OFF: PATIENT_WAITS,
    Failure.GARBAGE: PATIENT_WAITS,
}


class GiveUp(StrEnum):
    """Why a message is not tried again."""

    PERMANENT = "refused for good"
    TOO_OLD = "tried for too long"


@dataclass(frozen=True, slots=True, kw_only=True)
class Retry:
    """Try again at a time, or never and why. ``stuck`` asks for the next person and a system alarm meanwhile."""

    at: datetime | None
    give_up: GiveUp | None = None
    stuck: bool = False


def next_try(
    attempts: int, failure: Failure, *, created_at: datetime, now: datetime, retry_after: timedelta | None = None
) -> Retry:
    """When to try again.

    Parameters
    ----------
    attempts : tries made so far, this one included.
    failure : what came of the last one.
    created_at : when the message was put on its way.
    retry_after : what the other side asked for, if it did.

    >>> from datetime import UTC
    >>> t = datetime(2026, 1, 1, tzinfo=UTC)
    >>> next_try(1, Failure.TEMPORARY, created_at=t, now=t).at
    datetime.datetime(2026, 1, 1, 0, 0, 15, tzinfo=datetime.timezone.utc)
    >>> next_try(1, Failure.RECIPIENT_REFUSED, created_at=t, now=t).give_up
    <GiveUp.PERMANENT: 'refused for good'>
    """
    if failure in PERMANENT:
        return Retry(at=None, give_up=GiveUp.PERMANENT, stuck=True)
    waits = _WAITS_AFTER.get(failure, WAITS)
    wait = waits[min(max(attempts, 1), len(waits)) - 1]
    if retry_after is not None:
        wait = min(max(retry_after, LEAST_ASKED), MOST_ASKED)
    if now + wait - created_at > LIFETIME:
        return Retry(at=None, give_up=GiveUp.TOO_OLD, stuck=True)
    stuck = attempts >= STUCK_AFTER_TRIES or now + wait - created_at > STUCK_AFTER
    return Retry(at=now + wait, stuck=stuck)
