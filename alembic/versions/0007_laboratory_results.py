"""What the laboratory and field instruments measured, a value a row.

Revision ID: 0007
Revises: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "laboratory_result",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("tank_id", sa.Integer(), nullable=True),
        sa.Column("taken_at", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("minute", sa.SmallInteger(), nullable=True),
        sa.Column("stirred", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("dilution", sa.Double(), server_default=sa.text("1"), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("typed_value", sa.Double(), nullable=False),
        sa.Column("typed_unit", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("warnings", sa.ARRAY(sa.Text()), nullable=False),
        sa.Column("supersedes", sa.Uuid(), nullable=True),
        sa.Column("withdrawn", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("correction_reason", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.CheckConstraint(
            "(kind = 'settled_volume') = (minute IS NOT NULL)",
            name=op.f("ck_laboratory_result_settling_test_has_minute"),
        ),
        sa.CheckConstraint("dilution >= 1", name=op.f("ck_laboratory_result_dilution_at_least_one")),
        sa.CheckConstraint(
            "supersedes IS NULL OR correction_reason <> ''", name=op.f("ck_laboratory_result_correction_has_reason")
        ),
        sa.CheckConstraint(
            "NOT withdrawn OR supersedes IS NOT NULL", name=op.f("ck_laboratory_result_withdrawal_names_a_result")
        ),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_laboratory_result_tank_id"),
        sa.ForeignKeyConstraint(["supersedes"], ["laboratory_result.id"], name="fk_laboratory_result_supersedes"),
        sa.PrimaryKeyConstraint("id", name="pk_laboratory_result"),
        sa.UniqueConstraint("supersedes", name="uq_laboratory_result_supersedes"),
    )
    op.create_index("ix_laboratory_result_taken_at", "laboratory_result", ["taken_at"])
    # The function is that of the first tables: an evidence of years is corrected by a new row, and never deleted.
    op.execute(
        "CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON laboratory_result"
        " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('kept')"
    )


def downgrade() -> None:
    op.drop_table("laboratory_result")
