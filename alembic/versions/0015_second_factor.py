"""Second factors of local accounts, and sessions that may do nothing but set one up.

Revision ID: 0015
Revises: 0014
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "second_factor",
        sa.Column("person_id", sa.Integer(), sa.ForeignKey("person.id"), primary_key=True),
        sa.Column("sealed_key", sa.Text(), nullable=False),
        sa.Column("begun_at", TIME, nullable=False),
        sa.Column("confirmed_at", TIME),
        sa.Column("last_step", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "recovery_code",
        sa.Column("person_id", sa.Integer(), sa.ForeignKey("person.id"), primary_key=True),
        sa.Column("code_hash", sa.Text(), primary_key=True),
        sa.Column("used_at", TIME),
    )
    op.add_column("web_session", sa.Column("confined", sa.Boolean(), nullable=False, server_default=sa.text("false")))


def downgrade() -> None:
    op.drop_column("web_session", "confined")
    op.drop_table("recovery_code")
    op.drop_table("second_factor")
