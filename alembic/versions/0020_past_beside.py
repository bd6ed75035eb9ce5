"""The past is estimated again beside the present: how far it is, per tank.

Revision ID: 0020
Revises: 0019
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None

_COLUMNS = ("past_since", "past_from", "past_to", "past_began_at")


def upgrade() -> None:
    for name in _COLUMNS:
        op.add_column("recompute", sa.Column(name, sa.DateTime(timezone=True)))
    op.add_column("recompute", sa.Column("past_piece", sa.BigInteger, nullable=False, server_default=sa.text("0")))


def downgrade() -> None:
    # The older program knows no past: what is not estimated yet is due from there on.
    op.execute("UPDATE recompute SET dirty_from = least(dirty_from, past_from) WHERE past_from IS NOT NULL")
    op.drop_column("recompute", "past_piece")
    for name in reversed(_COLUMNS):
        op.drop_column("recompute", name)
