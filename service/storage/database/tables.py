"""The tables. Times are UTC, values SI; every large table is keyed by what it is distributed by first, then time.

Append-only tables (hand_core, surface_round, laboratory_result, calibration, alarm_event, reading_revision, shift_note) are guarded by triggers made in the migration:
a correction is a new row that supersedes, never an update.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    DateTime,
    Double,
    ForeignKey,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    Text,
    UniqueConstraint,
    Uuid,
    text,
)
from sqlalchemy.dialects.postgresql import ARRAY, JSONB
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Base(DeclarativeBase):
    """Root of all tables; names of constraints are fixed so that migrations can drop them by name."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012  (SQLAlchemy reads it from the class)
        datetime: DateTime(timezone=True),
        str: Text(),
        float: Double(),
        int: Integer(),
        bool: Boolean(),
        UUID: Uuid(),
        dict[str, Any]: JSONB(),
        list[str]: ARRAY(Text()),
    }


#: Tables partitioned by month on their ``time`` column.
PARTITIONED = ("reading", "assessment", "estimate")


#: Tables that grow with every reading, and the column a distributed PostgreSQL would spread their rows by. It leads every
#: key of theirs, and every statement on them names it.
DISTRIBUTED = {
    "reading": "signal_id",
    "reading_revision": "signal_id",
    "assessment": "signal_id",
    "core_pair": "signal_id",
    "estimate": "tank_id",
    "estimator_checkpoint": "tank_id",
    "recompute": "tank_id",
    "rollup": "owner_id",
    "rollup_due": "owner_id",
}

#: Tables that distributed ones are joined with or refer to; a distributed PostgreSQL would hold a copy of them on every node.
REFERENCE = ("tank", "signal", "batch", "hand_core")


class SiteRevision(Base):
    """One version of the site file that was brought into force; the newest one is in force."""

    __tablename__ = "site_revision"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    content_hash: Mapped[str]
    content: Mapped[str]
    applied_at: Mapped[datetime]
    applied_by: Mapped[str]


class TankRow(Base):
    """A tank as the site file describes it now; rows of tanks no longer described are kept for their history."""

    __tablename__ = "tank"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    label: Mapped[str]
    kind: Mapped[str]
    shape: Mapped[str]
    side_water_depth: Mapped[float]
    floor_slope: Mapped[float]
    diameter: Mapped[float | None]
    length: Mapped[float | None]
    width: Mapped[float | None]
    weir_length: Mapped[float | None]
    core_distance_from_wall: Mapped[float]
    described: Mapped[bool] = mapped_column(server_default=text("true"))


class SignalRow(Base):
    """A signal as the site file describes it now."""

    __tablename__ = "signal"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    tag: Mapped[str] = mapped_column(unique=True)
    kind: Mapped[str]
    unit: Mapped[str]
    tank_id: Mapped[int | None] = mapped_column(ForeignKey("tank.id"), index=True)
    described: Mapped[bool] = mapped_column(server_default=text("true"))


class Batch(Base):
    """One transaction's worth of delivered data: what a reading, core or file came in with, and when it was known."""

    __tablename__ = "batch"
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    received_at: Mapped[datetime] = mapped_column(index=True)
    connector: Mapped[str]
    origin: Mapped[str]
    accepted: Mapped[int] = mapped_column(server_default=text("0"))
    duplicate: Mapped[int] = mapped_column(server_default=text("0"))
    revised: Mapped[int] = mapped_column(server_default=text("0"))
    rejected: Mapped[int] = mapped_column(server_default=text("0"))


