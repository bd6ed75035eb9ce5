"""When a month's rows were brought back from their file.

Revision ID: 0012
Revises: 0011
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("archive_file", sa.Column("restored_at", sa.DateTime(timezone=True)))


def downgrade() -> None:
    op.drop_column("archive_file", "restored_at")
