"""How often somebody can guess a password."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.jobs.accounts.people import FREE_TRIES_NAME, REMEMBER_FAILURES, pause_after
from tests.support.alarm_plant import NIGHT

HOUR = timedelta(hours=1)


def test_from_however_many_addresses_an_account_is_tried_less_than_a_hundred_times_an_hour() -> None:
    """OWASP ASVS 4.0.3, 2.2.1. With a fresh address for every guess only the limit by name holds."""
    now, tried = NIGHT, list[datetime]()
    while now < NIGHT + 5 * HOUR:
        recent = [at for at in tried if now - at <= REMEMBER_FAILURES]
        over = len(recent) - FREE_TRIES_NAME
        free_at = recent[-1] + pause_after(over) if over >= 0 else now
        if free_at > now:
            now = free_at
            continue
        tried.append(now)
        now += timedelta(milliseconds=100)
    most = max(sum(1 for at in tried if start <= at < start + HOUR) for start in tried)
    assert 40 < most < 100
