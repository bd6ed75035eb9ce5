"""The transactional outbox: messages are written with the decision, claimed by a lease, and every attempt is recorded.

A worker that dies between sending a message and recording it leaves a claim that expires, or that its successor voids; the
message is then sent again under the same key. Delivery is at least once: a crash costs at most one duplicate.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Connection, func, insert, select, text, update
from sqlalchemy.dialects.postgresql import insert as upsert
from sqlalchemy.orm import aliased

from service.calls.retry import Failure, GiveUp
from service.storage.database.tables import AlarmEvent, AlarmRow, DeliveryAttempt, OutboxRow

WAITING, SENT, FAILED, CANCELLED = "waiting", "sent", "failed", "cancelled"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMessage:
    """A message to be written into the outbox."""

    key: str
    alarm_event_id: int | None
    channel: str
    recipient: str
    payload: Mapping[str, Any]
    created_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Claimed:
    """A message that this worker alone may send until its lease ends. ``attempts`` includes this one."""

    id: int
    key: str
    alarm_event_id: int | None
    channel: str
    recipient: str
    payload: Mapping[str, Any]
    attempts: int
    created_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxHealth:
    """State of the outbox."""

    waiting: int
    waiting_since: datetime | None  #: oldest message tried in vain and still waiting
    failed_at: datetime | None  #: newest message given up


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipients:
    """Filter on recipients: everybody, one only, or all but some."""

    only: str | None = None
    besides: tuple[str, ...] = ()


EVERYBODY = Recipients()


def enqueue(conn: Connection, messages: Iterable[OutboxMessage]) -> int:
    """Add messages, and return how many were new; an existing key is left alone."""
    rows = [
        {
            "key": message.key,
            "alarm_event_id": message.alarm_event_id,
            "channel": message.channel,
            "recipient": message.recipient,
            "payload": dict(message.payload),
            "status": WAITING,
            "created_at": message.created_at,
            "next_attempt_at": message.created_at,
        }
        for message in messages
    ]
    if not rows:
        return 0
    statement = upsert(OutboxRow).values(rows).on_conflict_do_nothing(index_elements=[OutboxRow.key])
    return len(conn.execute(statement.returning(OutboxRow.id)).all())


def existing_keys(conn: Connection, keys: Sequence[str]) -> set[str]:
    """Return those of the keys that have a message, whatever its status."""
    return set(conn.execute(select(OutboxRow.key).where(OutboxRow.key.in_(keys))).scalars())


# Times are of the nodes' clocks, which may differ or be set: a message not yet tried is due at once, and a time further ahead
# than this counts as due.
#: Longer than any wait between two attempts.
_LONGEST_WAIT = timedelta(minutes=31)

# A message that an alarm is over, or that somebody has it, waits for the alarm itself to reach the same person.
_CLAIM = text(
    """
    UPDATE outbox SET claimed_until = :until, attempts = attempts + 1
    WHERE id IN (
        SELECT o.id FROM outbox AS o
        WHERE o.status = 'waiting'
          AND (o.attempts = 0 OR o.next_attempt_at <= :now OR o.next_attempt_at > :too_late)
          AND (o.claimed_until IS NULL OR o.claimed_until <= :now OR o.claimed_until > :until)
          AND o.channel = ANY(:channels)
          AND (CAST(:only AS text) IS NULL OR o.recipient = :only)
          AND o.recipient <> ALL(CAST(:besides AS text[]))
          AND (o.payload ->> 'kind' = 'alarm' OR NOT EXISTS (
              SELECT 1 FROM outbox AS before
              WHERE before.status = 'waiting' AND before.id < o.id
                AND before.channel = o.channel AND before.recipient = o.recipient))
        ORDER BY o.payload ->> 'kind' <> 'alarm', o.next_attempt_at, o.id
        LIMIT :limit
        FOR UPDATE OF o SKIP LOCKED
    )
    RETURNING id, key, alarm_event_id, channel, recipient, payload, attempts, created_at
    """
)


def claim(
    conn: Connection,
    now: datetime,
    *,
    channels: Sequence[str],
    lease: timedelta,
    limit: int = 1,
    recipients: Recipients = EVERYBODY,
) -> list[Claimed]:
    """Claim messages that are due, so that no other worker sends them while the lease lasts.

    Alarms come first, and of them those that have waited longest to be tried.
    """
    rows = conn.execute(
        _CLAIM,
        {
            "now": now,
            "until": now + lease,
            "too_late": now + _LONGEST_WAIT,
            "channels": list(channels),
            "limit": limit,
            "only": recipients.only,
            "besides": list(recipients.besides),
        },
    ).mappings()
    return sorted((Claimed(**row) for row in rows), key=lambda claimed: claimed.id)


def void_claims(conn: Connection, channel: str, recipients: Recipients = EVERYBODY) -> int:
    """Void a worker's claims, as it is known to deliver no more; returns how many."""
    statement = (
        update(OutboxRow)
        .where(OutboxRow.channel == channel, OutboxRow.status == WAITING, OutboxRow.claimed_until.is_not(None))
        .where(OutboxRow.recipient.not_in(recipients.besides))
        .values(claimed_until=None)
        .returning(OutboxRow.id)
    )
    if recipients.only is not None:
        statement = statement.where(OutboxRow.recipient == recipients.only)
    return len(conn.execute(statement).all())


