"""What people write into the shift log.

Revision ID: 0009
Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "shift_note",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("shift_start", TIME, nullable=False),
        sa.Column("recorded_at", TIME, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("author", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("corrects", sa.Uuid()),
        sa.PrimaryKeyConstraint("id", name="pk_shift_note"),
        sa.ForeignKeyConstraint(["corrects"], ["shift_note.id"], name="fk_shift_note_corrects"),
        sa.CheckConstraint("kind IN ('note', 'take over')", name=op.f("ck_shift_note_known_kind")),
        sa.CheckConstraint("kind <> 'note' OR note <> ''", name=op.f("ck_shift_note_note_says_something")),
        sa.CheckConstraint("corrects IS NULL OR kind = 'note'", name=op.f("ck_shift_note_only_notes_correct")),
    )
    op.create_index("ix_shift_note_shift_start", "shift_note", ["shift_start"])
    op.execute(
        "CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON shift_note"
        " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('kept')"
    )


def downgrade() -> None:
    op.drop_table("shift_note")
