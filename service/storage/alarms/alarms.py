"""Alarm states and the alarm journal. State, journal and outbox rows of one decision share one transaction."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import structlog
from sqlalchemy import Connection, func, insert, literal_column, select, text, true, update
from sqlalchemy.dialects.postgresql import distinct_on
from sqlalchemy.dialects.postgresql import insert as upsert

from service.alarms.definition import AlarmDefinition
from service.alarms.figures import Happened
from service.alarms.machine import Event, Machine, MachineReason, Transition
from service.calls.routing import MessageKind, SentMessage
from service.storage.database.tables import AlarmEvent, AlarmRow, OutboxRow, TankRow

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRecord:
    """One alarm as stored."""

    id: int
    key: str
    kind: str
    tank: str | None
    machine: Machine
    described: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class JournalLine:
    """One line of the journal, as people read it."""

    id: int
    key: str
    tank: str | None
    at: datetime
    recorded_at: datetime
    event: str
    from_state: str
    to_state: str
    reason: str
    actor: str
    detail: Mapping[str, Any]


def sync_alarms(
    conn: Connection, definitions: Iterable[AlarmDefinition], now: datetime, *, by: str = "site file", why: str = ""
) -> None:
    """Make a row for every definition, and write every change of one into the journal: who, when, from what, to what, why.

    An alarm no longer defined keeps its row and its journal. Only changes are written, in the order of the keys as
    everywhere: two services starting at once wait for each other, and commands do not block evaluation.
    """
    tank_ids = {row.key: row.id for row in conn.execute(select(TankRow.key, TankRow.id))}
    places = select(AlarmRow.key, AlarmRow.kind, AlarmRow.tank_id, AlarmRow.connector, AlarmRow.described)
    stored = {row.key: row._asdict() for row in conn.execute(places)}
    defined = sorted(definitions, key=lambda definition: definition.key)
    for definition in defined:
        place = {
            "kind": definition.kind.value,
            "tank_id": None if definition.tank is None else tank_ids[definition.tank],
            "connector": definition.connector,
            "described": True,
        }
        if stored.get(definition.key) == {"key": definition.key, **place}:
            continue
        fresh = Machine()
        row = upsert(AlarmRow).values(
            key=definition.key, state=fresh.state.value, since=now, machine=fresh.to_json(), **place
        )
        conn.execute(row.on_conflict_do_update(index_elements=[AlarmRow.key], set_=place))
    keys = [definition.key for definition in defined]
    conn.execute(update(AlarmRow).where(AlarmRow.key.not_in(keys), AlarmRow.described).values(described=False))
    last = _last_definitions(conn)
    rows = {record.key: record for record in alarms(conn, described_only=False)}
    for definition in defined:
        new, old = definition.to_json(), last.get(definition.key)
        if old == new and (definition.key not in stored or stored[definition.key]["described"]):
            continue
        event = Event.DEFINED if old is None else Event.REDEFINED
        changed = {
            name: [(old or {}).get(name), value] for name, value in new.items() if (old or {}).get(name) != value
        }
        detail = {"definition": new, "changed": changed if old is not None else {}, "why": why}
        _append_note(conn, rows[definition.key], event, now, by, detail)
    for key, place in stored.items():
        if place["described"] and key not in keys:
            _append_note(conn, rows[key], Event.UNDEFINED, now, by, {"definition": last.get(key), "why": why})


def _last_definitions(conn: Connection) -> dict[str, dict[str, Any]]:
    """Each alarm's definition as the journal knows it."""
    newest = (
        select(AlarmRow.key, AlarmEvent.detail["definition"].label("definition"))
        .ext(distinct_on(AlarmEvent.alarm_id))
        .join(AlarmRow, AlarmRow.id == AlarmEvent.alarm_id)
        .where(AlarmEvent.event.in_([Event.DEFINED.value, Event.REDEFINED.value]))
        .order_by(AlarmEvent.alarm_id, AlarmEvent.id.desc())
    )
    return {row.key: row.definition for row in conn.execute(newest)}


