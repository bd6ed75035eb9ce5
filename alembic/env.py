"""How Alembic reaches the database and what it compares with.

Called by service.storage.database.schema with an engine, or by the ``alembic`` command with the database named in
UNDERWEIR_DATABASE_URL. Either way one transaction holds an advisory lock from before the current revision is read
until all is done, so processes that start together take turns and the later ones find nothing left to do.
"""

from __future__ import annotations

import os
from typing import Any

from alembic import context
from sqlalchemy import Engine, text

from service.storage.database.partitions import is_partition
from service.storage.database.session import make_engine
from service.storage.database.tables import Base

LOCK = 0x556E646572776972  # "Underwir": one number for every process that migrates this database


def include_name(name: str | None, kind: str, _parents: Any) -> bool:
    """Leave the monthly partitions out of comparisons: the service makes and drops them."""
    return not (kind == "table" and name is not None and is_partition(name))


def run() -> None:
    """Run what was asked for on one connection."""
    given: Engine | None = context.config.attributes.get("engine")
    engine = given if given is not None else make_engine(url())
    try:
        with engine.begin() as connection:
            # Waiting for another process that migrates, and building an index, may both take as long as they take.
            connection.execute(text("SET LOCAL lock_timeout = 0"))
            connection.execute(text("SET LOCAL statement_timeout = 0"))
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
            context.configure(
                connection=connection,
                target_metadata=Base.metadata,
                include_name=include_name,
                compare_type=True,
                compare_server_default=True,
            )
            with context.begin_transaction():
                context.run_migrations()
    finally:
        if given is None:
            engine.dispose()


def url() -> str:
    """Name the database the ``alembic`` command works on."""
    found = os.environ.get("UNDERWEIR_DATABASE_URL")
    if not found:
        raise SystemExit(
            "Set UNDERWEIR_DATABASE_URL to the database to work on, such as postgresql://me@localhost/underweir"
        )
    return found


if context.is_offline_mode():
    raise SystemExit(
        "Printing SQL without a database (--sql) is not supported; point UNDERWEIR_DATABASE_URL at a copy."
    )
run()
