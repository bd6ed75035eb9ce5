"""Who signed which month of effluent figures, and with which figures.

Revision ID: 0009
Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "effluent_signature",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("month", sa.Date(), nullable=False),
        sa.Column("signed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("signed_by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("figures", postgresql.JSONB(), nullable=False),
        sa.CheckConstraint("reason <> ''", name=op.f("ck_effluent_signature_signed_with_a_reason")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_effluent_signature")),
    )
    op.create_index(op.f("ix_effluent_signature_month"), "effluent_signature", ["month"])


def downgrade() -> None:
    op.drop_table("effluent_signature")
