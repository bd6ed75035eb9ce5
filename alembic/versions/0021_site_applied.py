"""Say of every version of the site file who brought it into force.

Revision ID: 0021
Revises: 0020
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _since("applied_at", "loaded_at")
    op.add_column("site_revision", sa.Column("applied_by", sa.Text(), server_default="not recorded", nullable=False))
    op.alter_column("site_revision", "applied_by", server_default=None)


def downgrade() -> None:
    op.drop_column("site_revision", "applied_by")
    _since("loaded_at", "applied_at")


def _since(new: str, old: str) -> None:
    """A column under another name; merely renamed, its constraint would keep the old one (PostgreSQL 18 names NOT NULL)."""
    op.add_column("site_revision", sa.Column(new, sa.DateTime(timezone=True)))
    op.execute(f"UPDATE site_revision SET {new} = {old}")
    op.alter_column("site_revision", new, nullable=False)
    op.drop_column("site_revision", old)
