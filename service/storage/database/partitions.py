"""Monthly partitions of the large tables: made before rows arrive, dropped whole when they are no longer kept."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from sqlalchemy import Connection, text

from service.errors import DomainError
from service.storage.database.tables import PARTITIONED

#: First key of the advisory locks this module takes (the second is the table's place in ``PARTITIONED``).
LOCK_SPACE = 0x5557  # "UW"

#: A longer span is a wrong time stamp, not a plant's history.
MOST_MONTHS = 1200

#: Functions of the tables' owner: whoever works with the tables every day need not own them.
_MAKE, _DROP = text("SELECT make_month(:table, :month)"), text("SELECT drop_month(:table, :month)")

_NAME = re.compile(rf"^({'|'.join(PARTITIONED)})_y(\d{{4}})m(\d{{2}})$")


def partition_name(table: str, time: datetime) -> str:
    """Name the partition that holds ``time``.

    Examples
    --------
    >>> partition_name("reading", datetime(2026, 11, 24, 3, 10, tzinfo=UTC))
    'reading_y2026m11'
    """
    month = month_of(time)
    return f"{table}_y{month.year:04d}m{month.month:02d}"


def is_partition(name: str) -> bool:
    """Tell whether a table of this name is one of our monthly partitions."""
    return _NAME.match(name) is not None


def ensure_months(connection: Connection, table: str, first: datetime, last: datetime) -> list[str]:
    """Make the partitions of every month from ``first`` to ``last``, both included; return the names of new ones.

    Safe to repeat and from several processes at once. Reading and writing the table goes on meanwhile: a partition is made
    beside the table and attached, which does not lock out either. Where a month is missing, transactions that make
    partitions of the same table wait for each other, so call this at the start of a transaction.
    """
    if table not in PARTITIONED:
        raise DomainError(f"{table} is not partitioned; partitioned are {', '.join(PARTITIONED)}")
    months = _months(first, last)
    missing = _missing(connection, table, months)
    if not missing:
        return []
    connection.execute(
        text("SELECT pg_advisory_xact_lock(:space, :table)"),
        {"space": LOCK_SPACE, "table": PARTITIONED.index(table)},
    )
    missing = _missing(connection, table, months)  # another process may have made them while this one waited
    for month in missing:
        connection.execute(_MAKE, {"table": table, "month": month})
    return [partition_name(table, month) for month in missing]


def drop_month(connection: Connection, table: str, month: datetime) -> None:
    """Take a month's partition out of the table, with its rows."""
    connection.execute(_DROP, {"table": table, "month": month})


def partitions(connection: Connection, table: str) -> list[str]:
    """List the table's monthly partitions, oldest first."""
    rows = connection.execute(
        text("SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = to_regclass(:table) ORDER BY 1"),
        {"table": table},
    )
    return [name for (name,) in rows if is_partition(name)]


def _missing(connection: Connection, table: str, months: list[datetime]) -> list[datetime]:
    there = set(partitions(connection, table))
    return [month for month in months if partition_name(table, month) not in there]


def _months(first: datetime, last: datetime) -> list[datetime]:
    month, end = month_of(first), month_of(last)
    count = (end.year - month.year) * 12 + end.month - month.month + 1
    if not 1 <= count <= MOST_MONTHS:
        raise DomainError(
            f"partitions from {first.isoformat()} to {last.isoformat()}: {count} months is not a usable span"
        )
    months = []
    for _ in range(count):
        months.append(month)
        month = next_month(month)
    return months


def month_of(time: datetime) -> datetime:
    """The beginning of the month that holds a time, in UTC."""
    if time.tzinfo is None:
        raise DomainError("partitions need a time with its zone")
    return time.astimezone(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def next_month(month: datetime) -> datetime:
    """The beginning of the month after one that is given by its beginning."""
    return month.replace(year=month.year + month.month // 12, month=month.month % 12 + 1)


def previous_month(month: datetime) -> datetime:
    """The beginning of the month before one that is given by its beginning."""
    return month.replace(year=month.year - (month.month == 1), month=(month.month - 2) % 12 + 1)


def partition_month(name: str) -> datetime:
    """The month a partition is for.

    Examples
    --------
    >>> partition_month("reading_y2026m11").isoformat()
    '2026-11-01T00:00:00+00:00'
    """
    found = _NAME.match(name)
    if found is None:
        raise DomainError(f"{name} is not a monthly partition")
    return datetime(int(found[2]), int(found[3]), 1, tzinfo=UTC)
