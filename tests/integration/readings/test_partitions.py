"""Monthly partitions are made when they are needed, by whoever needs them first, and dropped whole."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import Connection, Engine, text

from service.errors import DomainError, StorageError
from service.storage.database.partitions import ensure_months, partition_name
from service.storage.database.session import transaction
from service.storage.database.tables import PARTITIONED


def at(year: int, month: int, day: int = 1, hour: int = 0) -> datetime:
    return datetime(year, month, day, hour, tzinfo=UTC)


def insert(connection: Connection, time: datetime) -> None:
    connection.execute(
        text("INSERT INTO reading (signal_id, time, value, batch_id, quality, reason) VALUES (1, :time, 1.0, 1, 0, 0)"),
        {"time": time},
    )


@pytest.mark.parametrize("table", PARTITIONED)
def test_months_are_made_once(engine: Engine, table: str) -> None:
    with transaction(engine) as connection:
        made = ensure_months(connection, table, at(2025, 12, 31, 23), at(2026, 2, 1))
        assert made == [f"{table}_y2025m12", f"{table}_y2026m01", f"{table}_y2026m02"]
        assert ensure_months(connection, table, at(2025, 12), at(2026, 3)) == [f"{table}_y2026m03"]
        assert ensure_months(connection, table, at(2025, 12), at(2026, 3)) == []


def test_rows_at_the_edges_go_where_their_month_is_in_utc(engine: Engine) -> None:
    with transaction(engine) as connection:
        ensure_months(connection, "reading", at(2026, 1), at(2026, 2))
        last = at(2026, 2) - timedelta(microseconds=1)
        insert(connection, last)
        insert(connection, at(2026, 2))
        rows = connection.execute(text("SELECT tableoid::regclass::text, time FROM reading ORDER BY time")).all()
    assert [tuple(row) for row in rows] == [("reading_y2026m01", last), ("reading_y2026m02", at(2026, 2))]


def test_the_month_is_told_by_utc_wherever_the_clock_stood() -> None:
    new_year_in_auckland = datetime(2026, 1, 1, 5, tzinfo=timezone(timedelta(hours=13)))
    assert partition_name("reading", new_year_in_auckland) == "reading_y2025m12"


def test_a_partition_has_the_primary_key_of_the_table(engine: Engine) -> None:
    with transaction(engine) as connection:
        ensure_months(connection, "reading", at(2026, 1), at(2026, 1))
        insert(connection, at(2026, 1, 5))
    with pytest.raises(StorageError, match="duplicate key"), transaction(engine) as connection:
        insert(connection, at(2026, 1, 5))


def test_a_month_that_was_not_made_is_an_error_and_not_a_lost_row(engine: Engine) -> None:
    with pytest.raises(StorageError, match="no partition"), transaction(engine) as connection:
        insert(connection, at(2026, 1, 5))


def test_many_may_make_the_same_months_at_once(engine: Engine) -> None:
    together = threading.Barrier(4)
    failures: list[BaseException] = []
    made: list[str] = []

    def one() -> None:
        try:
            with transaction(engine) as connection:
                together.wait()
                made.extend(ensure_months(connection, "reading", at(2026, 1), at(2026, 6)))
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=one) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert len(made) == 6
    assert len(set(made)) == 6


def test_the_table_stays_in_use_while_a_month_is_made(engine: Engine) -> None:
    """Making a month must not wait for a transaction that wrote to the table and is still open, nor that one for it."""
    with transaction(engine) as connection:
        ensure_months(connection, "reading", at(2026, 1), at(2026, 1))
    with transaction(engine) as writer:
        insert(writer, at(2026, 1, 5))
        with transaction(engine) as other:
            other.execute(text("SET LOCAL lock_timeout = '5s'"))
            ensure_months(other, "reading", at(2026, 2), at(2026, 2))
            writer.execute(text("SET LOCAL lock_timeout = '5s'"))
            insert(writer, at(2026, 1, 6))


@pytest.mark.parametrize(
    ("table", "first", "last"),
    [
        ("tank", at(2026, 1), at(2026, 1)),
        ("reading", at(2026, 2), at(2026, 1)),
        ("reading", at(1800, 1), at(2026, 1)),
        ("reading", datetime(2026, 1, 1), at(2026, 1)),  # noqa: DTZ001  (without a zone, on purpose)
    ],
)
def test_impossible_spans_are_refused(engine: Engine, table: str, first: datetime, last: datetime) -> None:
    with pytest.raises(DomainError), transaction(engine) as connection:
        ensure_months(connection, table, first, last)
