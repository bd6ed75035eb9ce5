"""What the database keeps about one person: the account, and what bears their name."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, or_, select

from service.storage.accounts.people import PersonRecord
from service.storage.database.tables import (
    AlarmEvent,
    AlarmRow,
    ApiToken,
    AuditEvent,
    Base,
    CalibrationRow,
    CoreRow,
    LaboratoryResultRow,
    Person,
    RecoveryCode,
    RoundRow,
    SecondFactor,
    ShiftNote,
    SignalRow,
    TankRow,
    WebSession,
)

#: Of each kind; the newest. A program of the plant's reads more by the interface for programs.
MOST_ROWS = 2_000


def personal_data(conn: Connection, person: PersonRecord) -> dict[str, Any]:
    """The rows about a person by kind, newest first, and the kinds of which there are more than are told.

    Hashes and sealed keys are left out: they tell nothing, and help whoever finds the file.
    """
    own = Person.id == person.id
    found: dict[str, Any] = {}
    cut_off = []
    for kind, columns, joined, condition, newest in (
        ("account", (Person.name, Person.label, Person.role, Person.email, Person.active, Person.created_at, Person.password_set_at, Person.subject), (), own, Person.id),
        ("sessions", (WebSession.started_at, WebSession.seen_at, WebSession.proven_at, WebSession.address, WebSession.agent), (), WebSession.person_id == person.id, WebSession.started_at),
        ("tokens", (ApiToken.name, ApiToken.scopes, ApiToken.created_at, ApiToken.expires_at, ApiToken.last_used_at, ApiToken.revoked_at), (), ApiToken.person_id == person.id, ApiToken.id),
        ("second_factor", (SecondFactor.begun_at, SecondFactor.confirmed_at), (), SecondFactor.person_id == person.id, SecondFactor.begun_at),
        ("recovery_codes", (RecoveryCode.used_at,), (), RecoveryCode.person_id == person.id, RecoveryCode.used_at),
        ("changes", (AuditEvent.at, AuditEvent.actor, AuditEvent.action, AuditEvent.subject, AuditEvent.detail, AuditEvent.address, AuditEvent.via), (), or_(AuditEvent.actor == person.name, AuditEvent.subject == person.name), AuditEvent.id),
        ("cores", (CoreRow.id, TankRow.key.label("tank"), CoreRow.taken_at, CoreRow.thickness, CoreRow.note), (TankRow,), CoreRow.taken_by == person.label, CoreRow.taken_at),
        ("rounds", (RoundRow.id, TankRow.key.label("tank"), RoundRow.taken_at, RoundRow.words, RoundRow.note), (TankRow,), RoundRow.taken_by == person.label, RoundRow.taken_at),
        ("laboratory_results", (LaboratoryResultRow.id, LaboratoryResultRow.kind, LaboratoryResultRow.taken_at, LaboratoryResultRow.typed_value, LaboratoryResultRow.typed_unit, LaboratoryResultRow.note), (), LaboratoryResultRow.taken_by == person.label, LaboratoryResultRow.taken_at),
        ("work_on_sensors", (CalibrationRow.id, SignalRow.tag, CalibrationRow.at, CalibrationRow.kind, CalibrationRow.note), (SignalRow,), CalibrationRow.done_by == person.label, CalibrationRow.at),
        ("shift_log", (ShiftNote.recorded_at, ShiftNote.kind, ShiftNote.note), (), ShiftNote.author == person.label, ShiftNote.recorded_at),
        ("alarms", (AlarmEvent.at, AlarmRow.key.label("alarm"), AlarmEvent.event, AlarmEvent.reason), (AlarmRow,), AlarmEvent.actor == person.label, AlarmEvent.id),
    ):  # fmt: skip
        rows = _newest(conn, columns, joined, condition, newest)
        if len(rows) > MOST_ROWS:
            cut_off.append(kind)
        found[kind] = rows[:MOST_ROWS]
    return {**found, "more_than_is_told": cut_off}


def _newest(
    conn: Connection,
    columns: tuple[Any, ...],
    joined: tuple[type[Base], ...],
    condition: ColumnElement[bool],
    newest: Any,
) -> list[dict[str, Any]]:
    statement = select(*columns)
    for table in joined:
        statement = statement.join(table)
    statement = statement.where(condition).order_by(newest.desc()).limit(MOST_ROWS + 1)
    return [dict(row._mapping) for row in conn.execute(statement)]