class ReadingRow(Base):
    """One value of one signal. Value is NaN only where quality is 2 (bad)."""

    __tablename__ = "reading"
    __table_args__ = {"postgresql_partition_by": "RANGE (time)"}  # noqa: RUF012
    signal_id: Mapped[int] = mapped_column(Integer, primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    value: Mapped[float]
    batch_id: Mapped[int] = mapped_column(BigInteger)
    quality: Mapped[int] = mapped_column(SmallInteger)
    reason: Mapped[int] = mapped_column(SmallInteger)


class ReadingRevision(Base):
    """What a reading was before a later delivery changed it; lets a replay know only what was known then."""

    __tablename__ = "reading_revision"
    signal_id: Mapped[int] = mapped_column(Integer, primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    batch_id: Mapped[int] = mapped_column(BigInteger, primary_key=True)
    value: Mapped[float]
    quality: Mapped[int] = mapped_column(SmallInteger)
    reason: Mapped[int] = mapped_column(SmallInteger)
    replaced_by_batch_id: Mapped[int] = mapped_column(BigInteger)


class CoreRow(Base):
    """A hand core. Append-only: a correction names the row it supersedes, a withdrawal also sets ``withdrawn``."""

    __tablename__ = "hand_core"
    __table_args__ = (
        UniqueConstraint("supersedes"),
        Index("ix_hand_core_tank_id_taken_at", "tank_id", "taken_at"),
        CheckConstraint("thickness >= 0", name="thickness_not_negative"),
        CheckConstraint("supersedes IS NULL OR correction_reason <> ''", name="correction_has_reason"),
        CheckConstraint("NOT withdrawn OR supersedes IS NOT NULL", name="withdrawal_names_a_core"),
    )
    id: Mapped[UUID] = mapped_column(primary_key=True)
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"))
    taken_at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    thickness: Mapped[float]
    distance_from_wall: Mapped[float]
    arm_position: Mapped[float | None]
    replicate: Mapped[int] = mapped_column(SmallInteger, server_default=text("1"))
    fluff: Mapped[float | None]
    surface: Mapped[list[str]]
    taken_by: Mapped[str]
    note: Mapped[str]
    typed_value: Mapped[float]
    typed_unit: Mapped[str]
    source: Mapped[str]
    batch_id: Mapped[int | None] = mapped_column(ForeignKey("batch.id"), index=True)
    warnings: Mapped[list[str]]
    supersedes: Mapped[UUID | None] = mapped_column(ForeignKey("hand_core.id"))
    withdrawn: Mapped[bool] = mapped_column(server_default=text("false"))
    correction_reason: Mapped[str] = mapped_column(server_default=text("''"))


class RoundRow(Base):
    """What was seen of a tank's surface and machine without a core. Append-only: corrected and withdrawn as a core is."""

    __tablename__ = "surface_round"
    __table_args__ = (
        UniqueConstraint("supersedes"),
        Index("ix_surface_round_tank_id_taken_at", "tank_id", "taken_at"),
        CheckConstraint("supersedes IS NULL OR correction_reason <> ''", name="correction_has_reason"),
        CheckConstraint("NOT withdrawn OR supersedes IS NOT NULL", name="withdrawal_names_a_round"),
    )
    id: Mapped[UUID] = mapped_column(primary_key=True)
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"))
    taken_at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    words: Mapped[list[str]]
    #: Of the drive's rating [–].
    torque: Mapped[float | None]
    taken_by: Mapped[str]
    note: Mapped[str]
    source: Mapped[str]
    supersedes: Mapped[UUID | None] = mapped_column(ForeignKey("surface_round.id"))
    withdrawn: Mapped[bool] = mapped_column(server_default=text("false"))
    correction_reason: Mapped[str] = mapped_column(server_default=text("''"))


class CorePhoto(Base):
    """The photo taken with a hand core: the picture alone, written anew."""

    __tablename__ = "core_photo"
    core_id: Mapped[UUID] = mapped_column(ForeignKey("hand_core.id"), primary_key=True)
    recorded_at: Mapped[datetime]
    sha256: Mapped[str]
    width: Mapped[int]
    height: Mapped[int]
    jpeg: Mapped[bytes] = mapped_column(LargeBinary)


class LaboratoryResultRow(Base):
    """One laboratory or field value. Append-only, corrected by superseding. ``tank_id`` is NULL for the whole plant."""

    __tablename__ = "laboratory_result"
    __table_args__ = (
        UniqueConstraint("supersedes"),
        Index("ix_laboratory_result_taken_at", "taken_at"),
        CheckConstraint("(kind = 'settled_volume') = (minute IS NOT NULL)", name="settling_test_has_minute"),
        CheckConstraint("dilution >= 1", name="dilution_at_least_one"),
        CheckConstraint("supersedes IS NULL OR correction_reason <> ''", name="correction_has_reason"),
        CheckConstraint("NOT withdrawn OR supersedes IS NOT NULL", name="withdrawal_names_a_result"),
    )
    id: Mapped[UUID] = mapped_column(primary_key=True)
    kind: Mapped[str]
    tank_id: Mapped[int | None] = mapped_column(ForeignKey("tank.id"))
    taken_at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    value: Mapped[float]
    #: Of a settling test: the minute it was read, whether stirred, final over original volume.
    minute: Mapped[int | None] = mapped_column(SmallInteger)
    stirred: Mapped[bool] = mapped_column(server_default=text("false"))
    dilution: Mapped[float] = mapped_column(server_default=text("1"))
    taken_by: Mapped[str]
    note: Mapped[str]
    typed_value: Mapped[float]
    typed_unit: Mapped[str]
    source: Mapped[str]
    warnings: Mapped[list[str]]
    supersedes: Mapped[UUID | None] = mapped_column(ForeignKey("laboratory_result.id"))
    withdrawn: Mapped[bool] = mapped_column(server_default=text("false"))
    correction_reason: Mapped[str] = mapped_column(server_default=text("''"))


class CalibrationRow(Base):
    """Work on a sensor. Append-only, corrected by superseding."""

    __tablename__ = "calibration"
    __table_args__ = (
        UniqueConstraint("supersedes"),
        Index("ix_calibration_signal_id_at", "signal_id", "at"),
        CheckConstraint("supersedes IS NULL OR correction_reason <> ''", name="correction_has_reason"),
        CheckConstraint("NOT withdrawn OR supersedes IS NOT NULL", name="withdrawal_names_a_calibration"),
    )
    id: Mapped[UUID] = mapped_column(primary_key=True)
    signal_id: Mapped[int] = mapped_column(ForeignKey("signal.id"))
    at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    kind: Mapped[str]
    done_by: Mapped[str]
    reason: Mapped[str]
    note: Mapped[str]
    as_found_offset: Mapped[float | None]
    as_left_offset: Mapped[float | None]
    as_found_span_error: Mapped[float | None]
    as_left_span_error: Mapped[float | None]
    as_found_typed: Mapped[str] = mapped_column(server_default=text("''"))
    as_left_typed: Mapped[str] = mapped_column(server_default=text("''"))
    supersedes: Mapped[UUID | None] = mapped_column(ForeignKey("calibration.id"))
    withdrawn: Mapped[bool] = mapped_column(server_default=text("false"))
    correction_reason: Mapped[str] = mapped_column(server_default=text("''"))


class AssessmentRow(Base):
    """Conditioning's verdict on one blanket sample; derived from readings, cores and calibrations."""

    __tablename__ = "assessment"
    __table_args__ = {"postgresql_partition_by": "RANGE (time)"}  # noqa: RUF012
    signal_id: Mapped[int] = mapped_column(Integer, primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    height: Mapped[float]
    corrected: Mapped[float]
    verdict: Mapped[int] = mapped_column(SmallInteger)


class EstimateRow(Base):
    """Estimated blanket height; derived."""

    __tablename__ = "estimate"
    __table_args__ = {"postgresql_partition_by": "RANGE (time)"}  # noqa: RUF012
    tank_id: Mapped[int] = mapped_column(Integer, primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    height: Mapped[float]
    sd: Mapped[float]
    rate: Mapped[float]
    trust: Mapped[str]
    reason: Mapped[str]
    #: Chance, height and deviation of each rival story, one after the other; NULL where there is one story only.
    stories: Mapped[list[float] | None] = mapped_column(ARRAY(Double))


class RollupRow(Base):
    """Least, greatest and last value of a bucket of time; ``series`` numbers the series (chart_series.py), ``step`` is its length. [s]

    The values ride along in the key's index: a year is then read from a few neighbouring pages, however many other
    sensors' rows were written between.
    """

    __tablename__ = "rollup"
    __table_args__ = (
        PrimaryKeyConstraint(
            "owner_id", "series", "step", "time", postgresql_include=["low", "high", "last", "readings"]
        ),
    )
    #: Signal or tank, as the series has it.
    owner_id: Mapped[int]
    series: Mapped[int] = mapped_column(SmallInteger)
    step: Mapped[int]
    time: Mapped[datetime]
    low: Mapped[float]
    high: Mapped[float]
    last: Mapped[float]
    readings: Mapped[int]


class RollupDue(Base):
    """A span of one signal's or tank's rows that changed and that its rollups do not yet know of, both ends included."""

    __tablename__ = "rollup_due"
    owner_id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    source: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    first: Mapped[datetime]
    last: Mapped[datetime]


class ArchiveFile(Base):
    """A file that holds a month of rows which are no longer in their table."""

    __tablename__ = "archive_file"
    source: Mapped[str] = mapped_column(primary_key=True)
    month: Mapped[datetime] = mapped_column(primary_key=True)
    #: Rows that came after their month was archived go into further parts.
    part: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str]
    row_count: Mapped[int] = mapped_column(BigInteger)
    checksum: Mapped[str]
    archived_at: Mapped[datetime]
    #: When its rows were brought back; they are in the table then.
    restored_at: Mapped[datetime | None]


class CorePair(Base):
    """A core beside what a sensor said then: the sensor's drift is learned from it; derived."""

    __tablename__ = "core_pair"
    signal_id: Mapped[int] = mapped_column(ForeignKey("signal.id"), primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    core_id: Mapped[UUID] = mapped_column(primary_key=True)
    pair: Mapped[dict[str, Any]]


class EstimatorCheckpoint(Base):
    """The estimator's state after every event up to ``time``: where a recomputation can start."""

    __tablename__ = "estimator_checkpoint"
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"), primary_key=True)
    time: Mapped[datetime] = mapped_column(primary_key=True)
    state: Mapped[dict[str, Any]]


class Recompute(Base):
    """Recompute queue: per tank, the earliest changed time not yet claimed, and the time claimed for estimation.

    ``past_``: the backfill beside the present: its beginning, how far it is, the end of the chunk in work.
    """

    __tablename__ = "recompute"
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"), primary_key=True)
    dirty_from: Mapped[datetime | None]
    working_from: Mapped[datetime | None]
    claims: Mapped[int] = mapped_column(BigInteger, server_default=text("0"))
    past_since: Mapped[datetime | None]
    past_from: Mapped[datetime | None]
    past_to: Mapped[datetime | None]
    past_piece: Mapped[int] = mapped_column(BigInteger, server_default=text("0"))
    past_began_at: Mapped[datetime | None]


class TankOutage(Base):
    """A time in which a tank is out of service: empty, or nobody's concern. Open while ``until`` is empty."""

    __tablename__ = "tank_outage"
    __table_args__ = (Index("ix_tank_outage_open", "tank_id", unique=True, postgresql_where=text("until IS NULL")),)
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    tank_id: Mapped[int] = mapped_column(ForeignKey("tank.id"))
    since: Mapped[datetime]
    until: Mapped[datetime | None]
    who: Mapped[str]
    why: Mapped[str]
    permit: Mapped[str] = mapped_column(server_default=text("''"))
    ended_by: Mapped[str] = mapped_column(server_default=text("''"))


class AlarmRow(Base):
    """The current state of each alarm. ``machine`` is the state machine's own memory (timers, counts)."""

    __tablename__ = "alarm"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    kind: Mapped[str]
    tank_id: Mapped[int | None] = mapped_column(ForeignKey("tank.id"), index=True)
    signal_id: Mapped[int | None] = mapped_column(ForeignKey("signal.id"))
    connector: Mapped[str | None]
    state: Mapped[str]
    since: Mapped[datetime]
    evaluated_to: Mapped[datetime | None]
    machine: Mapped[dict[str, Any]]
    described: Mapped[bool] = mapped_column(server_default=text("true"))


class AlarmEvent(Base):
    """The journal: every transition and every decision to notify or not, with its named reason. Append-only."""

    __tablename__ = "alarm_event"
    __table_args__ = (
        Index("ix_alarm_event_alarm_id_at", "alarm_id", "at"),
        Index("ix_alarm_event_at", "at"),
        Index("ix_alarm_event_alarm_id_recorded_at", "alarm_id", "recorded_at"),
        Index("ix_alarm_event_unanswered", "alarm_id", "id", postgresql_where=text("to_state = 'unacknowledged'")),
    )
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    alarm_id: Mapped[int] = mapped_column(ForeignKey("alarm.id"))
    at: Mapped[datetime]
    recorded_at: Mapped[datetime]
    event: Mapped[str]
    from_state: Mapped[str]
    to_state: Mapped[str]
    reason: Mapped[str]
    actor: Mapped[str] = mapped_column(server_default=text("''"))
    detail: Mapped[dict[str, Any]]


class OutboxRow(Base):
    """A message to send, written in the transaction of the alarm event it is about."""

    __tablename__ = "outbox"
    __table_args__ = (Index("ix_outbox_due", "next_attempt_at", postgresql_where=text("status = 'waiting'")),)
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    key: Mapped[str] = mapped_column(unique=True)
    alarm_event_id: Mapped[int | None] = mapped_column(ForeignKey("alarm_event.id"), index=True)
    channel: Mapped[str]
    recipient: Mapped[str]
    payload: Mapped[dict[str, Any]]
    status: Mapped[str]
    attempts: Mapped[int] = mapped_column(server_default=text("0"))
    created_at: Mapped[datetime]
    next_attempt_at: Mapped[datetime]
    claimed_until: Mapped[datetime | None]
    sent_at: Mapped[datetime | None]
    #: The gateway's id of the message, and when it reported delivery.
    gateway_id: Mapped[str | None] = mapped_column(index=True)
    delivered_at: Mapped[datetime | None]


class DeliveryAttempt(Base):
    """A delivery attempt and its outcome."""

    __tablename__ = "delivery_attempt"
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    outbox_id: Mapped[int] = mapped_column(ForeignKey("outbox.id"), index=True)
    at: Mapped[datetime] = mapped_column(index=True)
    outcome: Mapped[str]
    reason: Mapped[str]
    answer: Mapped[str]


class ConnectorState(Base):
    """A connector's position in its source, and its health."""

    __tablename__ = "connector_state"
    connector: Mapped[str] = mapped_column(primary_key=True)
    state: Mapped[dict[str, Any]]
    last_good_at: Mapped[datetime | None]
    last_sample_at: Mapped[datetime | None]
    last_error_at: Mapped[datetime | None]
    last_error: Mapped[str] = mapped_column(server_default=text("''"))
    failures: Mapped[int] = mapped_column(server_default=text("0"))
    delivered: Mapped[int] = mapped_column(BigInteger, server_default=text("0"))
    #: Samples lost, ever, and when the newest loss was found.
    lost: Mapped[int] = mapped_column(BigInteger, server_default=text("0"))
    lost_at: Mapped[datetime | None]
    standing: Mapped[dict[str, Any]] = mapped_column(server_default=text("'{}'::jsonb"))


class LeaseRow(Base):
    """Which run of the service on which node does a piece of work; ``token`` grows with every change of holder."""

    __tablename__ = "lease"
    name: Mapped[str] = mapped_column(primary_key=True)
    node: Mapped[str | None]
    node_name: Mapped[str | None]
    process: Mapped[str | None]
    token: Mapped[int] = mapped_column(BigInteger)
    since: Mapped[datetime | None]
    expires: Mapped[datetime | None]


class FileLedger(Base):
    """Processed files by content hash: the same content again changes nothing."""

    __tablename__ = "file_ledger"
    connector: Mapped[str] = mapped_column(primary_key=True)
    content_hash: Mapped[str] = mapped_column(primary_key=True)
    origin: Mapped[str]
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    batch_id: Mapped[int] = mapped_column(ForeignKey("batch.id"), index=True)
    received_at: Mapped[datetime]


class ShiftNote(Base):
    """What people write into the shift log: notes, and who took the shift over. Append-only; a note is corrected by another."""

    __tablename__ = "shift_note"
    __table_args__ = (
        CheckConstraint("kind IN ('note', 'take over')", name="known_kind"),
        CheckConstraint("kind <> 'note' OR note <> ''", name="note_says_something"),
        CheckConstraint("corrects IS NULL OR kind = 'note'", name="only_notes_correct"),
    )
    id: Mapped[UUID] = mapped_column(primary_key=True)
    shift_start: Mapped[datetime] = mapped_column(index=True)
    recorded_at: Mapped[datetime]
    kind: Mapped[str]
    author: Mapped[str]
    note: Mapped[str]
    corrects: Mapped[UUID | None] = mapped_column(ForeignKey("shift_note.id"))


class Person(Base):
    """An account. Never deleted, only deactivated: the audit log names it."""

    __tablename__ = "person"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    label: Mapped[str]
    role: Mapped[str]
    #: Issuer and subject at the identity provider; None for local accounts.
    subject: Mapped[str | None] = mapped_column(unique=True)
    password_hash: Mapped[str | None]
    #: What the password was held against when it was looked at last.
    password_rules: Mapped[str | None]
    active: Mapped[bool] = mapped_column(server_default=text("true"))
    created_at: Mapped[datetime]
    password_set_at: Mapped[datetime | None]
    #: Where they are told of changes to their account.
    email: Mapped[str | None]


class WebSession(Base):
    """A web session, known by the hash of the secret in the cookie."""

    __tablename__ = "web_session"
    token_hash: Mapped[str] = mapped_column(primary_key=True)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    started_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    address: Mapped[str]
    agent: Mapped[str]
    #: When its owner last proved who they are, by password, code or a fresh sign-in: the cookie alone proves nothing.
    proven_at: Mapped[datetime | None]


class SecondFactor(Base):
    """The key of a person's one-time codes; sealed, as the database must not be enough to make them."""

    __tablename__ = "second_factor"
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), primary_key=True)
    sealed_key: Mapped[str]
    begun_at: Mapped[datetime]
    #: When the person proved that their phone has the key; asked for at sign-in from then on.
    confirmed_at: Mapped[datetime | None]
    #: The newest time step whose code was used: none counts twice.
    last_step: Mapped[int] = mapped_column(BigInteger)


class RecoveryCode(Base):
    """A code that counts once in the place of a one-time code; only its hash is kept."""

    __tablename__ = "recovery_code"
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), primary_key=True)
    code_hash: Mapped[str] = mapped_column(primary_key=True)
    used_at: Mapped[datetime | None]


