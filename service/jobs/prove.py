"""A call that proves the way to the person on duty, once a shift, while nothing is wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import structlog
from sqlalchemy import Engine

from service.alarms.duty import on_duty
from service.alarms.routing import address_of
from service.domain.display import format_local_time
from service.jobs.alarm_setup import AlarmSetup
from service.notify import gsm7
from service.storage.outbox import OutboxMessage, put
from service.storage.session import transaction

log = structlog.get_logger(__name__)

#: A shift that began longer ago is not tested any more: the service was away, and the night is no time for it.
TEST_WITHIN = timedelta(minutes=30)


def prove_ways(engine: Engine, setup: AlarmSetup, now: datetime) -> int:
    """Call everybody whose shift has just begun, by every way the service has to them, and return how many messages that made.

    Run it every few minutes: the same shift is tested once. A test that cannot be handed over raises the service's own
    alarm about deliveries, while there is time to do something about it.
    """
    messages = []
    for rota in setup.rotas:
        duty = on_duty(rota, now)
        contact = next((c for c in setup.contacts if c.name == duty.person), None)
        if contact is None or now - duty.start > TEST_WITHIN:
            continue
        until = format_local_time(duty.end, setup.site.zone)
        words = f"TEST {setup.site.name}: you are on duty until {until}. Nothing is wrong. Alarms reach you this way."
        for channel in contact.channels:
            address = address_of(contact, channel)
            if channel not in setup.channels or not address:
                continue
            started = duty.start.astimezone(UTC).isoformat()
            messages.append(
                OutboxMessage(
                    key="|".join(("test", rota.key, started, contact.name, channel)),
                    alarm_event_id=None,
                    channel=channel,
                    recipient=address,
                    payload={
                        "kind": "test",
                        "contact": contact.name,
                        "reason": "shift began",
                        "occurred_at": None,
                        "subject": words,
                        "text": gsm7.shorten(gsm7.plain(words)) if channel == "sms" else f"{words}\n",
                    },
                    created_at=now,
                )
            )
    if not messages:
        return 0
    with transaction(engine) as conn:
        written = put(conn, messages)
    if written:
        log.info("test call", messages=written)
    return written
