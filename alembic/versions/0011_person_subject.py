"""Who people are at an identity provider.

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
    op.add_column("person", sa.Column("subject", sa.Text()))
    op.create_unique_constraint("uq_person_subject", "person", ["subject"])


def downgrade() -> None:
    op.drop_constraint("uq_person_subject", "person")
    op.drop_column("person", "subject")
