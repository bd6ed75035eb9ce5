"""Hears what people wrote back to the modem: each message is dealt with first and forgotten after, so none is lost."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

import structlog
from sqlalchemy import Engine

from service.jobs.calls.reply import Answered, answer
from service.jobs.plant.plant import Plant
from service.notify.channels.sms_modem import Incoming
from service.storage.calls.outbox import was_answered
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
