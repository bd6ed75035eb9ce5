"""Delete old lines of the journal by a function of the tables' owner: a setting alone no longer lets the role of everyday delete any.

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

# Inside the function below the current user is the tables' owner; whoever works with them every day is not, whatever they set.
_OWNER = " AND current_user = (SELECT pg_get_userbyid(relowner) FROM pg_class WHERE oid = TG_RELID)"
_REFUSE = """
CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_OP = 'DELETE' AND TG_ARGV[0] = 'prunable' AND current_setting('underweir.retention', true) = 'on'{owner} THEN
        RETURN NULL;
    END IF;
    RAISE EXCEPTION '% is append-only, % is refused: a correction is a new row that supersedes the old one', TG_TABLE_NAME, TG_OP
        USING ERRCODE = 'restrict_violation';
END
$$
"""
# 13 whole months are the least that UNDERWEIR_KEEP_JOURNAL_MONTHS takes. A message goes with the line that asked for it. The owner is
# not held to the months: they could change the function.
_DROP = """
CREATE FUNCTION drop_old_journal(events bigint[], messages bigint[]) RETURNS void LANGUAGE plpgsql
SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp SET timezone = 'UTC' AS $$
DECLARE
    first_kept timestamptz := date_trunc('month', now()) - interval '13 months';
BEGIN
    IF session_user <> current_user AND (
        EXISTS (SELECT FROM public.alarm_event WHERE id = ANY (events) AND at >= first_kept)
        OR EXISTS (SELECT FROM public.outbox WHERE id = ANY (messages)
            AND (CASE WHEN alarm_event_id IS NULL THEN created_at >= first_kept ELSE alarm_event_id <> ALL (events) END))
    ) THEN
        RAISE EXCEPTION 'the journal since % is kept', first_kept USING ERRCODE = 'insufficient_privilege';
    END IF;
    PERFORM set_config('underweir.retention', 'on', true);
    DELETE FROM public.delivery_attempt WHERE outbox_id = ANY (messages);
    DELETE FROM public.outbox WHERE id = ANY (messages);
    DELETE FROM public.alarm_event WHERE id = ANY (events);
    PERFORM set_config('underweir.retention', 'off', true);
END
$$
"""


def upgrade() -> None:
    op.execute(_REFUSE.format(owner=_OWNER))
    op.execute(_DROP)
    # The owner's default privileges say who else may call it.
    op.execute("REVOKE ALL ON FUNCTION drop_old_journal(bigint[], bigint[]) FROM PUBLIC")


def downgrade() -> None:
    op.execute("DROP FUNCTION drop_old_journal(bigint[], bigint[])")
    op.execute(_REFUSE.format(owner=""))
