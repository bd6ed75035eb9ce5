"""First tables.

Revision ID: 0001
Revises:
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import ARRAY, JSONB

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)

#: Table -> whether retention may ever delete its rows. Hand cores, calibrations and the shift log are kept for good: they are few,
#: and they are the evidence everything else is judged by.
APPEND_ONLY = {
    "hand_core": False,
    "calibration": False,
    "alarm_event": True,
    "reading_revision": True,
    "audit_event": True,
    "shift_note": False,
}

# Statement triggers: an UPDATE that happens to match no row is a mistake as well. Dropping a table or a partition is not
# caught, and need not be: it is no way for a row to change unnoticed. Deleting old rows is possible only where the table
# allows it and the transaction has said so: SET LOCAL underweir.retention = 'on'.
REFUSE = """
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' AND TG_ARGV[0] = 'prunable' AND current_setting('underweir.retention', true) = 'on' THEN
        RETURN NULL;
    END IF;
    RAISE EXCEPTION '% is append-only, % is refused: a correction is a new row that supersedes the old one', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'restrict_violation';
END
$$
"""


def upgrade() -> None:
    plant()
    readings()
    trends()
    cores()
    sensors()
    blanket()
    alarms()
    calls()
    accounts()
    reports()
    operations()
    op.execute(REFUSE)
    for table, prunable in APPEND_ONLY.items():
        op.execute(
            f"CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}"
            f" FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('{'prunable' if prunable else 'kept'}')"
        )


def plant() -> None:
    """What the site file describes, and tanks out of service."""
    op.create_table(
        "site_revision",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("content_hash", sa.Text(), nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
        sa.Column("applied_at", TIME, nullable=False),
        sa.Column("applied_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_site_revision"),
    )
    op.create_table(
        "tank",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("shape", sa.Text(), nullable=False),
        sa.Column("side_water_depth", sa.Double(), nullable=False),
        sa.Column("floor_slope", sa.Double(), nullable=False),
        sa.Column("diameter", sa.Double()),
        sa.Column("length", sa.Double()),
        sa.Column("width", sa.Double()),
        sa.Column("weir_length", sa.Double()),
        sa.Column("core_distance_from_wall", sa.Double(), nullable=False),
        sa.Column("described", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tank"),
        sa.UniqueConstraint("key", name="uq_tank_key"),
    )
    op.create_table(
        "signal",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("tag", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("tank_id", sa.Integer()),
        sa.Column("described", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_signal_tank_id"),
        sa.PrimaryKeyConstraint("id", name="pk_signal"),
        sa.UniqueConstraint("tag", name="uq_signal_tag"),
    )
    op.create_index("ix_signal_tank_id", "signal", ["tank_id"])
    op.create_table(
        "tank_outage",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("since", TIME, nullable=False),
        sa.Column("until", TIME),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("permit", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.Column("ended_by", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_tank_outage_tank_id"),
        sa.PrimaryKeyConstraint("id", name="pk_tank_outage"),
    )
    op.create_index(
        "ix_tank_outage_open", "tank_outage", ["tank_id"], unique=True, postgresql_where=sa.text("until IS NULL")
    )


def readings() -> None:
    """What came in, from where."""
    op.create_table(
        "batch",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("received_at", TIME, nullable=False),
        sa.Column("connector", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("accepted", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("duplicate", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("revised", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("rejected", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_batch"),
    )
    op.create_index("ix_batch_received_at", "batch", ["received_at"])
    op.create_table(
        "connector_state",
        sa.Column("connector", sa.Text(), nullable=False),
        sa.Column("state", JSONB(), nullable=False),
        sa.Column("last_good_at", TIME),
        sa.Column("last_sample_at", TIME),
        sa.Column("last_error_at", TIME),
        sa.Column("last_error", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.Column("failures", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("delivered", sa.BigInteger(), server_default=sa.text("0"), nullable=False),
        sa.Column("lost", sa.BigInteger(), server_default=sa.text("0"), nullable=False),
        sa.Column("lost_at", TIME),
        sa.Column("standing", JSONB(), server_default=sa.text("'{}'::jsonb"), nullable=False),
        sa.PrimaryKeyConstraint("connector", name="pk_connector_state"),
    )
    op.create_table(
        "file_ledger",
        sa.Column("connector", sa.Text(), nullable=False),
        sa.Column("content_hash", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.Column("received_at", TIME, nullable=False),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name="fk_file_ledger_batch_id"),
        sa.PrimaryKeyConstraint("connector", "content_hash", name="pk_file_ledger"),
    )
    op.create_index("ix_file_ledger_batch_id", "file_ledger", ["batch_id"])
    op.create_table(
        "reading",
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.Column("quality", sa.SmallInteger(), nullable=False),
        sa.Column("reason", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("signal_id", "time", name="pk_reading"),
        postgresql_partition_by="RANGE (time)",
    )
    op.create_table(
        "reading_revision",
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("quality", sa.SmallInteger(), nullable=False),
        sa.Column("reason", sa.SmallInteger(), nullable=False),
        sa.Column("replaced_by_batch_id", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("signal_id", "time", "batch_id", name="pk_reading_revision"),
    )


def trends() -> None:
    """Long stretches made short, and months moved to files."""
    op.create_table(
        "rollup",
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("series", sa.SmallInteger(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("last", sa.Double(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint(
            "owner_id",
            "series",
            "step",
            "time",
            name="pk_rollup",
            postgresql_include=["low", "high", "last", "readings"],
        ),
    )
    op.create_table(
        "rollup_due",
        sa.Column("owner_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("first", TIME, nullable=False),
        sa.Column("last", TIME, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "source", "id", name="pk_rollup_due"),
    )
    op.create_table(
        "archive_file",
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("month", TIME, nullable=False),
        sa.Column("part", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("row_count", sa.BigInteger(), nullable=False),
        sa.Column("checksum", sa.Text(), nullable=False),
        sa.Column("archived_at", TIME, nullable=False),
        sa.Column("restored_at", TIME),
        sa.PrimaryKeyConstraint("source", "month", "part", name="pk_archive_file"),
    )


def cores() -> None:
    """What people measured and saw."""
    op.create_table(
        "hand_core",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("thickness", sa.Double(), nullable=False),
        sa.Column("distance_from_wall", sa.Double(), nullable=False),
        sa.Column("arm_position", sa.Double()),
        sa.Column("replicate", sa.SmallInteger(), server_default=sa.text("1"), nullable=False),
        sa.Column("fluff", sa.Double()),
        sa.Column("surface", ARRAY(sa.Text()), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("typed_value", sa.Double(), nullable=False),
        sa.Column("typed_unit", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("batch_id", sa.BigInteger()),
        sa.Column("warnings", ARRAY(sa.Text()), nullable=False),
        sa.Column("supersedes", sa.Uuid()),
        sa.Column("withdrawn", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("correction_reason", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.CheckConstraint(
            "supersedes IS NULL OR correction_reason <> ''", name=op.f("ck_hand_core_correction_has_reason")
        ),
        sa.CheckConstraint(
            "NOT withdrawn OR supersedes IS NOT NULL", name=op.f("ck_hand_core_withdrawal_names_a_core")
        ),
        sa.CheckConstraint("thickness >= 0", name=op.f("ck_hand_core_thickness_not_negative")),
        sa.ForeignKeyConstraint(["batch_id"], ["batch.id"], name="fk_hand_core_batch_id"),
        sa.ForeignKeyConstraint(["supersedes"], ["hand_core.id"], name="fk_hand_core_supersedes"),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_hand_core_tank_id"),
        sa.PrimaryKeyConstraint("id", name="pk_hand_core"),
        sa.UniqueConstraint("supersedes", name="uq_hand_core_supersedes"),
    )
    op.create_index("ix_hand_core_batch_id", "hand_core", ["batch_id"])
    op.create_index("ix_hand_core_tank_id_taken_at", "hand_core", ["tank_id", "taken_at"])
    op.create_table(
        "core_photo",
        sa.Column("core_id", sa.Uuid(), nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.Column("jpeg", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["core_id"], ["hand_core.id"], name="fk_core_photo_core_id"),
        sa.PrimaryKeyConstraint("core_id", name="pk_core_photo"),
    )
    op.create_table(
        "core_pair",
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("core_id", sa.Uuid(), nullable=False),
        sa.Column("pair", JSONB(), nullable=False),
        sa.ForeignKeyConstraint(["signal_id"], ["signal.id"], name="fk_core_pair_signal_id"),
        sa.PrimaryKeyConstraint("signal_id", "time", "core_id", name="pk_core_pair"),
    )


def sensors() -> None:
    """Work on sensors."""
    op.create_table(
        "calibration",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("done_by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("as_found_offset", sa.Double()),
        sa.Column("as_left_offset", sa.Double()),
        sa.Column("as_found_span_error", sa.Double()),
        sa.Column("as_left_span_error", sa.Double()),
        sa.Column("supersedes", sa.Uuid()),
        sa.Column("withdrawn", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("correction_reason", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.CheckConstraint(
            "supersedes IS NULL OR correction_reason <> ''", name=op.f("ck_calibration_correction_has_reason")
        ),
        sa.CheckConstraint(
            "NOT withdrawn OR supersedes IS NOT NULL", name=op.f("ck_calibration_withdrawal_names_a_calibration")
        ),
        sa.ForeignKeyConstraint(["signal_id"], ["signal.id"], name="fk_calibration_signal_id"),
        sa.ForeignKeyConstraint(["supersedes"], ["calibration.id"], name="fk_calibration_supersedes"),
        sa.PrimaryKeyConstraint("id", name="pk_calibration"),
        sa.UniqueConstraint("supersedes", name="uq_calibration_supersedes"),
    )
    op.create_index("ix_calibration_signal_id_at", "calibration", ["signal_id", "at"])


def blanket() -> None:
    """What is believed, and what has to be estimated again."""
    op.create_table(
        "estimator_checkpoint",
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("state", JSONB(), nullable=False),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_estimator_checkpoint_tank_id"),
        sa.PrimaryKeyConstraint("tank_id", "time", name="pk_estimator_checkpoint"),
    )
    op.create_table(
        "recompute",
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("dirty_from", TIME),
        sa.Column("working_from", TIME),
        sa.Column("claims", sa.BigInteger(), server_default=sa.text("0"), nullable=False),
        sa.Column("past_since", TIME),
        sa.Column("past_from", TIME),
        sa.Column("past_to", TIME),
        sa.Column("past_piece", sa.BigInteger(), server_default=sa.text("0"), nullable=False),
        sa.Column("past_began_at", TIME),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_recompute_tank_id"),
        sa.PrimaryKeyConstraint("tank_id", name="pk_recompute"),
    )
    op.create_table(
        "assessment",
        sa.Column("signal_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("height", sa.Double(), nullable=False),
        sa.Column("corrected", sa.Double(), nullable=False),
        sa.Column("verdict", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("signal_id", "time", name="pk_assessment"),
        postgresql_partition_by="RANGE (time)",
    )
    op.create_table(
        "estimate",
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("height", sa.Double(), nullable=False),
        sa.Column("sd", sa.Double(), nullable=False),
        sa.Column("rate", sa.Double(), nullable=False),
        sa.Column("trust", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("tank_id", "time", name="pk_estimate"),
        postgresql_partition_by="RANGE (time)",
    )


def alarms() -> None:
    """Where alarms stand, and their journal."""
    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("tank_id", sa.Integer()),
        sa.Column("signal_id", sa.Integer()),
        sa.Column("connector", sa.Text()),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("since", TIME, nullable=False),
        sa.Column("evaluated_to", TIME),
        sa.Column("machine", JSONB(), nullable=False),
        sa.Column("described", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.ForeignKeyConstraint(["signal_id"], ["signal.id"], name="fk_alarm_signal_id"),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_alarm_tank_id"),
        sa.PrimaryKeyConstraint("id", name="pk_alarm"),
        sa.UniqueConstraint("key", name="uq_alarm_key"),
    )
    op.create_index("ix_alarm_tank_id", "alarm", ["tank_id"])
    op.create_table(
        "alarm_event",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("event", sa.Text(), nullable=False),
        sa.Column("from_state", sa.Text(), nullable=False),
        sa.Column("to_state", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("actor", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.Column("detail", JSONB(), nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name="fk_alarm_event_alarm_id"),
        sa.PrimaryKeyConstraint("id", name="pk_alarm_event"),
    )
    op.create_index("ix_alarm_event_alarm_id_at", "alarm_event", ["alarm_id", "at"])
    op.create_index("ix_alarm_event_alarm_id_recorded_at", "alarm_event", ["alarm_id", "recorded_at"])
    op.create_index("ix_alarm_event_at", "alarm_event", ["at"])
    op.create_index(
        "ix_alarm_event_unanswered",
        "alarm_event",
        ["alarm_id", "id"],
        postgresql_where=sa.text("to_state = 'unacknowledged'"),
    )


def calls() -> None:
    """Messages, and every try to hand them over."""
    op.create_table(
        "outbox",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("alarm_event_id", sa.BigInteger()),
        sa.Column("channel", sa.Text(), nullable=False),
        sa.Column("recipient", sa.Text(), nullable=False),
        sa.Column("payload", JSONB(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("next_attempt_at", TIME, nullable=False),
        sa.Column("claimed_until", TIME),
        sa.Column("sent_at", TIME),
        sa.Column("gateway_id", sa.Text()),
        sa.Column("delivered_at", TIME),
        sa.ForeignKeyConstraint(["alarm_event_id"], ["alarm_event.id"], name="fk_outbox_alarm_event_id"),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
        sa.UniqueConstraint("key", name="uq_outbox_key"),
    )
    op.create_index("ix_outbox_alarm_event_id", "outbox", ["alarm_event_id"])
    op.create_index("ix_outbox_due", "outbox", ["next_attempt_at"], postgresql_where=sa.text("status = 'waiting'"))
    op.create_index("ix_outbox_gateway_id", "outbox", ["gateway_id"])
    op.create_table(
        "delivery_attempt",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("outbox_id", sa.BigInteger(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["outbox_id"], ["outbox.id"], name="fk_delivery_attempt_outbox_id"),
        sa.PrimaryKeyConstraint("id", name="pk_delivery_attempt"),
    )
    op.create_index("ix_delivery_attempt_at", "delivery_attempt", ["at"])
    op.create_index("ix_delivery_attempt_outbox_id", "delivery_attempt", ["outbox_id"])


def accounts() -> None:
    """Who may sign in, and who changed what."""
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text()),
        sa.Column("password_hash", sa.Text()),
        sa.Column("active", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("password_set_at", TIME),
        sa.Column("email", sa.Text()),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.UniqueConstraint("name", name="uq_person_name"),
        sa.UniqueConstraint("subject", name="uq_person_subject"),
    )
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("scopes", ARRAY(sa.Text()), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("expires_at", TIME, nullable=False),
        sa.Column("last_used_at", TIME),
        sa.Column("revoked_at", TIME),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_api_token_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_api_token"),
        sa.UniqueConstraint("token_hash", name="uq_api_token_token_hash"),
    )
    op.create_index("ix_api_token_person_id", "api_token", ["person_id"])
    op.create_table(
        "second_factor",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("sealed_key", sa.Text(), nullable=False),
        sa.Column("begun_at", TIME, nullable=False),
        sa.Column("confirmed_at", TIME),
        sa.Column("last_step", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_second_factor_person_id"),
        sa.PrimaryKeyConstraint("person_id", name="pk_second_factor"),
    )
    op.create_table(
        "recovery_code",
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("code_hash", sa.Text(), nullable=False),
        sa.Column("used_at", TIME),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_recovery_code_person_id"),
        sa.PrimaryKeyConstraint("person_id", "code_hash", name="pk_recovery_code"),
    )
    op.create_table(
        "web_session",
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("started_at", TIME, nullable=False),
        sa.Column("seen_at", TIME, nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("agent", sa.Text(), nullable=False),
        sa.Column("proven_at", TIME),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_web_session_person_id"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_web_session"),
    )
    op.create_index("ix_web_session_person_id", "web_session", ["person_id"])
    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in_failure"),
    )
    op.create_index("ix_sign_in_failure_at", "sign_in_failure", ["at"])
    op.create_table(
        "audit_event",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("detail", JSONB(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("via", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit_event"),
    )
    op.create_index("ix_audit_event_at", "audit_event", ["at"])


def reports() -> None:
    """What people write into the shift log."""
    op.create_table(
        "shift_note",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("shift_start", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("corrects", sa.Uuid()),
        sa.CheckConstraint("corrects IS NULL OR kind = 'note'", name=op.f("ck_shift_note_only_notes_correct")),
        sa.CheckConstraint("kind <> 'note' OR note <> ''", name=op.f("ck_shift_note_note_says_something")),
        sa.CheckConstraint("kind IN ('note', 'take over')", name=op.f("ck_shift_note_known_kind")),
        sa.ForeignKeyConstraint(["corrects"], ["shift_note.id"], name="fk_shift_note_corrects"),
        sa.PrimaryKeyConstraint("id", name="pk_shift_note"),
    )
    op.create_index("ix_shift_note_shift_start", "shift_note", ["shift_start"])


def operations() -> None:
    """What keeps the service itself alive."""
    op.create_table(
        "lease",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("node", sa.Text()),
        sa.Column("node_name", sa.Text()),
        sa.Column("process", sa.Text()),
        sa.Column("token", sa.BigInteger(), nullable=False),
        sa.Column("since", TIME),
        sa.Column("expires", TIME),
        sa.PrimaryKeyConstraint("name", name="pk_lease"),
    )
    op.create_table(
        "job_run",
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("runs", sa.BigInteger(), nullable=False),
        sa.Column("failures", sa.BigInteger(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("last_seconds", sa.Double(), nullable=False),
        sa.Column("last_began_at", TIME, nullable=False),
        sa.Column("last_good_at", TIME),
        sa.Column("last_failed_at", TIME),
        sa.Column("last_error", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_job_run"),
    )


def downgrade() -> None:
    for table in (
        "job_run",
        "lease",
        "shift_note",
        "audit_event",
        "sign_in_failure",
        "web_session",
        "recovery_code",
        "second_factor",
        "api_token",
        "person",
        "delivery_attempt",
        "outbox",
        "alarm_event",
        "alarm",
        "estimate",
        "assessment",
        "recompute",
        "estimator_checkpoint",
        "calibration",
        "core_pair",
        "core_photo",
        "hand_core",
        "archive_file",
        "rollup_due",
        "rollup",
        "reading_revision",
        "reading",
        "file_ledger",
        "connector_state",
        "batch",
        "tank_outage",
        "signal",
        "tank",
        "site_revision",
    ):
        op.drop_table(table)
    op.execute("DROP FUNCTION refuse_change()")
