"""Work on a sensor keeps what was typed beside the error made of it.

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
    for name in ("as_found_typed", "as_left_typed"):
        op.add_column("calibration", sa.Column(name, sa.Text(), server_default=sa.text("''"), nullable=False))


def downgrade() -> None:
    for name in ("as_found_typed", "as_left_typed"):
        op.drop_column("calibration", name)
