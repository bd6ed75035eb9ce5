"""How each source is doing beyond its last answer: what was lost and when, and its own account.

Revision ID: 0005
Revises: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSONB

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("connector_state", sa.Column("lost", sa.BigInteger(), server_default=sa.text("0"), nullable=False))
    op.add_column("connector_state", sa.Column("lost_at", sa.DateTime(timezone=True)))
    op.add_column(
        "connector_state", sa.Column("standing", JSONB(), server_default=sa.text("'{}'::jsonb"), nullable=False)
    )


def downgrade() -> None:
    op.drop_column("connector_state", "standing")
    op.drop_column("connector_state", "lost_at")
    op.drop_column("connector_state", "lost")
