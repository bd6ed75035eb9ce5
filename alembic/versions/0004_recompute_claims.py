"""What is being estimated apart from what changed meanwhile.

Revision ID: 0004
Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("recompute", sa.Column("working_from", sa.DateTime(timezone=True)))
    op.add_column("recompute", sa.Column("claims", sa.BigInteger(), server_default=sa.text("0"), nullable=False))


def downgrade() -> None:
    # Work that was begun and not finished is due again.
    op.execute("UPDATE recompute SET dirty_from = least(dirty_from, working_from)")
    op.drop_column("recompute", "claims")
    op.drop_column("recompute", "working_from")
