"""Find an alarm's newest lines without reading its whole journal.

Revision ID: 0014
Revises: 0013
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_alarm_event_alarm_id_recorded_at", "alarm_event", ["alarm_id", "recorded_at"])
    op.create_index(
        "ix_alarm_event_unanswered",
        "alarm_event",
        ["alarm_id", "id"],
        postgresql_where=sa.text("to_state = 'unacknowledged'"),
    )


def downgrade() -> None:
    op.drop_index("ix_alarm_event_unanswered", "alarm_event")
    op.drop_index("ix_alarm_event_alarm_id_recorded_at", "alarm_event")
