"""Where people are told of changes to their account; who lacks a second factor is looked up, not kept with the session.

Revision ID: 0017
Revises: 0016
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_column("web_session", "confined")
    op.add_column("person", sa.Column("email", sa.Text()))


def downgrade() -> None:
    op.drop_column("person", "email")
    op.add_column("web_session", sa.Column("confined", sa.Boolean(), nullable=False, server_default=sa.text("false")))