def record_sent(conn: Connection, outbox_id: int, at: datetime, answer: str, *, gateway_id: str | None = None) -> None:
    """Record that the other side accepted the message, whatever became of the claim meanwhile."""
    conn.execute(
        update(OutboxRow)
        .where(OutboxRow.id == outbox_id)
        .values(status=SENT, sent_at=at, claimed_until=None, gateway_id=gateway_id)
    )
    _attempt(conn, outbox_id, at, outcome="sent", reason="", answer=answer)


def record_retry(
    conn: Connection, outbox_id: int, at: datetime, *, next_attempt_at: datetime, reason: str, answer: str
) -> None:
    """Record a failed attempt and when to retry. What another worker has sent meanwhile stays sent."""
    conn.execute(
        update(OutboxRow).where(OutboxRow.id == outbox_id).values(next_attempt_at=next_attempt_at, claimed_until=None)
    )
    _attempt(conn, outbox_id, at, outcome="retry", reason=reason, answer=answer)


def record_failed(conn: Connection, outbox_id: int, at: datetime, *, give_up: GiveUp, reason: str, answer: str) -> None:
    """Record that the message is given up."""
    conn.execute(
        update(OutboxRow)
        .where(OutboxRow.id == outbox_id, OutboxRow.status == WAITING)
        .values(status=FAILED, claimed_until=None)
    )
    _attempt(conn, outbox_id, at, outcome="failed", reason=f"{give_up}: {reason}", answer=answer)


def find_by_gateway_id(conn: Connection, channel: str, gateway_id: str) -> Claimed | None:
    """Return the newest message with that id of a gateway's, locked."""
    row = conn.execute(
        select(*(getattr(OutboxRow, field.name) for field in fields(Claimed)))
        .where(OutboxRow.channel == channel, OutboxRow.gateway_id == gateway_id)
        .order_by(OutboxRow.id.desc())
        .limit(1)
        .with_for_update()
    ).first()
    return None if row is None else Claimed(**row._mapping)


def record_delivered(conn: Connection, outbox_id: int, at: datetime, status: str) -> bool:
    """Record delivery to the phone; False when that is known already."""
    changed = conn.execute(
        update(OutboxRow)
        .where(OutboxRow.id == outbox_id, OutboxRow.delivered_at.is_(None))
        .values(status=SENT, delivered_at=at)
        .returning(OutboxRow.id)
    ).first()
    if changed is not None:
        _attempt(conn, outbox_id, at, outcome="delivered", reason="", answer=status)
    return changed is not None


