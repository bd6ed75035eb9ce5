"""Months that leave the database: nothing goes that is not in a file that was read back, and everything comes back."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine, text

from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, Trust
from service.domain.blanket.mixture import Part
from service.domain.plant.reading import ReadingReason
from service.errors import InputError, StorageError
from service.jobs.alarms.evaluate import evaluate
from service.jobs.blanket.estimate import update_estimates
from service.jobs.operations import archive
from service.jobs.operations.archive import archive_old, check, restore
from service.jobs.operations.retention import RetentionPolicy
from service.jobs.operations.rollup import roll_up
from service.storage.blanket import recompute
from service.storage.blanket.estimates import estimates_between, replace_assessments, replace_estimates
from service.storage.database.partitions import partitions
from service.storage.database.session import transaction
from service.storage.database.tables import Base
from service.storage.readings.batches import open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.writer import ReadingWriter
from service.storage.trends.archive_files import SCHEMAS, Content
from service.storage.trends.archived import archive_files, lock_month
from service.storage.trends.rollups import mark_due
from service.storage.trends.series import Bucket, buckets
from tests.support.alarm_plant import EAST, MINUTE, NIGHT, TANKS, AlarmPlant, hand_over_all
from tests.support.plant import columns

NOW = datetime(2026, 7, 3, tzinfo=UTC)
MARCH, APRIL = datetime(2026, 3, 1, tzinfo=UTC), datetime(2026, 4, 1, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
HALF_HOURS = 48 * 120
Rows = list[tuple[object, ...]]


def store(engine: Engine, readings: ReadingColumns) -> None:
    with transaction(engine) as conn:
        ReadingWriter(conn, open_batch(conn, "test", "test", NOW)).store(readings)


def rows(engine: Engine, table: str, what: str = "*") -> Rows:
    with transaction(engine) as conn:
        found = conn.execute(text(f"SELECT {what} FROM {table} ORDER BY 1, 2"))
        # NaN is equal to nothing, itself included.
        return [tuple("NaN" if cell != cell else cell for cell in row) for row in found]


def trend(engine: Engine, start: datetime, end: datetime, width: int, what: str = "reading") -> list[Bucket]:
    with transaction(engine) as conn:
        return buckets(conn, what, 1, start, end, width)


@pytest.fixture
def keeping(tmp_path: Path) -> RetentionPolicy:
    return RetentionPolicy(tmp_path / "archive", {"reading": 3, "assessment": 3, "estimate": 3})


@pytest.fixture
def season(engine: Engine) -> Engine:
    """A reading, an assessment and an estimate every half hour from March to June."""
    values = [math.sin(n / 9) for n in range(HALF_HOURS)]
    store(engine, columns(1, values, start=MARCH, step=HOUR / 2))
    store(engine, columns(2, values[:100], start=MARCH, step=HOUR / 2))
    times = [MARCH + n * HOUR / 2 for n in range(HALF_HOURS)]
    with transaction(engine) as conn:
        replace_estimates(
            conn,
            1,
            None,
            [
                Estimate(
                    tank="x",
                    time=t,
                    height=v,
                    sd=0.1,
                    rate=0.0,
                    trust=Trust.GOOD,
                    reason=EstimateReason.SENSOR,
                    stories=(Part(0.6, v, 0.1), Part(0.4, v + 1.0, 0.2)) if n % 7 == 0 else (),
                )
                for n, (t, v) in enumerate(zip(times, values, strict=True))
            ],
        )
        replace_assessments(
            conn,
            {"x": 1},
            None,
            [
                Assessment(tag="x", time=t, height=v, corrected=math.nan, verdict=ReadingReason.ARM_PASS)
                for t, v in zip(times, values, strict=True)
            ],
        )
    return engine


def test_what_is_archived_is_still_drawn_and_comes_back_exactly(season: Engine, keeping: RetentionPolicy) -> None:
    tables = ("reading", "assessment", "estimate")
    before = {table: rows(season, table) for table in tables}
    views = [(MARCH - DAY, NOW, 60), (MARCH + 3 * DAY + timedelta(minutes=7), APRIL + 9 * DAY, 200)]
    seen = [trend(season, *view) for view in views]
    moved = archive_old(season, keeping, NOW)
    assert [(file.source, f"{file.month:%m}", file.content.rows) for file in moved] == [
        ("reading", "03", 31 * 48 + 100),
        ("assessment", "03", 31 * 48),
        ("estimate", "03", 31 * 48),
    ]
    for table in tables:
        assert rows(season, table) == [row for row in before[table] if row[1] >= APRIL]  # type: ignore[operator]
        assert f"{table}_y2026m03" not in partitions_of(season, table)
    assert [trend(season, *view) for view in views[:1]] == seen[:1]
    assert [b for b in trend(season, *views[1]) if b.time >= APRIL] == [b for b in seen[1] if b.time >= APRIL]
    assert min(b.low for b in trend(season, *views[1])) <= min(b.low for b in seen[1])
    assert trend(season, MARCH + 5 * DAY, MARCH + 5 * DAY + HOUR, 1000), "zoomed in, the finest rollup is what there is"
    assert archive_old(season, keeping, NOW) == []

    assert all(not each.problem for each in check(season, keeping.folder))
    back = restore(season, keeping.folder, MARCH, NOW)
    assert {file.source: count for file, count in back} == {file.source: file.content.rows for file in moved}
    assert {table: rows(season, table) for table in tables} == before
    assert [trend(season, *view) for view in views] == seen
    roll_up(season)
    assert [trend(season, *view) for view in views] == seen
    assert archive_old(season, keeping, NOW + DAY) == [], "what somebody brought back stays for a while"
    again = archive_old(season, keeping, NOW + 32 * DAY)
    assert [(file.source, f"{file.month:%m}", file.part) for file in again if file.month == MARCH] == [
        ("reading", "03", 2),
        ("assessment", "03", 2),
        ("estimate", "03", 2),
    ]


def partitions_of(engine: Engine, table: str) -> list[str]:
    with transaction(engine) as conn:
        return partitions(conn, table)


def test_any_program_can_read_the_files(season: Engine, keeping: RetentionPolicy) -> None:
    archive_old(season, keeping, NOW)
    table = pq.read_table(keeping.folder / "reading-2026-03.1.parquet")
    assert table.column_names == ["signal_id", "time", "value", "batch_id", "quality", "reason"]
    mine = [row for row in table.to_pylist() if row["signal_id"] == 1]
    assert sorted(row["time"] for row in mine) == [MARCH + n * HOUR / 2 for n in range(31 * 48)]


def test_a_damaged_or_missing_file_is_found_and_nothing_is_restored(season: Engine, keeping: RetentionPolicy) -> None:
    archive_old(season, keeping, NOW)
    left = rows(season, "reading")
    whole = keeping.folder / "reading-2026-03.1.parquet"
    content = whole.read_bytes()
    other = pq.read_table(whole)
    changed = other.set_column(2, "value", [[0.0] * other.num_rows])
    damages: list[tuple[str, Callable[[], object]]] = [
        ("rows are not those", lambda: pq.write_table(changed, whole)),
        ("rows, and", lambda: pq.write_table(other.slice(1), whole)),
        ("cannot be read", lambda: whole.write_bytes(content[: len(content) // 2])),
        ("cannot be read", whole.unlink),
    ]
    for words, damage in damages:
        damage()
        assert [words in each.problem for each in check(season, keeping.folder)] == [False, False, True]
        with pytest.raises(StorageError, match=words):
            restore(season, keeping.folder, MARCH, NOW)
        assert rows(season, "reading") == left


def test_rows_stay_when_the_file_cannot_be_written_or_is_not_what_was_written(
    season: Engine, keeping: RetentionPolicy, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = rows(season, "reading")
    keeping.folder.write_text("in the way")
    with pytest.raises(StorageError, match="UNDERWEIR_ARCHIVE_DIR"):
        archive_old(season, keeping, NOW)
    keeping.folder.unlink()
    monkeypatch.setattr(archive, "content_of", lambda path: Content(0, "a disk that lies"))
    with pytest.raises(StorageError, match="does not hold what was written"):
        archive_old(season, keeping, NOW)
    assert rows(season, "reading") == before
    with transaction(season) as conn:
        assert archive_files(conn) == []


def test_a_month_that_is_not_rolled_up_stays(season: Engine) -> None:
    roll_up(season)
    with transaction(season) as conn:
        assert lock_month(conn, "reading", MARCH)
        mark_due(conn, "reading", [(1, MARCH - DAY, MARCH)])
        assert not lock_month(conn, "reading", MARCH)
        assert lock_month(conn, "reading", APRIL)
        assert not lock_month(conn, "reading", datetime(2020, 1, 1, tzinfo=UTC))


def test_a_late_reading_of_an_archived_month_shows_and_is_kept(season: Engine, keeping: RetentionPolicy) -> None:
    archive_old(season, keeping, NOW)
    day = (MARCH, MARCH + 31 * DAY, 31)
    before = trend(season, *day)
    store(season, columns(1, [7.5, 0.0], start=MARCH + 5 * DAY + timedelta(minutes=3)))
    roll_up(season)
    after = trend(season, *day)
    assert [b.high for b in after] == [7.5 if n == 5 else b.high for n, b in enumerate(before)]
    assert [b.low for b in after] == [b.low for b in before], "what is in the file still counts"
    [part] = archive_old(season, keeping, NOW)
    assert (part.part, part.content.rows) == (2, 2)
    assert trend(season, *day) == after
    restore(season, keeping.folder, MARCH, NOW)
    assert len(rows(season, "reading")) == HALF_HOURS + 100 + 2
    with pytest.raises(InputError, match="2026-03"):
        restore(season, keeping.folder, MARCH, NOW)


def test_late_news_of_an_archived_month_leaves_what_was_believed(engine: Engine, keeping: RetentionPolicy) -> None:
    """Without its readings a month cannot be estimated again: it must not be emptied either."""
    plant = AlarmPlant.build(engine, now=MARCH)
    signal, tank = plant.ids.signals["east.blanket"], plant.ids.tanks["east"]
    store(engine, columns(signal, [1.5 + 0.1 * math.sin(n / 9) for n in range(24 * 70)], start=MARCH, step=HOUR))
    with transaction(engine) as conn:
        recompute.mark_dirty(conn, {tank: MARCH})
    update_estimates(engine, TANKS, plant.ids, NOW)
    with transaction(engine) as conn:
        before = estimates_between(conn, [tank])
    assert len(before) == 24 * 70
    archive_old(engine, RetentionPolicy(keeping.folder, {"reading": 3}), NOW)
    plant.core(MARCH + 5 * DAY, 1.6, tank=EAST)
    with transaction(engine) as conn:
        recompute.mark_dirty(conn, {tank: MARCH + 5 * DAY})
    update_estimates(engine, TANKS, plant.ids, NOW)
    with transaction(engine) as conn:
        after = estimates_between(conn, [tank])
    assert [e for e in after if e.time < APRIL] == [e for e in before if e.time < APRIL]
    assert [e.time for e in after] == [e.time for e in before]


def test_the_journal_goes_with_its_messages_and_comes_back(engine: Engine, tmp_path: Path) -> None:
    plant = AlarmPlant.build(engine)
    for minute in range(4):
        plant.believe(NIGHT + minute * MINUTE, 2.0 if minute == 0 else 0.3)
        evaluate(engine, plant.model, projected={}, now=NIGHT + minute * MINUTE)
    hand_over_all(plant, NIGHT + 4 * MINUTE)
    with transaction(engine) as conn:
        waiting = conn.execute(
            text(
                "UPDATE outbox SET status = 'waiting' WHERE id = (SELECT max(id) FROM outbox) RETURNING alarm_event_id"
            )
        ).scalar_one()
    tables = ("alarm_event", "outbox", "delivery_attempt")
    before = {table: rows(engine, table) for table in tables}
    assert all(len(found) > 1 for found in before.values())
    first = {min(row[0] for row in before["alarm_event"] if row[1] == alarm) for _, alarm, *_ in before["alarm_event"]}  # type: ignore[type-var]
    later = datetime(2027, 3, 2, tzinfo=UTC)

    keeping = RetentionPolicy(tmp_path / "archive", {}, journal_months=13)
    assert archive_old(engine, keeping, datetime(2027, 2, 27, tzinfo=UTC)) == []
    moved = archive_old(engine, keeping, later)
    kept = {row[0] for row in rows(engine, "alarm_event")}
    assert kept == first | {waiting}
    assert [row[0] for row in rows(engine, "outbox", "alarm_event_id, id") if row[0] not in kept] == []
    assert "waiting" in {row[0] for row in rows(engine, "outbox", "status, id")}
    assert {file.source: file.content.rows for file in moved} == {
        table: len(before[table]) - len(rows(engine, table))
        for table in tables
        if len(before[table]) > len(rows(engine, table))
    }
    assert archive_old(engine, keeping, later) == []
    with pytest.raises(StorageError, match="append-only"), transaction(engine) as conn:
        conn.execute(text("DELETE FROM alarm_event"))

    restore(engine, keeping.folder, NIGHT.replace(day=1, hour=0), later)
    assert {table: rows(engine, table) for table in tables} == before


@pytest.mark.parametrize("table", sorted(SCHEMAS))
def test_a_file_holds_every_column(table: str) -> None:
    assert sorted(SCHEMAS[table].names) == sorted(column.name for column in Base.metadata.tables[table].columns)  # type: ignore[index]
