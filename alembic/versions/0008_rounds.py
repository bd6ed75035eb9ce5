"""Rounds: what was seen of a tank's surface and machine without a core.

Revision ID: 0008
Revises: 0007
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "surface_round",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("tank_id", sa.Integer(), nullable=False),
        sa.Column("taken_at", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("words", sa.ARRAY(sa.Text()), nullable=False),
        sa.Column("torque", sa.Double(), nullable=True),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["tank_id"], ["tank.id"], name="fk_surface_round_tank_id"),
        sa.PrimaryKeyConstraint("id", name="pk_surface_round"),
    )
    op.create_index("ix_surface_round_tank_id_taken_at", "surface_round", ["tank_id", "taken_at"])
    op.execute(
        "CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON surface_round"
        " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('kept')"
    )


def downgrade() -> None:
    op.drop_table("surface_round")