def record_undelivered(conn: Connection, outbox_id: int, at: datetime, status: str) -> bool:
    """Record that delivery failed; False when that is known already, or it was delivered after all."""
    changed = conn.execute(
        update(OutboxRow)
        .where(OutboxRow.id == outbox_id, OutboxRow.status == SENT, OutboxRow.delivered_at.is_(None))
        .values(status=FAILED)
        .returning(OutboxRow.id)
    ).first()
    if changed is not None:
        _attempt(conn, outbox_id, at, outcome="failed", reason="handed over, but not delivered", answer=status)
    return changed is not None


def cancel_calls(conn: Connection, alarm_id: int, occurred_at: datetime, now: datetime, why: str) -> int:
    """Cancel the unsent calls about an occurrence, as somebody has it; what a worker has claimed goes on.

    A person whose call is cancelled by that gets no message of its end either.
    """
    cancelled = _cancel(conn, alarm_id, "alarm", occurred_at, now, why)
    if cancelled:
        called = aliased(OutboxRow)
        perhaps_there = select(DeliveryAttempt.id).where(
            DeliveryAttempt.outbox_id == called.id, DeliveryAttempt.reason == Failure.BROKE_OFF.value
        )
        theirs = select(called.id).where(
            *_about(called, alarm_id, "alarm", occurred_at),
            called.payload["contact"].as_string() == OutboxRow.payload["contact"].as_string(),
            called.status.in_((WAITING, SENT)) | perhaps_there.exists(),
        )
        cancelled += _cancel(conn, alarm_id, "cleared", occurred_at, now, "never heard of the alarm", ~theirs.exists())
    return cancelled


def _cancel(
    conn: Connection,
    alarm_id: int,
    kind: str,
    occurred_at: datetime,
    now: datetime,
    why: str,
    *conditions: ColumnElement[bool],
) -> int:
    rows = conn.execute(
        update(OutboxRow)
        .where(
            *_about(OutboxRow, alarm_id, kind, occurred_at),
            OutboxRow.status == WAITING,
            (OutboxRow.claimed_until.is_(None)) | (OutboxRow.claimed_until <= now),
            *conditions,
        )
        .values(status=CANCELLED)
        .returning(OutboxRow.id)
    ).all()
    for row in rows:
        _attempt(conn, row.id, now, outcome=CANCELLED, reason=why, answer="")
    return len(rows)


def _about(
    message: type[OutboxRow], alarm_id: int, kind: str, occurred_at: datetime
) -> tuple[ColumnElement[bool], ...]:
    """Conditions for one kind of message about an occurrence of an alarm."""
    return (
        message.alarm_event_id.in_(select(AlarmEvent.id).where(AlarmEvent.alarm_id == alarm_id)),
        message.payload["kind"].as_string() == kind,
        message.payload["occurred_at"].as_string() == occurred_at.isoformat(),
    )


def health(conn: Connection) -> OutboxHealth:
    """Return how many messages wait, since when the oldest fails, and when one was last given up."""
    waiting = conn.execute(select(func.count()).where(OutboxRow.status == WAITING)).scalar_one()
    since = conn.execute(
        select(func.min(OutboxRow.created_at)).where(OutboxRow.status == WAITING, OutboxRow.attempts > 0)
    ).scalar_one()
    failed = conn.execute(select(func.max(DeliveryAttempt.at)).where(DeliveryAttempt.outcome == "failed")).scalar_one()
    return OutboxHealth(waiting=waiting, waiting_since=since, failed_at=failed)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """One delivery attempt."""

    at: datetime
    outcome: str
    reason: str
    answer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryTrace:
    """What became of one message."""

    id: int
    alarm_event_id: int | None
    contact: str
    channel: str
    kind: str
    reason: str
    subject: str
    created_at: datetime
    status: str
    sent_at: datetime | None
    delivered_at: datetime | None
    attempts: tuple[Attempt, ...]

    @property
    def fate(self) -> str:
        """Furthest status: a gateway that accepted a message has not yet delivered it."""
        if self.delivered_at is not None:
            return "delivered"
        return "handed over" if self.status == SENT else self.status


def traces(conn: Connection, event_ids: Sequence[int]) -> list[DeliveryTrace]:
    """What became of the messages of these journal lines, oldest first."""
    return _traces(conn, OutboxRow.alarm_event_id.in_(event_ids))


