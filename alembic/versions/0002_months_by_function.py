"""Make and drop monthly partitions by functions of the tables' owner, so that the role of everyday need not own them.

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# They run with the owner's rights: nothing but a table of ours and a month goes into a statement, and no other schema is looked into.
_FUNCTION = """
CREATE FUNCTION {name}(parent text, month timestamptz) RETURNS void LANGUAGE plpgsql
SECURITY DEFINER SET search_path = pg_catalog, public, pg_temp SET timezone = 'UTC' AS $$
DECLARE
    first timestamptz := date_trunc('month', month);
    partition text := format('%s_y%sm%s', parent, to_char(first, 'YYYY'), to_char(first, 'MM'));
BEGIN
    IF parent NOT IN ('reading', 'assessment', 'estimate') THEN
        RAISE EXCEPTION '% has no months', parent USING ERRCODE = 'insufficient_privilege';
    END IF;
    {work}
END
$$
"""
_MAKE = """EXECUTE format('CREATE TABLE public.%I (LIKE public.%I INCLUDING ALL)', partition, parent);
    EXECUTE format('ALTER TABLE public.%I ATTACH PARTITION public.%I FOR VALUES FROM (%L) TO (%L)',
        parent, partition, first, first + interval '1 month');"""
_DROP = """EXECUTE format('ALTER TABLE public.%I DETACH PARTITION public.%I', parent, partition);
    EXECUTE format('DROP TABLE public.%I', partition);"""


def upgrade() -> None:
    for name, work in (("make_month", _MAKE), ("drop_month", _DROP)):
        op.execute(_FUNCTION.format(name=name, work=work))
    # The owner's default privileges say who else may call them.
    op.execute("REVOKE ALL ON FUNCTION make_month(text, timestamptz), drop_month(text, timestamptz) FROM PUBLIC")


def downgrade() -> None:
    op.execute("DROP FUNCTION make_month(text, timestamptz), drop_month(text, timestamptz)")