def _append_note(
    conn: Connection, record: AlarmRecord, event: Event, now: datetime, by: str, detail: Mapping[str, Any]
) -> None:
    """Write a journal line that changes no state."""
    conn.execute(
        insert(AlarmEvent).values(
            alarm_id=record.id,
            at=now,
            recorded_at=now,
            event=event.value,
            from_state=record.machine.state.value,
            to_state=record.machine.state.value,
            reason=MachineReason.BY_PERSON.value,
            actor=by,
            detail=dict(detail),
        )
    )


def lock_alarms(conn: Connection, keys: Sequence[str]) -> dict[str, AlarmRecord]:
    """Lock alarms against other writers until the transaction ends, always in the same order; return them by key."""
    in_order = AlarmRow.key.collate("C")
    statement = _records().where(AlarmRow.key.in_(keys)).order_by(in_order).with_for_update(of=AlarmRow)
    return {record.key: record for record in map(_record, conn.execute(statement))}


def alarms_of_keys(conn: Connection, keys: Sequence[str]) -> list[AlarmRecord]:
    """Return alarms by key, as they are now, without locking them."""
    return [_record(row) for row in conn.execute(_records().where(AlarmRow.key.in_(keys)).order_by(AlarmRow.key))]


def alarms(conn: Connection, *, described_only: bool = True) -> list[AlarmRecord]:
    """Return every alarm, in the order of their keys."""
    statement = _records().order_by(AlarmRow.key)
    if described_only:
        statement = statement.where(AlarmRow.described)
    return [_record(row) for row in conn.execute(statement)]


def find_alarms(conn: Connection, code_or_key: str) -> list[AlarmRecord]:
    """The alarms a person may mean: the one of that key, else every one whose last occurrence has that code."""
    named = [_record(row) for row in conn.execute(_records().where(AlarmRow.key == code_or_key))]
    if named:
        return named
    code = AlarmRow.machine["code"].as_string()
    return [_record(row) for row in conn.execute(_records().where(code == code_or_key.strip().upper()))]


def save_alarms(conn: Connection, states: Iterable[tuple[int, Machine]]) -> None:
    """Store the states of alarms (by row number), all in one statement."""
    rows = [
        {
            "id": alarm_id,
            "state": machine.state.value,
            "since": None if machine.since is None else machine.since.isoformat(),
            "data_to": None if machine.data_to is None else machine.data_to.isoformat(),
            "machine": machine.to_json(),
        }
        for alarm_id, machine in states
    ]
    if rows:
        conn.execute(_SAVE, {"rows": json.dumps(rows)})


_SAVE = text(
    "UPDATE alarm SET state = new.state, since = new.since, evaluated_to = new.data_to, machine = new.machine "
    "FROM jsonb_to_recordset(CAST(:rows AS jsonb)) "
    "AS new(id integer, state text, since timestamptz, data_to timestamptz, machine jsonb) WHERE alarm.id = new.id"
)


def save_unless_changed(conn: Connection, memories: Iterable[tuple[AlarmRecord, Machine]]) -> None:
    """Store the states of alarms without a transition, unless another writer changed them since they were read."""
    rows = [
        {"id": record.id, "before": json.dumps(record.machine.to_json()), "after": json.dumps(machine.to_json())}
        | {"data_to": machine.data_to}
        for record, machine in sorted(memories, key=lambda memory: memory[0].key)
    ]
    if rows:
        conn.execute(_KEEP, rows)


_KEEP = text(
    "UPDATE alarm SET machine = CAST(:after AS jsonb), evaluated_to = :data_to "
    "WHERE id = :id AND machine = CAST(:before AS jsonb)"
)


