"""Dump all tables from one consistent snapshot, and load them again, for backups.

Rows are PostgreSQL's COPY text, which every version reads and writes alike: what one server wrote, another reads, embedded or not.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection, Engine, text

from service.errors import InputError
from service.storage.database.partitions import ensure_months, partitions
from service.storage.database.session import psycopg_connection, wrap_database_errors
from service.storage.database.tables import PARTITIONED, Base

_MONTH = re.compile(r"_y(\d{4})m(\d{2})$")


@dataclass(frozen=True, slots=True, kw_only=True)
class TableShape:
    """A table as dumped: its columns by name, and the months it has partitions for."""

    name: str
    columns: tuple[str, ...]
    months: tuple[str, ...] = ()


def table_shapes(conn: Connection) -> list[TableShape]:
    """List every table, those that others refer to first."""
    return [
        TableShape(
            name=table.name,
            columns=tuple(column.name for column in table.columns),
            months=tuple(_months(partitions(conn, table.name))) if table.name in PARTITIONED else (),
        )
        for table in Base.metadata.sorted_tables
    ]


@contextmanager
def consistent_snapshot(engine: Engine) -> Iterator[Connection]:
    """Open a REPEATABLE READ transaction on all tables, without time limits; others go on writing."""
    with wrap_database_errors(), engine.connect() as plain:
        conn = plain.execution_options(isolation_level="REPEATABLE READ")
        with conn.begin():
            _disable_timeouts(conn)
            # Before the first query, which takes the snapshot: a partition dropped after it would be missing silently.
            names = ", ".join(_quoted(table.name) for table in Base.metadata.sorted_tables)
            conn.execute(text(f"LOCK TABLE {names} IN ACCESS SHARE MODE"))
            yield conn


def dump_rows(conn: Connection, shape: TableShape) -> Iterator[bytes]:
    """Yield a table's rows as chunks of COPY text."""
    statement = f"COPY (SELECT {', '.join(map(_quoted, shape.columns))} FROM {_quoted(shape.name)}) TO STDOUT"
    with psycopg_connection(conn).cursor() as cursor, cursor.copy(statement.encode()) as copy:
        for chunk in copy:
            yield bytes(chunk)


def require_empty(engine: Engine) -> None:
    """Check that every table is empty, so that a backup mixes with nothing.

    Raises
    ------
    InputError
        when there are rows.
    """
    with wrap_database_errors(), engine.begin() as conn:
        _refuse_rows(conn, [table.name for table in Base.metadata.sorted_tables])


@contextmanager
def restore_transaction(engine: Engine, names: Sequence[str]) -> Iterator[Connection]:
    """Open a transaction that loads these tables, locked against other writers.

    Raises
    ------
    InputError
        when there are rows in them already.
    """
    with wrap_database_errors(), engine.begin() as conn:
        _disable_timeouts(conn)
        conn.execute(text(f"LOCK TABLE {', '.join(map(_quoted, names))} IN SHARE ROW EXCLUSIVE MODE"))
        _refuse_rows(conn, names)
        yield conn


def load_rows(conn: Connection, shape: TableShape, chunks: Iterator[bytes]) -> int:
    """Load COPY text into a table after creating its partitions; returns the number of rows."""
    for month in shape.months:
        time = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
        ensure_months(conn, shape.name, time, time)
    columns = ", ".join(map(_quoted, shape.columns))
    with psycopg_connection(conn).cursor() as cursor:
        with cursor.copy(f"COPY {_quoted(shape.name)} ({columns}) FROM STDIN".encode()) as copy:
            for chunk in chunks:
                copy.write(chunk)
        return cursor.rowcount


def end_sessions_and_tokens(conn: Connection, names: Sequence[str], now: datetime) -> tuple[int, int]:
    """End the sessions and revoke the tokens that a backup contains, in those of its tables; returns how many of each."""
    sessions = tokens = 0
    if "web_session" in names:
        sessions = conn.execute(text("DELETE FROM web_session")).rowcount
    if "api_token" in names:
        ended = text("UPDATE api_token SET revoked_at = :now WHERE revoked_at IS NULL")
        tokens = conn.execute(ended, {"now": now}).rowcount
    return sessions, tokens


def reset_sequences(engine: Engine) -> None:
    """Set every identity sequence to its table's highest number."""
    with wrap_database_errors(), engine.begin() as conn:
        for table in Base.metadata.sorted_tables:
            for column in table.columns:
                if column.identity is not None:
                    name, number = _quoted(table.name), _quoted(column.name)
                    conn.execute(
                        text(
                            f"SELECT setval(pg_get_serial_sequence('{name}', '{column.name}'), highest)"
                            f" FROM (SELECT max({number}) AS highest FROM {name}) AS found WHERE highest IS NOT NULL"
                        )
                    )


def analyze(engine: Engine) -> None:
    """Update the planner's statistics after a load."""
    with wrap_database_errors(), engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        conn.execute(text("ANALYZE"))


def _refuse_rows(conn: Connection, names: Sequence[str]) -> None:
    filled = [
        name for name in names if conn.execute(text(f"SELECT EXISTS (SELECT 1 FROM {_quoted(name)})")).scalar_one()
    ]
    if filled:
        raise InputError(
            f"the database is not empty (there are rows in {', '.join(filled[:5])}{', …' if len(filled) > 5 else ''});"
            " a backup is only put into an empty one: make a new database, or name a new data folder"
        )


def _disable_timeouts(conn: Connection) -> None:
    for limit in ("statement_timeout", "idle_in_transaction_session_timeout"):
        conn.execute(text(f"SET LOCAL {limit} = 0"))


def _months(names: Sequence[str]) -> Iterator[str]:
    for name in names:
        if found := _MONTH.search(name):
            yield f"{found[1]}-{found[2]}"


def _quoted(name: str) -> str:
    # Names come from our own tables, or from a manifest that was checked against them.
    return '"' + name.replace('"', '""') + '"'
