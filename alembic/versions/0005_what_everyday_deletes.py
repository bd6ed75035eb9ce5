"""Old months and batches go by functions of the tables' owner that keep what is younger than any retention may take.

Revision ID: 0005
Revises: 0004
"""

from __future__ import annotations

from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

# Three whole months are the least that UNDERWEIR_KEEP_READINGS_MONTHS and UNDERWEIR_KEEP_ESTIMATES_MONTHS take. The owner is not held to
# them: they could change the function.
_FIRST_KEPT = "date_trunc('month', now()) - interval '3 months'"
_KEPT = """IF session_user <> current_user AND first >= {first_kept} THEN
        RAISE EXCEPTION '% since % is kept', parent, {first_kept} USING ERRCODE = 'insufficient_privilege';
    END IF;"""

# It runs with the owner's rights: nothing but a table of ours and a month goes into a statement, and no other schema is looked into.
_DROP_MONTH = """
CREATE OR REPLACE FUNCTION drop_month(parent text, month timestamptz) RETURNS void LANGUAGE plpgsql
SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp SET timezone = 'UTC' AS $$
DECLARE
    first timestamptz := date_trunc('month', month);
    partition text := format('%s_y%sm%s', parent, to_char(first, 'YYYY'), to_char(first, 'MM'));
BEGIN
    IF parent NOT IN ('reading', 'assessment', 'estimate') THEN
        RAISE EXCEPTION '% has no months', parent USING ERRCODE = 'insufficient_privilege';
    END IF;
    {kept}
    EXECUTE format('ALTER TABLE public.%I DETACH PARTITION public.%I', parent, partition);
    EXECUTE format('DROP TABLE public.%I', partition);
END
$$
"""
_DROP_BATCHES = """
CREATE FUNCTION drop_old_batches(batches bigint[]) RETURNS bigint LANGUAGE plpgsql
SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp SET timezone = 'UTC' AS $$
DECLARE
    first_kept timestamptz := {first_kept};
    gone bigint;
BEGIN
    IF session_user <> current_user AND EXISTS (SELECT FROM public.batch WHERE id = ANY (batches) AND received_at >= first_kept) THEN
        RAISE EXCEPTION 'what came in since % is kept', first_kept USING ERRCODE = 'insufficient_privilege';
    END IF;
    DELETE FROM public.batch WHERE id = ANY (batches);
    GET DIAGNOSTICS gone = ROW_COUNT;
    RETURN gone;
END
$$
"""


def upgrade() -> None:
    op.execute(_DROP_MONTH.format(kept=_KEPT.format(first_kept=_FIRST_KEPT)))
    op.execute(_DROP_BATCHES.format(first_kept=_FIRST_KEPT))
    # The owner's default privileges say who else may call it.
    op.execute("REVOKE ALL ON FUNCTION drop_old_batches(bigint[]) FROM PUBLIC")


def downgrade() -> None:
    op.execute("DROP FUNCTION drop_old_batches(bigint[])")
    op.execute(_DROP_MONTH.format(kept=""))
