"""Takes what a text message gateway posts: receipts of what it was given, and what people wrote."""

from __future__ import annotations

from datetime import datetime

import structlog
from sqlalchemy import Engine

from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.deliver import tell_next
from service.jobs.calls.reply import Answered, answer
from service.jobs.plant.plant import Plant
from service.notify.channels.gateway_hook import Fate, GatewayReceipt, GatewayReply
from service.storage.calls.outbox import (
    find_by_gateway_id,
    lock_reply,
    record_delivered,
    record_undelivered,
    was_answered,
)
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)


def take_receipt(engine: Engine, setup: AlarmSetup, receipt: GatewayReceipt, now: datetime) -> bool:
    """Keep what became of a message; False when no message has that id (yet: the receipt may be faster than our own note).

    A message that never reaches the phone is told another way or to the next person at once. A receipt that comes
    again changes nothing.
    """
    with transaction(engine) as conn:
        message = find_by_gateway_id(conn, "sms", receipt.message_id)
        if message is None:
            return False
        changed = False
        if receipt.fate is Fate.DELIVERED:
            changed = record_delivered(conn, message.id, now, receipt.status)
        elif receipt.fate is Fate.FAILED:
            changed = record_undelivered(conn, message.id, now, receipt.status)
            if changed:
                tell_next(conn, setup, message, now)
    log.info("receipt", message=message.key, status=receipt.status, changed=changed)
    return True


def take_reply(engine: Engine, plant: Plant, reply: GatewayReply, now: datetime) -> Answered | None:
    """Act on what somebody wrote; None when that message was dealt with before."""
    with transaction(engine) as conn:
        # Held while it is dealt with: gateways repeat a post they are impatient about.
        lock_reply(conn, reply.message_id)
        if was_answered(conn, reply.message_id):
            return None
        return answer(engine, plant, sender=reply.sender, text=reply.text, now=now, message_id=reply.message_id)
