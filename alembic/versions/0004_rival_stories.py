"""Keep the rival stories an estimate stands among.

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
    """One story is height and deviation, as before: nothing stands there for it."""
    op.add_column("estimate", sa.Column("stories", sa.ARRAY(sa.Double()), nullable=True))


def downgrade() -> None:
    """The likeliest story is what is left."""
    op.drop_column("estimate", "stories")