def append_events(
    conn: Connection, events: Sequence[tuple[int, Transition, Mapping[str, Any]]], *, recorded_at: datetime
) -> list[int]:
    """Write lines of the journal in one statement, and return their row numbers in the same order.

    Parameters
    ----------
    events : the alarm's row number, what happened, and the detail that says who was told and who was not, and why.
    """
    rows = [
        {
            "alarm_id": alarm_id,
            "at": transition.at,
            "recorded_at": recorded_at,
            "event": transition.event.value,
            "from_state": transition.from_state.value,
            "to_state": transition.to_state.value,
            "reason": transition.reason.value,
            "actor": transition.actor,
            "detail": {
                "code": transition.code,
                "occurred_at": None if transition.occurred_at is None else transition.occurred_at.isoformat(),
                "value": transition.value,
                "rule": transition.rule_reason,
                "note": transition.note,
                **detail,
            },
        }
        for alarm_id, transition, detail in events
    ]
    if not rows:
        return []
    statement = insert(AlarmEvent).returning(AlarmEvent.id, sort_by_parameter_order=True)
    return list(conn.execute(statement, rows).scalars())


def sent_messages(conn: Connection, alarm_ids: Sequence[int], since: datetime) -> dict[int, list[SentMessage]]:
    """Return the messages about these alarms since a time that were not cancelled, oldest first."""
    statement = (
        select(
            AlarmEvent.alarm_id,
            OutboxRow.key,
            OutboxRow.channel,
            OutboxRow.payload,
            OutboxRow.created_at,
            (OutboxRow.status == "failed").label("failed"),
        )
        .join(AlarmEvent, AlarmEvent.id == OutboxRow.alarm_event_id)
        .where(AlarmEvent.alarm_id.in_(alarm_ids), AlarmEvent.recorded_at >= since, OutboxRow.status != "cancelled")
        .order_by(OutboxRow.created_at, OutboxRow.id)
    )
    found: dict[int, list[SentMessage]] = {}
    for row in conn.execute(statement):
        found.setdefault(row.alarm_id, []).append(
            sent_message(row.key, row.channel, row.payload, row.created_at, failed=row.failed)
        )
    return found


def sent_message(
    key: str, channel: str, payload: Mapping[str, Any], at: datetime, *, failed: bool = False
) -> SentMessage:
    """Make a ``SentMessage`` from an outbox row."""
    occurred = payload.get("occurred_at")
    return SentMessage(
        contact=payload["contact"],
        channel=channel,
        kind=MessageKind(payload["kind"]),
        at=at,
        occurred_at=None if occurred is None else datetime.fromisoformat(occurred),
        key=key,
        failed=failed,
    )


def grouped_alarms(conn: Connection, alarm_ids: Sequence[int]) -> set[int]:
    """Return those of the alarms whose last occurrence was grouped under its cause, which called instead."""
    if not alarm_ids:
        return set()
    # One index row for each alarm, however long its journal; the state is a literal, so that the partial index is used.
    newest = (
        select(AlarmEvent.detail.has_key("folded_under").label("folded"))
        .where(AlarmEvent.alarm_id == AlarmRow.id, AlarmEvent.to_state == literal_column("'unacknowledged'"))
        .order_by(AlarmEvent.id.desc())
        .limit(1)
        .lateral()
    )
    found = select(AlarmRow.id).join(newest, true()).where(AlarmRow.id.in_(alarm_ids), newest.c.folded)
    return set(conn.execute(found).scalars())


def journal(
    conn: Connection,
    *,
    key: str | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
    limit: int | None = None,
) -> list[JournalLine]:
    """Journal lines at start ≤ time < end, newest first."""
    statement = _journal().order_by(AlarmEvent.at.desc(), AlarmEvent.id.desc())
    if key is not None:
        statement = statement.where(AlarmRow.key == key)
    if start is not None:
        statement = statement.where(AlarmEvent.at >= start)
    if end is not None:
        statement = statement.where(AlarmEvent.at < end)
    return _lines(conn, statement.limit(limit))


