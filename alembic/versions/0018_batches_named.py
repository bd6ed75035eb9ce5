"""Find what names a batch without reading the whole table: deleting a batch asks each of them.

Revision ID: 0018
Revises: 0017
"""

from __future__ import annotations

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_hand_core_batch_id", "hand_core", ["batch_id"])
    op.create_index("ix_file_ledger_batch_id", "file_ledger", ["batch_id"])


def downgrade() -> None:
    op.drop_index("ix_file_ledger_batch_id", "file_ledger")
    op.drop_index("ix_hand_core_batch_id", "hand_core")
