"""Cores beside what the sensors said then.

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "core_pair",
        sa.Column("signal_id", sa.Integer(), sa.ForeignKey("signal.id", name="fk_core_pair_signal_id"), nullable=False),
        sa.Column("time", sa.DateTime(timezone=True), nullable=False),
        sa.Column("core_id", sa.Uuid(), nullable=False),
        sa.Column("pair", JSONB(), nullable=False),
        sa.PrimaryKeyConstraint("signal_id", "time", "core_id", name="pk_core_pair"),
    )
    # Tanks estimated before have no pairs yet: estimating them once more from their first reading finds them.
    op.execute("DELETE FROM estimator_checkpoint")
    op.execute("UPDATE recompute SET dirty_from = (SELECT min(time) FROM reading)")


def downgrade() -> None:
    op.drop_table("core_pair")
