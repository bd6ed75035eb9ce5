"""Readings of bad quality are not drawn any more: what rollups say of readings is due.

Of months whose rows are archived, what was rolled up stays.

Revision ID: 0016
Revises: 0015
"""

from __future__ import annotations

from alembic import op

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # First and last of each signal by a look-up along the key: the rows themselves are not read here.
    op.execute(
        "INSERT INTO rollup_due (owner_id, source, first, last) SELECT s.id, 'reading', f.time, l.time FROM signal s"
        " CROSS JOIN LATERAL (SELECT time FROM reading WHERE signal_id = s.id ORDER BY time LIMIT 1) f"
        " CROSS JOIN LATERAL (SELECT time FROM reading WHERE signal_id = s.id ORDER BY time DESC LIMIT 1) l"
    )


def downgrade() -> None:
    """What is due is rolled up again by whatever runs then; nothing to take back."""
