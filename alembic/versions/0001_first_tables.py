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

#: Table -> whether retention may ever delete its rows. Hand cores and calibrations are kept for good: they are few, and
#: they are the evidence everything else is judged by.
APPEND_ONLY = {"hand_core": False, "calibration": False, "alarm_event": True, "reading_revision": True}

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
    deliveries()
    readings()
    manual_work()
    estimates()
    alarms()
    messages()
    op.execute(REFUSE)
    for table, prunable in APPEND_ONLY.items():
        op.execute(
            f"CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}"
            f" FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('{'prunable' if prunable else 'kept'}')"
        )


def plant() -> None:
    """What the site file describes."""
    op.create_table(
        "site_revision",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("content_hash", sa.Text(), nullable=False),
        sa.Column("loaded_at", TIME, nullable=False),
        sa.Column("content", sa.Text(), nullable=False),
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


def deliveries() -> None:
    """What came in, from where, and how far each source was read."""
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
        sa.PrimaryKeyConstraint("connector", name="pk_connector_state"),
    )


def readings() -> None:
    """The large table, and what its revised values were."""
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


def manual_work() -> None:
    """What people did at the tank."""
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
    op.create_index("ix_hand_core_tank_id_taken_at", "hand_core", ["tank_id", "taken_at"])
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


def estimates() -> None:
    """Everything here can be rebuilt from readings, hand cores and calibrations."""
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
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_recompute_tank_id"),
        sa.PrimaryKeyConstraint("tank_id", name="pk_recompute"),
    )


def alarms() -> None:
    """Where each alarm stands, and the journal of how it came there."""
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


def messages() -> None:
    """What is to be sent, and each try at sending it."""
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
        sa.ForeignKeyConstraint(["alarm_event_id"], ["alarm_event.id"], name="fk_outbox_alarm_event_id"),
        sa.PrimaryKeyConstraint("id", name="pk_outbox"),
        sa.UniqueConstraint("key", name="uq_outbox_key"),
    )
    op.create_index("ix_outbox_alarm_event_id", "outbox", ["alarm_event_id"])
    op.create_index("ix_outbox_due", "outbox", ["next_attempt_at"], postgresql_where=sa.text("status = 'waiting'"))
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
    op.create_index("ix_delivery_attempt_outbox_id", "delivery_attempt", ["outbox_id"])


def downgrade() -> None:
    for table in (
        "delivery_attempt",
        "outbox",
        "alarm_event",
        "alarm",
        "recompute",
        "estimator_checkpoint",
        "estimate",
        "assessment",
        "calibration",
        "hand_core",
        "reading_revision",
        "reading",
        "connector_state",
        "file_ledger",
        "batch",
        "signal",
        "tank",
        "site_revision",
    ):
        op.drop_table(table)
    op.execute("DROP FUNCTION refuse_change()")
