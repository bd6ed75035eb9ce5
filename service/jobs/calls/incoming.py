"""Text messages that come in: replies read from the modem, replies and delivery receipts posted by a gateway."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

import structlog
from sqlalchemy import Engine

from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.deliver import notify_next
from service.jobs.calls.reply import Answered, answer
from service.jobs.plant.plant import Plant
from service.notify.channels.gateway_hook import Fate, GatewayReceipt, GatewayReply
from service.notify.channels.sms_modem import Incoming
from service.storage.calls.outbox import (
    find_by_gateway_id,
    lock_reply,
    record_delivered,
    record_undelivered,
    was_answered,
)
from service.storage.database.session import transaction

log = structlog.get_logger(__name__)


class Inbox(Protocol):
    """Where replies lie until they are dealt with."""

    def incoming(self) -> list[Incoming]:
        """What lies there now."""
        ...

    def forget(self, message: Incoming) -> None:
        """Remove one that was dealt with."""
        ...


def listen(engine: Engine, plant: Plant, inbox: Inbox, now: datetime) -> list[Answered]:
    """Deal with every reply that lies in the modem.

    Notes
    -----
    A crash between dealing and forgetting brings a message back: taking an alarm twice changes nothing, a core asked for
    twice is stored once, and the answer is sent once, as all of them are known by the message's id.
    """
    heard = []
    for message in inbox.incoming():
        if not _dealt_with(engine, message):
            heard.append(
                answer(
                    engine,
                    plant,
                    sender=message.sender,
                    text=message.text,
                    now=now,
                    message_id=message.id,
                )
            )
        inbox.forget(message)
    return heard


def _dealt_with(engine: Engine, message: Incoming) -> bool:
    with transaction(engine) as conn:
        return was_answered(conn, message.id)


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
                notify_next(conn, setup, message, now)
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
