"""Rollups, what of them is due, and which months went to files; everything already here is due.

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
#: Table -> the column that says whose row it is, and the table of all of those.
OWNERS = {"reading": ("signal_id", "signal"), "assessment": ("signal_id", "signal"), "estimate": ("tank_id", "tank")}


def upgrade() -> None:
    op.create_table(
        "rollup",
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("series", sa.SmallInteger(), nullable=False),
        sa.Column("step", sa.Integer(), nullable=False),
        sa.Column("time", TIME, nullable=False),
        sa.Column("low", sa.Double(), nullable=False),
        sa.Column("high", sa.Double(), nullable=False),
        sa.Column("last", sa.Double(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint(
            "owner_id",
            "series",
            "step",
            "time",
            name="pk_rollup",
            postgresql_include=["low", "high", "last", "readings"],
        ),
    )
    op.create_table(
        "rollup_due",
        sa.Column("owner_id", sa.Integer(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("first", TIME, nullable=False),
        sa.Column("last", TIME, nullable=False),
        sa.PrimaryKeyConstraint("owner_id", "source", "id", name="pk_rollup_due"),
    )
    op.create_table(
        "archive_file",
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("month", TIME, nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("row_count", sa.BigInteger(), nullable=False),
        sa.Column("checksum", sa.Text(), nullable=False),
        sa.Column("archived_at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("source", "month", "part", name="pk_archive_file"),
    )
    for table, (owner, owners) in OWNERS.items():
        # First and last of each owner by a look-up along the key: the rows themselves are not read here.
        op.execute(
            f"INSERT INTO rollup_due (owner_id, source, first, last) SELECT o.id, '{table}', f.time, l.time FROM {owners} o"
            f" CROSS JOIN LATERAL (SELECT time FROM {table} WHERE {owner} = o.id ORDER BY time LIMIT 1) f"
            f" CROSS JOIN LATERAL (SELECT time FROM {table} WHERE {owner} = o.id ORDER BY time DESC LIMIT 1) l"
        )


def downgrade() -> None:
    op.drop_table("archive_file")
    op.drop_table("rollup_due")
    op.drop_table("rollup")
