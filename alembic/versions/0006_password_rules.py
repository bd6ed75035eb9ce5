"""Which lists and limits a password was held against: with newer ones it is looked at again when it is typed.

Revision ID: 0006
Revises: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("person", sa.Column("password_rules", sa.Text()))


def downgrade() -> None:
    op.drop_column("person", "password_rules")
