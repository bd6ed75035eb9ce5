"""Delivers messages from the outbox, at least once: claim, send, record.

What cannot be handed over is tried again by a schedule, and meanwhile told to the same person another way or to the next
person. That something is stuck is an alarm of its own (see the service's alarms in evaluate).
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import structlog
from sqlalchemy import Connection, Engine

from service.calls.escalation import told_since_it_called
from service.calls.retry import OF_CHANNEL, Failure, next_try
from service.calls.routing import MessageKind, RouteReason, address_of, failover, is_failover_of
from service.errors import LeaseLost
from service.jobs.alarms.setup import AlarmSetup
from service.jobs.calls.notification import HISTORY_SPAN
from service.notify.channels.base import Attachment, Message, Notifier, Receipt
from service.notify.channels.webhook import WebhookNotifier
from service.storage.alarms.alarms import alarm_of_event, sent_message, sent_messages
from service.storage.calls.outbox import (
    EVERYBODY,
    Claimed,
    OutboxMessage,
    Recipients,
    claim,
    enqueue,
    record_failed,
    record_retry,
    record_sent,
)
from service.storage.database.session import fenced, transaction

log = structlog.get_logger(__name__)

#: Longer than any one try can take, as every answer of a server is waited for only so long.
LEASE = timedelta(minutes=3)
#: No plant has as many messages waiting.
ALL_DUE = 10_000
#: Channels on which every recipient is a server of its own; on all others one server takes every message.
SERVER_EACH = frozenset({"webhook"})
AHEAD_OF_TRIED = timedelta(seconds=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """What one run did."""

    sent: int = 0
    retried: int = 0
    failed: int = 0


def deliver(
    engine: Engine,
    setup: AlarmSetup,
    notifiers: Mapping[str, Notifier],
    *,
    clock: Callable[[], datetime] = lambda: datetime.now(UTC),
    lease: timedelta = LEASE,
    recipients: Recipients = EVERYBODY,
    still: Callable[[], bool] = lambda: True,
) -> Delivered:
    """Hand over every message that is due, until none is.

    Parameters
    ----------
    notifiers : by channel.
    clock : asked anew for every message, as a slow server takes its time.
    lease : how long no other worker may touch a message in hand.
    recipients : whose messages; those of others are left to whoever delivers them.
    still : whether this node is still the one that delivers, by its own clock; asked right before a message leaves.

    Notes
    -----
    A node that was paused with a message in hand finds out after that message at the latest: at most one leaves twice.

    Where the other side is at fault and not the message, everything due for it counts as tried: each would wait its own time-out
    otherwise, and the last of many would learn too late that somebody else has to be told.
    """
    sent = retried = failed = 0
    done: tuple[Claimed, Receipt] | None = None
    try:
        while True:
            now = clock()
            try:
                with transaction(engine) as conn:
                    # One transaction both records the last message and claims the next.
                    outcomes = [] if done is None else _record_all(conn, setup, *done, now, lease, recipients)
                    claimed = claim(conn, now, channels=tuple(notifiers), lease=lease, recipients=recipients)
            except LeaseLost:
                if done is not None and done[1].failure is None:
                    # It has left, whoever delivers now: known to be sent, it need not leave again.
                    with transaction(fenced(engine, None)) as conn:
                        _record(conn, setup, *done, now)
                raise
            sent += outcomes.count("sent")
            retried += outcomes.count("retry")
            failed += outcomes.count("failed")
            done = None
            if not claimed or not still():
                return Delivered(sent=sent, retried=retried, failed=failed)
            done = claimed[0], _send(notifiers[claimed[0].channel], claimed[0], now)
    finally:
        for notifier in notifiers.values():
            notifier.close()


def _send(notifier: Notifier, claimed: Claimed, now: datetime) -> Receipt:
    message = Message(
        key=claimed.key,
        recipient=claimed.recipient,
        subject=claimed.payload["subject"],
        text=claimed.payload["text"],
        html=claimed.payload.get("html", ""),
        created_at=claimed.created_at,
        reply_to_key=claimed.payload.get("reply_to"),
        attached=tuple(
            Attachment(name=one["name"], type=one["type"], content=base64.b64decode(one["content"]))
            for one in claimed.payload.get("attached", ())
        ),
    )
    try:
        return notifier.send(message, now)
    except Exception as error:  # a defect in a channel must neither lose the message nor stop the others
        log.exception("channel failed", channel=claimed.channel, message=claimed.key)
        return Receipt(failure=Failure.GARBAGE, answer=f"{type(error).__name__}: {error}"[:500])


def _record_all(
    conn: Connection,
    setup: AlarmSetup,
    claimed: Claimed,
    receipt: Receipt,
    now: datetime,
    lease: timedelta,
    recipients: Recipients,
) -> list[str]:
    """Keep what came of one try, also for what shares its fate, and return the outcomes."""
    outcomes = [_record(conn, setup, claimed, receipt, now)]
    if receipt.failure in OF_CHANNEL:
        shared = replace(receipt, answer=f"not tried by itself: {receipt.answer}")
        # They go before the one that was tried, in case it alone was at fault.
        sharing = Recipients(only=claimed.recipient) if claimed.channel in SERVER_EACH else recipients
        others = claim(conn, now, channels=(claimed.channel,), lease=lease, limit=ALL_DUE, recipients=sharing)
        outcomes += [_record(conn, setup, other, shared, now, before=AHEAD_OF_TRIED) for other in others]
    return outcomes


def _record(
    conn: Connection,
    setup: AlarmSetup,
    claimed: Claimed,
    receipt: Receipt,
    now: datetime,
    *,
    before: timedelta = timedelta(0),
) -> str:
    """Keep what came of one try, and return its outcome."""
    known = log.bind(message=claimed.key, channel=claimed.channel, attempt=claimed.attempts, answer=receipt.answer)
    if receipt.failure is None:
        record_sent(conn, claimed.id, now, receipt.answer, gateway_id=receipt.message_id)
        known.info("message sent")
        return "sent"
    retry = next_try(
        claimed.attempts,
        receipt.failure,
        created_at=claimed.created_at,
        now=now,
        retry_after=receipt.retry_after,
    )
    if retry.stuck:
        notify_next(conn, setup, claimed, now, once=retry.at is not None)
    if retry.at is not None:
        record_retry(
            conn,
            claimed.id,
            now,
            next_attempt_at=retry.at - before,
            reason=receipt.failure.value,
            answer=receipt.answer,
        )
        known.warning("message not sent, tried again", reason=receipt.failure.value, again_at=retry.at.isoformat())
        return "retry"
    assert retry.give_up is not None
    record_failed(conn, claimed.id, now, give_up=retry.give_up, reason=receipt.failure.value, answer=receipt.answer)
    known.error("message given up", reason=receipt.failure.value)
    return "failed"


def notify_next(conn: Connection, setup: AlarmSetup, claimed: Claimed, now: datetime, *, once: bool = False) -> None:
    """Put the same message on its way to whoever can be reached instead; where *once* is asked for, not a second time."""
    if claimed.alarm_event_id is None or claimed.payload["kind"] != MessageKind.ALARM:
        return
    failed = sent_message(claimed.key, claimed.channel, claimed.payload, claimed.created_at)
    alarm = alarm_of_event(conn, claimed.alarm_event_id)
    definition = None if alarm is None else setup.definition(alarm.key)
    if alarm is None or definition is None:
        return
    history = sent_messages(conn, [alarm.id], now - HISTORY_SPAN).get(alarm.id, [])
    if once and any(is_failover_of(other.key, claimed.key) for other in history):
        return
    if failed.occurred_at == alarm.machine.occurred_at:  # of one that is past, everything told counts
        history = told_since_it_called(alarm.machine, history)
    tell = failover(definition, setup.contacts, failed, history, setup.channels)
    if tell is None:
        log.error("nobody left to tell", alarm=alarm.key, message=claimed.key)
        return
    why = (
        f"You get this because {failed.contact} could not be reached."
        if tell.reason is RouteReason.INSTEAD_OF_OTHER
        else "You get this here because you could not be reached the usual way."
    )
    words = dict(claimed.payload)
    enqueue(
        conn,
        [
            OutboxMessage(
                key=tell.key,
                alarm_event_id=claimed.alarm_event_id,
                channel=tell.channel,
                recipient=address_of(tell.contact, tell.channel) or "",
                payload={
                    **words,
                    "contact": tell.contact.name,
                    "reason": tell.reason.value,
                    "text": words["sms"] if tell.channel == "sms" else f"{words['mail']}\n{why}\n",
                    "html": "" if tell.channel == "sms" else words.get("html", ""),
                    "reply_to": None,
                },
                created_at=now,
            )
        ],
    )
    log.warning("next person told", alarm=alarm.key, contact=tell.contact.name, channel=tell.channel)


@dataclass(frozen=True, slots=True)
class DeliveryWorker:
    """A channel, or one webhook, whose server is its own."""

    channel: str
    notifier: Notifier
    recipients: Recipients = EVERYBODY

    @property
    def name(self) -> str:
        """What people and the book of runs call it: one name for each that the site file describes, and no more."""
        return self.channel if self.recipients.only is None else f"{self.channel} {self.recipients.only}"


def delivery_workers(notifiers: Mapping[str, Notifier]) -> list[DeliveryWorker]:
    """Every way there is; together they take every message of the channels, and no two take the same.

    Notes
    -----
    What is for a webhook that the site file no longer has goes the way of the channel itself, which knows to give it up.
    """
    ways: list[DeliveryWorker] = []
    for channel, notifier in notifiers.items():
        if not isinstance(notifier, WebhookNotifier):
            ways.append(DeliveryWorker(channel, notifier))
            continue
        apart = notifier.apart()
        ways += [DeliveryWorker(channel, alone, Recipients(only=key)) for key, alone in apart.items()]
        ways.append(DeliveryWorker(channel, notifier, Recipients(besides=tuple(apart))))
    return ways
