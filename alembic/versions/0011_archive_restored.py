"""When a month's rows were brought back from their file.

Revision ID: 0011
Revises: 0010
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("archive_file", sa.Column("restored_at", sa.DateTime(timezone=True)))


def downgrade() -> None:
    op.drop_column("archive_file", "restored_at")
