"""Gathers what the accountant goes by: from the plant, the database, the mail server and the gateway."""

from __future__ import annotations

import json
from datetime import UTC
from email.message import EmailMessage

import psycopg

from tests.faults.accountant import Evidence, Line, OutboxMessage, Received, Told
from tests.faults.plant import ADDRESSES, FIRST_CALLED
from tests.faults.stand import Stand


def settled(stand: Stand) -> list[str]:
    """What is not yet done, in words; empty when all is quiet."""
    waits = [f"file {name} not taken" for name in stand.plant.waiting()]
    waits += [f"nobody called for tank {storm.tank}" for storm in stand.plant.storms if storm.called_at is None]
    waits += [f"nobody has tank {storm.tank}" for storm in stand.plant.storms if storm.answer is None]
    waits += [f"record {path} is not stored" for path in stand.records()]
    try:
        with psycopg.connect(stand.pair.primary.url, connect_timeout=3) as conn:
            for key, attempts in conn.execute("SELECT key, attempts FROM outbox WHERE status = 'waiting'"):
                waits.append(f"message {key} waits after {attempts} attempts")
    except psycopg.Error as error:
        waits.append(f"database: {error}")
    return waits


def gather(stand: Stand) -> Evidence:
    """Everything that is known at the end of a campaign."""
    plant = stand.plant
    evidence = Evidence(
        produced=dict(plant.produced),
        not_taken=plant.waiting(),
        shown=dict(enumerate(plant.register.shown_at)),
        excused=list(stand.excused),
        received=arrived(stand),
        addresses=ADDRESSES,
        stormed={f"Tank {storm.tank}" for storm in plant.storms},
        first_rung=FIRST_CALLED,
        due=[storm.due for storm in plant.storms],
        answers=[storm.answer for storm in plant.storms if storm.answer is not None],
        disturbed=list(stand.disturbed),
    )
    with psycopg.connect(stand.pair.primary.url) as conn:
        evidence.stored = {
            (tag, at.astimezone(UTC)): value
            for tag, at, value in conn.execute(
                "SELECT tag, time, value FROM reading JOIN signal ON signal.id = signal_id WHERE tag <> 'COUNTER'"
            )
        }
        evidence.counted = {
            round(value * 86_400 / 3785.411784)
            for (value,) in conn.execute(
                "SELECT value FROM reading JOIN signal ON signal.id = signal_id WHERE tag = 'COUNTER' AND value <> 'NaN'"
            )
        }
        evidence.journal = _journal(conn)
        evidence.outbox = _outbox(conn)
    return evidence


def arrived(stand: Stand) -> list[Received]:
    """Everything that the mail server and the gateway took so far."""
    mails = [
        Received(
            id=str(mail["Message-ID"]),
            channel="email",
            recipient=str(mail["To"]),
            subject=str(mail["Subject"]),
            text=_plain(mail),
            at=at,
        )
        for mail, at in stand.mails.since(0)
    ]
    texts = []
    for asked in list(stand.gateway.asked):
        if asked.taken:
            sent = json.loads(asked.body)
            texts.append(
                Received(
                    id=sent["key"], channel="sms", recipient=sent["to"], subject="", text=sent["text"], at=asked.at
                )
            )
    return mails + texts


def _plain(mail: EmailMessage) -> str:
    body = mail.get_body(("plain",))
    return "" if body is None else str(body.get_content())


def _journal(conn: psycopg.Connection) -> list[Line]:
    rows = conn.execute(
        "SELECT e.id, a.key, coalesce(t.label, ''), e.event, e.from_state, e.to_state, e.actor, e.detail FROM alarm_event e"
        " JOIN alarm a ON a.id = e.alarm_id LEFT JOIN tank t ON t.id = a.tank_id ORDER BY e.id"
    )
    return [
        Line(
            id=number,
            alarm=alarm,
            tank=tank,
            event=event,
            from_state=from_state,
            to_state=to_state,
            actor=actor,
            code=detail.get("code") or "",
            occurred=detail.get("occurred_at"),
            told=tuple(
                Told(told["contact"], told["channel"], told["kind"], told["key"]) for told in detail.get("told", ())
            ),
        )
        for number, alarm, tank, event, from_state, to_state, actor, detail in rows
    ]


def _outbox(conn: psycopg.Connection) -> list[OutboxMessage]:
    rows = conn.execute(
        "SELECT o.key, o.alarm_event_id, o.channel, o.recipient, o.payload, o.status,"
        " (SELECT count(*) FROM delivery_attempt d WHERE d.outbox_id = o.id"
        "   AND d.reason LIKE '%may have been accepted' AND d.answer NOT LIKE 'not tried by itself%') FROM outbox o"
        " ORDER BY o.id"
    )
    return [
        OutboxMessage(
            key=key,
            line=line,
            kind=payload["kind"],
            contact=payload["contact"],
            channel=channel,
            recipient=recipient,
            occurred=payload.get("occurred_at"),
            subject=payload["subject"],
            text=payload["text"],
            status=status,
            unsure=unsure,
        )
        for key, line, channel, recipient, payload, status, unsure in rows
    ]
