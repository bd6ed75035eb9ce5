"""Sends a test message to whoever begins a shift, by every channel they have."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import structlog
from sqlalchemy import Engine

from service.calls.contact import Contact
from service.calls.duty import on_duty
from service.calls.routing import address_of
from service.domain.plant.display import format_local_time
from service.jobs.alarms.setup import AlarmSetup
from service.notify.channels.base import text_of
from service.storage.accounts.audit import record_change
from service.storage.calls.outbox import OutboxMessage, enqueue
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)

#: A shift that began longer ago is not tested any more: the service was away, and the night is no time for it.
TEST_WITHIN = timedelta(minutes=30)


def send_channel_tests(engine: Engine, setup: AlarmSetup, now: datetime) -> int:
    """Call everybody whose shift has just begun, by every way the service has to them, and return how many messages that made.

    Run it every few minutes: the same shift is tested once. A test that cannot be handed over raises the service's own
    alarm about deliveries, while there is time to do something about it.
    """
    messages: list[OutboxMessage] = []
    for rota in setup.rotas:
        duty = on_duty(rota, now)
        contact = next((c for c in setup.contacts if c.name == duty.person), None)
        if contact is None or now - duty.start > TEST_WITHIN:
            continue
        until = format_local_time(duty.end, setup.site.zone)
        words = f"TEST {setup.site.name}: you are on duty until {until}. Nothing is wrong. Alarms reach you this way."
        started = duty.start.astimezone(UTC).isoformat()
        messages += _messages(setup, contact, words, "shift began", ("test", rota.key, started), now)
    if not messages:
        return 0
    with transaction(engine) as conn:
        written = enqueue(conn, messages)
    if written:
        log.info("test call", messages=written)
    return written


def call_to_test(
    engine: Engine, setup: AlarmSetup, contact: Contact, *, by: str, actor: str, address: str, now: datetime
) -> int:
    """Call somebody because a person asked for it; at most once a minute. Returns how many messages that made.

    Parameters
    ----------
    by : how the one who asks is called in the message.
    actor, address : who they are for the audit log, and where they sit.
    """
    words = f"TEST {setup.site.name}: {by} tests this way. Nothing is wrong. Alarms reach you like this."
    minute = now.astimezone(UTC).isoformat(timespec="minutes")
    messages = _messages(setup, contact, words, f"asked for by {by}", ("test", "asked", minute), now)
    with transaction(engine) as conn:
        written = enqueue(conn, messages)
        if written:
            detail = {"ways": [message.channel for message in messages]}
            record_change(
                conn, at=now, actor=actor, action="test call sent", subject=contact.name, detail=detail, address=address
            )
    log.info("test call", contact=contact.name, messages=written)
    return written


def _messages(
    setup: AlarmSetup, contact: Contact, words: str, reason: str, key: tuple[str, ...], now: datetime
) -> list[OutboxMessage]:
    """One message by every way the service has to that person."""
    return [
        OutboxMessage(
            key="|".join((*key, contact.name, channel)),
            alarm_event_id=None,
            channel=channel,
            recipient=address,
            payload={
                "kind": "test",
                "contact": contact.name,
                "reason": reason,
                "occurred_at": None,
                "subject": words,
                "text": text_of(words, channel),
            },
            created_at=now,
        )
        for channel in contact.channels
        if channel in setup.channels and (address := address_of(contact, channel))
    ]