class SignInFailure(Base):
    """A sign-in that failed, kept for as long as it slows down the next."""

    __tablename__ = "sign_in_failure"
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    name: Mapped[str]
    address: Mapped[str]
    at: Mapped[datetime] = mapped_column(index=True)


class ApiToken(Base):
    """A secret that lets a program in on behalf of a person; only its hash is kept."""

    __tablename__ = "api_token"
    id: Mapped[int] = mapped_column(Integer, Identity(), primary_key=True)
    name: Mapped[str]
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    token_hash: Mapped[str] = mapped_column(unique=True)
    scopes: Mapped[list[str]]
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime]
    last_used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class AuditEvent(Base):
    """Who changed what, and from where. Append-only."""

    __tablename__ = "audit_event"
    id: Mapped[int] = mapped_column(BigInteger, Identity(), primary_key=True)
    at: Mapped[datetime] = mapped_column(index=True)
    actor: Mapped[str]
    action: Mapped[str]
    subject: Mapped[str]
    detail: Mapped[dict[str, Any]]
    address: Mapped[str]
    via: Mapped[str] = mapped_column(server_default=text("''"))


class JobRunRow(Base):
    """How often a job ran, how long it took in all, and how it last went."""

    __tablename__ = "job_run"
    job: Mapped[str] = mapped_column(primary_key=True)
    runs: Mapped[int] = mapped_column(BigInteger)
    failures: Mapped[int] = mapped_column(BigInteger)
    seconds: Mapped[float]
    last_seconds: Mapped[float]
    last_began_at: Mapped[datetime]
    last_good_at: Mapped[datetime | None]
    last_failed_at: Mapped[datetime | None]
    last_error: Mapped[str] = mapped_column(server_default=text("''"))


class EffluentSignatureRow(Base):
    """A signature under a month of effluent figures, with the figures. Append-only: a month may be signed again."""

    __tablename__ = "effluent_signature"
    __table_args__ = (CheckConstraint("reason <> ''", name="signed_with_a_reason"),)
    id: Mapped[UUID] = mapped_column(primary_key=True)
    month: Mapped[date] = mapped_column(index=True)
    signed_at: Mapped[datetime]
    signed_by: Mapped[str]
    reason: Mapped[str]
    figures: Mapped[dict[str, Any]]