def journal_span(conn: Connection) -> tuple[datetime, datetime] | None:
    """The times of the oldest and the newest line; None where there is none."""
    oldest, newest = conn.execute(select(func.min(AlarmEvent.at), func.max(AlarmEvent.at))).one()
    return None if oldest is None else (oldest, newest)


def _journal() -> Any:
    return (
        select(*AlarmEvent.__table__.c, AlarmRow.key.label("alarm_key"), TankRow.key.label("tank_key"))
        .join(AlarmRow, AlarmRow.id == AlarmEvent.alarm_id)
        .outerjoin(TankRow, TankRow.id == AlarmRow.tank_id)
    )


def _lines(conn: Connection, statement: Any) -> list[JournalLine]:
    return [
        JournalLine(
            id=row.id,
            key=row.alarm_key,
            tank=row.tank_key,
            at=row.at,
            recorded_at=row.recorded_at,
            event=row.event,
            from_state=row.from_state,
            to_state=row.to_state,
            reason=row.reason,
            actor=row.actor,
            detail=row.detail,
        )
        for row in conn.execute(statement)
    ]


def definition_changes(conn: Connection, *, most: int) -> list[JournalLine]:
    """The newest lines about the definitions of all alarms, at most so many of each alarm, the oldest first."""
    events = [Event.DEFINED.value, Event.REDEFINED.value, Event.UNDEFINED.value]
    place = func.row_number().over(partition_by=AlarmEvent.alarm_id, order_by=AlarmEvent.id.desc()).label("place")
    ranked = select(AlarmEvent.id, place).where(AlarmEvent.event.in_(events)).subquery()
    newest = select(ranked.c.id).where(ranked.c.place <= most)
    return _lines(conn, _journal().where(AlarmEvent.id.in_(newest)).order_by(AlarmEvent.id))


def _records() -> Any:
    return select(
        AlarmRow.id, AlarmRow.key, AlarmRow.kind, AlarmRow.machine, AlarmRow.described, TankRow.key.label("tank")
    ).outerjoin(TankRow, TankRow.id == AlarmRow.tank_id)


def _record(row: Any) -> AlarmRecord:
    return AlarmRecord(
        id=row.id,
        key=row.key,
        kind=row.kind,
        tank=row.tank,
        machine=_machine(row),
        described=row.described,
    )


def _machine(row: Any) -> Machine:
    try:
        return Machine.from_json(row.machine)
    except (ValueError, TypeError) as error:
        # One unreadable row must not leave every tank unwatched. Evaluated anew the alarm calls once more, rather than never.
        log.error("what is kept of an alarm cannot be read; it is looked at anew", alarm=row.key, error=str(error))
        return Machine()


def alarm_of_event(conn: Connection, event_id: int) -> AlarmRecord | None:
    """Return the alarm of a journal line."""
    of_event = select(AlarmEvent.alarm_id).where(AlarmEvent.id == event_id).scalar_subquery()
    row = conn.execute(_records().where(AlarmRow.id == of_event)).first()
    return None if row is None else _record(row)


def transitions_between(conn: Connection, start: datetime, end: datetime) -> list[Happened]:
    """Return journal lines with the state they led to at start ≤ time < end, oldest first."""
    detail = AlarmEvent.detail
    rows = conn.execute(
        select(
            AlarmRow.key,
            AlarmEvent.at,
            AlarmEvent.event,
            AlarmEvent.to_state,
            AlarmEvent.actor,
            detail["note"].as_string().label("note"),
            detail["value"].as_float().label("value"),
        )
        .join(AlarmRow, AlarmRow.id == AlarmEvent.alarm_id)
        .where(AlarmEvent.at >= start, AlarmEvent.at < end)
        .order_by(AlarmEvent.at, AlarmEvent.id)
    )
    return [
        Happened(
            key=row.key,
            at=row.at,
            event=row.event,
            to_state=row.to_state,
            actor=row.actor,
            note=row.note or "",
            value=row.value,
        )
        for row in rows
    ]
