"""People, their sessions and tokens, and the audit log.

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import ARRAY, JSONB

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password_hash", sa.Text()),
        sa.Column("active", sa.Boolean(), server_default=sa.text("true"), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("password_set_at", TIME),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
        sa.UniqueConstraint("name", name="uq_person_name"),
    )
    op.create_table(
        "web_session",
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("started_at", TIME, nullable=False),
        sa.Column("seen_at", TIME, nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("agent", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_web_session_person_id"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_web_session"),
    )
    op.create_index("ix_web_session_person_id", "web_session", ["person_id"])
    op.create_table(
        "sign_in_failure",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sign_in_failure"),
    )
    op.create_index("ix_sign_in_failure_at", "sign_in_failure", ["at"])
    op.create_table(
        "api_token",
        sa.Column("id", sa.Integer(), sa.Identity(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.Text(), nullable=False),
        sa.Column("scopes", ARRAY(sa.Text()), nullable=False),
        sa.Column("created_at", TIME, nullable=False),
        sa.Column("expires_at", TIME),
        sa.Column("last_used_at", TIME),
        sa.Column("revoked_at", TIME),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_api_token_person_id"),
        sa.PrimaryKeyConstraint("id", name="pk_api_token"),
        sa.UniqueConstraint("token_hash", name="uq_api_token_token_hash"),
    )
    op.create_index("ix_api_token_person_id", "api_token", ["person_id"])
    op.create_table(
        "audit_event",
        sa.Column("id", sa.BigInteger(), sa.Identity(), nullable=False),
        sa.Column("at", TIME, nullable=False),
        sa.Column("actor", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("detail", JSONB(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_audit_event"),
    )
    op.create_index("ix_audit_event_at", "audit_event", ["at"])
    op.execute(
        "CREATE TRIGGER append_only BEFORE UPDATE OR DELETE OR TRUNCATE ON audit_event"
        " FOR EACH STATEMENT EXECUTE FUNCTION refuse_change('prunable')"
    )


def downgrade() -> None:
    for table in ("audit_event", "api_token", "sign_in_failure", "web_session", "person"):
        op.drop_table(table)
