"""Gathers what the accountant goes by: from the plant, the database, the mail server and the gateway."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Sequence
from datetime import UTC
from email.message import EmailMessage
from pathlib import Path
from typing import Protocol

import psycopg
import requests

from tests.faults.accountant import Answer, Evidence, Line, OutboxMessage, Received, Told
from tests.faults.plant import ADDRESSES, FIRST_CALLED, HOOK_SECRET, Plant, Storm
from tests.faults.slow_sink import SlowSink
from tests.support.http_gateway import Gateway


class Installation(Protocol):
    """What the evidence is gathered from, whatever is done to it."""

    plant: Plant
    mails: SlowSink
    gateway: Gateway
    disturbed: list[tuple[float, float]]
    excused: list[tuple[float, float]]

    def connect(self) -> psycopg.Connection:
        """A connection to its database."""
        ...

    def records(self) -> list[Path]:
        """The records that were set aside, and those that wait to be tried again."""
        ...

    def page_ports(self) -> Sequence[int]:
        """Where its pages answer."""
        ...


def settled(stand: Installation) -> list[str]:
    """What is not yet done, in words; empty when all is quiet."""
    waits = [f"file {name} not taken" for name in stand.plant.waiting()]
    waits += [f"nobody called for tank {storm.tank}" for storm in stand.plant.storms if storm.called_at is None]
    waits += [f"nobody has tank {storm.tank}" for storm in stand.plant.storms if storm.answer is None]
    waits += [f"record {path} is not stored" for path in stand.records()]
    try:
        with stand.connect() as conn:
            for key, attempts in conn.execute("SELECT key, attempts FROM outbox WHERE status = 'waiting'"):
                waits.append(f"message {key} waits after {attempts} attempts")
    except psycopg.Error as error:
        waits.append(f"database: {error}")
    return waits


def gather(stand: Installation) -> Evidence:
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
        first_step=FIRST_CALLED,
        due=[storm.due for storm in plant.storms],
        answers=[storm.answer for storm in plant.storms if storm.answer is not None],
        disturbed=list(stand.disturbed),
    )
    with stand.connect() as conn:
        evidence.stored = {
            (tag, at.astimezone(UTC)): value
            for tag, at, value in conn.execute(
                "SELECT tag, time, value FROM reading JOIN signal ON signal.id = signal_id WHERE tag <> 'COUNTER'"
                " AND time >= timestamptz '2026-01-01 00:00Z'"  # before that there is what downloads hand out
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


def arrived(stand: Installation) -> list[Received]:
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


_CODE = re.compile(r"(?:underweir ack|Code) (\w{6})\b")


def note_calls(stand: Installation, names: Sequence[str] = ()) -> None:
    """Note who was reached, and while which faults; let whoever answers answer."""
    for storm in stand.plant.storms:
        if storm.called_at is None:
            storm.during += [name for name in names if name not in storm.during]
            theirs = {address for (person, _), address in ADDRESSES.items() if person == storm.answered_by}
            for received in arrived(stand):
                words = f"{received.subject} {received.text}"
                told = received.recipient in theirs and words.startswith(("DANGER", " DANGER"))
                if told and f"Tank {storm.tank}" in words and (code := _CODE.search(received.text)) is not None:
                    storm.called_at, storm.code = received.at, code[1]
                    break
        elif storm.answer is None:
            _answer(storm, stand.page_ports())


def _answer(storm: Storm, ports: Sequence[int]) -> None:
    """Whoever was called writes back the code; the gateway posts it to one node, then the next, until one takes it."""
    if time.monotonic() - storm.asked_at < 2.0:
        return
    storm.asked_at = time.monotonic()
    posted = {"id": f"reply {storm.tank}", "from": ADDRESSES[storm.answered_by, "sms"], "text": storm.code}
    for port in ports:
        url = f"http://127.0.0.1:{port}/gateway/phones/reply"
        try:
            taken = requests.post(url, json=posted, headers={"X-Gateway-Secret": HOOK_SECRET}, timeout=1.0).ok
        except requests.RequestException:
            continue
        if taken:
            storm.answer = Answer(contact=storm.answered_by, code=storm.code)
            return


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
