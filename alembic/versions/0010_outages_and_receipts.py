"""Tanks taken out of service, what gateways report of a message later, and the journal by time.

Revision ID: 0010
Revises: 0009
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "tank_outage",
        sa.Column("id", sa.Integer(), sa.Identity(), primary_key=True),
        sa.Column("tank_id", sa.Integer(), sa.ForeignKey("tank.id"), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True)),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("permit", sa.Text(), server_default=sa.text("''"), nullable=False),
        sa.Column("ended_by", sa.Text(), server_default=sa.text("''"), nullable=False),
    )
    op.create_index(
        "ix_tank_outage_open", "tank_outage", ["tank_id"], unique=True, postgresql_where=sa.text("until IS NULL")
    )
    op.add_column("outbox", sa.Column("gateway_id", sa.Text()))
    op.add_column("outbox", sa.Column("delivered_at", sa.DateTime(timezone=True)))
    op.create_index("ix_outbox_gateway_id", "outbox", ["gateway_id"])
    op.create_index("ix_alarm_event_at", "alarm_event", ["at"])


def downgrade() -> None:
    op.drop_index("ix_alarm_event_at", "alarm_event")
    op.drop_index("ix_outbox_gateway_id", "outbox")
    op.drop_column("outbox", "delivered_at")
    op.drop_column("outbox", "gateway_id")
    op.drop_table("tank_outage")
