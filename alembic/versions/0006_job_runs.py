"""How often every job ran and how it went; delivery attempts found by their time.

Revision ID: 0006
Revises: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "job_run",
        sa.Column("job", sa.Text(), nullable=False),
        sa.Column("runs", sa.BigInteger(), nullable=False),
        sa.Column("failures", sa.BigInteger(), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.Column("last_seconds", sa.Double(), nullable=False),
        sa.Column("last_began_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("last_good_at", sa.DateTime(timezone=True)),
        sa.Column("last_failed_at", sa.DateTime(timezone=True)),
        sa.Column("last_error", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.PrimaryKeyConstraint("job", name="pk_job_run"),
    )
    op.create_index("ix_delivery_attempt_at", "delivery_attempt", ["at"])


def downgrade() -> None:
    op.drop_index("ix_delivery_attempt_at", "delivery_attempt")
    op.drop_table("job_run")
