"""Keep when somebody last proved who they are in a session, and end every token one day.

Revision ID: 0022
Revises: 0021
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("web_session", sa.Column("proven_at", sa.DateTime(timezone=True)))
    op.execute(
        "UPDATE api_token SET expires_at = least(expires_at, created_at"
        " + CASE WHEN 'alarms' = ANY (scopes) THEN interval '90 days' ELSE interval '365 days' END)"
    )
    op.alter_column("api_token", "expires_at", nullable=False)


def downgrade() -> None:
    op.alter_column("api_token", "expires_at", nullable=True)
    op.drop_column("web_session", "proven_at")
