"""The audit log says through which door a change came.

Revision ID: 0019
Revises: 0018
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("audit_event", sa.Column("via", sa.Text(), nullable=False, server_default=sa.text("''")))


def downgrade() -> None:
    op.drop_column("audit_event", "via")
