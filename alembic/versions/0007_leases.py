"""Which node does a piece of work.

Revision ID: 0007
Revises: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "lease",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("node", sa.Text()),
        sa.Column("node_name", sa.Text()),
        sa.Column("process", sa.Text()),
        sa.Column("token", sa.BigInteger(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True)),
        sa.Column("expires", sa.DateTime(timezone=True)),
        sa.PrimaryKeyConstraint("name", name="pk_lease"),
    )


def downgrade() -> None:
    op.drop_table("lease")
