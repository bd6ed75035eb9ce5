"""Rounds are corrected and withdrawn as cores are.

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
    op.add_column("surface_round", sa.Column("supersedes", sa.Uuid(), nullable=True))
    op.add_column(
        "surface_round", sa.Column("withdrawn", sa.Boolean(), server_default=sa.text("false"), nullable=False)
    )
    op.add_column(
        "surface_round", sa.Column("correction_reason", sa.Text(), server_default=sa.text("''"), nullable=False)
    )
    op.create_foreign_key("fk_surface_round_supersedes", "surface_round", "surface_round", ["supersedes"], ["id"])
    op.create_unique_constraint("uq_surface_round_supersedes", "surface_round", ["supersedes"])
    op.create_check_constraint(
        op.f("ck_surface_round_correction_has_reason"),
        "surface_round",
        "supersedes IS NULL OR correction_reason <> ''",
    )
    op.create_check_constraint(
        op.f("ck_surface_round_withdrawal_names_a_round"), "surface_round", "NOT withdrawn OR supersedes IS NOT NULL"
    )


def downgrade() -> None:
    for column in ("supersedes", "withdrawn", "correction_reason"):
        op.drop_column("surface_round", column)