def traces_between(conn: Connection, start: datetime, end: datetime) -> list[DeliveryTrace]:
    """What became of the messages written at start ≤ time < end, oldest first."""
    return _traces(conn, (OutboxRow.created_at >= start) & (OutboxRow.created_at < end))


def _traces(conn: Connection, which: ColumnElement[bool]) -> list[DeliveryTrace]:
    rows = conn.execute(select(OutboxRow.__table__).where(which).order_by(OutboxRow.id)).all()
    tries: dict[int, list[Attempt]] = {row.id: [] for row in rows}
    found = conn.execute(
        select(DeliveryAttempt.__table__).where(DeliveryAttempt.outbox_id.in_(list(tries))).order_by(DeliveryAttempt.id)
    )
    for row in found:
        tries[row.outbox_id].append(Attempt(at=row.at, outcome=row.outcome, reason=row.reason, answer=row.answer))
    return [
        DeliveryTrace(
            id=row.id,
            alarm_event_id=row.alarm_event_id,
            contact=row.payload["contact"],
            channel=row.channel,
            kind=row.payload["kind"],
            reason=row.payload["reason"],
            subject=row.payload["subject"],
            created_at=row.created_at,
            status=row.status,
            sent_at=row.sent_at,
            delivered_at=row.delivered_at,
            attempts=tuple(tries[row.id]),
        )
        for row in rows
    ]


def last_notified(conn: Connection, contact: str, since: datetime) -> list[str]:
    """Return the keys of the alarms a person was notified of since a time, the newest first, each once."""
    rows = conn.execute(
        select(AlarmRow.key)
        .join(AlarmEvent, AlarmEvent.alarm_id == AlarmRow.id)
        .join(OutboxRow, OutboxRow.alarm_event_id == AlarmEvent.id)
        .where(
            OutboxRow.payload["contact"].as_string() == contact,
            OutboxRow.payload["kind"].as_string() == "alarm",
            OutboxRow.created_at >= since,
        )
        .order_by(OutboxRow.id.desc())
    )
    return list(dict.fromkeys(row.key for row in rows))


def lock_reply(conn: Connection, name: str) -> None:
    """Lock the handling of a reply id, or of a number's answers, until the transaction ends."""
    conn.execute(select(func.pg_advisory_xact_lock(func.hashtext("reply"), func.hashtext(name))))


def answers_since(conn: Connection, recipient: str, since: datetime) -> list[tuple[str, str]]:
    """Return the answers sent to a number since a time: the reason, and the codes of the alarms it was about."""
    rows = conn.execute(
        select(OutboxRow.payload["reason"].as_string(), OutboxRow.payload["about"].as_string()).where(
            OutboxRow.recipient == recipient,
            OutboxRow.created_at >= since,
            OutboxRow.payload["kind"].as_string() == "reply",
        )
    )
    return [(row[0], row[1] or "") for row in rows]


def was_answered(conn: Connection, message_id: str) -> bool:
    """Whether a reply of that id has been answered."""
    found = select(OutboxRow.id).where(
        OutboxRow.payload["kind"].as_string() == "reply", OutboxRow.payload["answers"].as_string() == message_id
    )
    return conn.execute(found.limit(1)).first() is not None


def last_message(conn: Connection, contact: str, since: datetime) -> Mapping[str, Any] | None:
    """Return the payload of the newest alarm or answer for a person since a time."""
    row = conn.execute(
        select(OutboxRow.payload)
        .where(
            OutboxRow.created_at >= since,
            OutboxRow.payload["contact"].as_string() == contact,
            OutboxRow.payload["kind"].as_string().in_(["alarm", "reply"]),
        )
        .order_by(OutboxRow.id.desc())
        .limit(1)
    ).first()
    return None if row is None else row.payload


def _attempt(conn: Connection, outbox_id: int, at: datetime, *, outcome: str, reason: str, answer: str) -> None:
    conn.execute(
        insert(DeliveryAttempt).values(outbox_id=outbox_id, at=at, outcome=outcome, reason=reason, answer=answer)
    )
