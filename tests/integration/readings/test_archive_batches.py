"""Batches follow their readings into files: nothing goes that is still named, and a month that comes back brings what it needs."""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from sqlalchemy import Engine, text

from service.errors import StorageError
from service.jobs.alarms.replay import replay
from service.jobs.ingest.samples import MOST_AHEAD
from service.jobs.operations import archive
from service.jobs.operations.archive import archive_old, check, restore
from service.jobs.operations.maintenance import maintain
from service.jobs.operations.retention import RetentionPolicy
from service.storage.cores.cores import insert_core
from service.storage.database.partitions import month_of, next_month
from service.storage.database.session import transaction
from service.storage.readings import old_batches
from service.storage.readings import processed_files as ledger
from service.storage.readings.batches import close_batch, open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.history import arrived_readings
from service.storage.readings.readings import readings_between
from service.storage.readings.writer import ReadingWriter
from service.storage.trends import archived
from service.storage.trends.archive_files import Content, content_of
from tests.support import replay_night as story
from tests.support.plant import columns, core_record, describe
from tests.support.replay_night import Night

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
JANUARY, MARCH, APRIL, JULY = (datetime(2026, month, 1, tzinfo=UTC) for month in (1, 3, 4, 7))
NOW = JULY + 2 * DAY
NEXT_YEAR = datetime(2027, 3, 3, tzinfo=UTC)
Row = tuple[object, ...]


def deliver(engine: Engine, received_at: datetime, readings: Iterable[ReadingColumns] = ()) -> int:
    with transaction(engine) as conn:
        batch = open_batch(conn, "plc", "plc/basins", received_at)
        writer = ReadingWriter(conn, batch)
        for some in readings:
            writer.store(some)
        done = writer.stored
        close_batch(
            conn,
            batch,
            received_at=received_at,
            accepted=done.accepted,
            duplicate=done.duplicate,
            revised=done.revised,
            rejected=0,
        )
    return batch


def batches(engine: Engine) -> dict[int, Row]:
    with transaction(engine) as conn:
        return {row.id: tuple(row) for row in conn.execute(text("SELECT * FROM batch"))}


def in_files(folder: Path) -> dict[int, Row]:
    found: dict[int, Row] = {}
    for path in folder.glob("batch-*.parquet"):
        for row in pq.read_table(path).to_pylist():
            assert f"{row['received_at']:%Y-%m}" in path.name, "a file holds batches of its own month"
            found[row["id"]] = tuple(row.values())
    return found


def named_and_gone(engine: Engine) -> list[int]:
    """Batches that something in the database names and that are not there."""
    with transaction(engine) as conn:
        return list(
            conn.execute(
                text(
                    "SELECT id FROM (SELECT batch_id FROM reading UNION SELECT batch_id FROM reading_revision"
                    " UNION SELECT replaced_by_batch_id FROM reading_revision) AS named(id)"
                    " WHERE NOT EXISTS (SELECT FROM batch WHERE batch.id = named.id)"
                )
            ).scalars()
        )


def history(engine: Engine, first: datetime, last: datetime) -> list[object]:
    """What a replay is made from, as a list that can be compared: every version with its arrival, and what was known when."""
    with transaction(engine) as conn:
        came = arrived_readings(conn, [1, 2], NEXT_YEAR, since=first)
        inside = [
            (*row, at)
            for *row, at in zip(
                came.readings.signal_id.tolist(),
                came.readings.time_us.tolist(),
                came.readings.value.tolist(),
                came.arrived_us.tolist(),
                strict=True,
            )
            if row[1] < last.timestamp() * 1_000_000
        ]
        known = [
            readings_between(conn, [1, 2], first, last, known_at=first + n * 10 * DAY).value.tolist() for n in range(25)
        ]
    return [inside, known]


@pytest.fixture
def keeping(tmp_path: Path) -> RetentionPolicy:
    return RetentionPolicy(tmp_path / "archive", {"reading": 3})


@pytest.fixture
def half_year(engine: Engine) -> dict[str, int]:
    """A delivery a day from January to June, and one of each kind that somebody may still ask about."""
    with transaction(engine) as conn:
        ids = describe(conn)
    for day in range(181):
        start = JANUARY + day * DAY
        deliver(engine, start + 23 * HOUR, [columns(s, [1.0, 2.0 + day], start=start, step=HOUR) for s in (1, 2)])
    named = {
        "a file": deliver(engine, JANUARY + 3 * DAY),
        "a core": deliver(engine, JANUARY + 4 * DAY),
        "what a revision put right": deliver(
            engine, JANUARY + 5 * DAY, [columns(1, [3.0], start=JANUARY + 5 * DAY + HOUR / 2)]
        ),
        "a revision": deliver(engine, JANUARY + 6 * DAY, [columns(1, [4.0], start=JANUARY + 5 * DAY + HOUR / 2)]),
    }
    with transaction(engine) as conn:
        ledger.record(
            conn,
            connector="drop",
            content_hash="ab" * 32,
            origin="night.csv",
            size_bytes=9,
            batch_id=named["a file"],
            received_at=JANUARY,
        )
        insert_core(conn, replace(core_record(ids), batch_id=named["a core"]))
    deliver(engine, JANUARY + 7 * DAY)  # nothing of it was new
    deliver(engine, MARCH - HOUR, [columns(2, [5.0], start=MARCH + 20 * HOUR)])  # a clock ahead
    deliver(engine, MARCH + 95 * DAY, [columns(2, [6.0], start=JANUARY + 9 * DAY + HOUR / 2)])  # very late
    return named


def test_what_nothing_names_any_more_goes_and_the_rest_is_replayed_the_same(
    engine: Engine, half_year: dict[str, int], keeping: RetentionPolicy
) -> None:
    assert MOST_AHEAD < 28 * DAY, "files of whole months rest on it"
    before = batches(engine)
    replayed = history(engine, APRIL, JULY)
    maintain(engine, keeping, NOW)
    left = batches(engine)
    first_of_march = {batch: row for batch, row in before.items() if row[1] >= MARCH}  # type: ignore[operator]
    assert set(left) == set(first_of_march) | set(half_year.values())
    assert {**left, **in_files(keeping.folder)} == before
    assert not set(left) & set(in_files(keeping.folder))
    assert sorted(path.name for path in keeping.folder.glob("batch-*")) == [
        "batch-2026-01.1.parquet",
        "batch-2026-02.1.parquet",
    ]
    assert named_and_gone(engine) == []
    assert history(engine, APRIL, JULY) == replayed
    assert all(not each.problem for each in check(engine, keeping.folder))
    maintain(engine, keeping, NOW)
    assert batches(engine) == left


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_month_that_comes_back_is_replayed_as_before_and_goes_again(
    engine: Engine, half_year: dict[str, int], keeping: RetentionPolicy
) -> None:
    before = batches(engine)
    replayed = history(engine, JANUARY, JANUARY + 31 * DAY)
    archive_old(engine, keeping, NEXT_YEAR)
    gone = batches(engine)
    assert set(gone) == set(half_year.values()), "a delivery of June that brought a reading of January went too"
    for turn in range(2):
        later = NEXT_YEAR + turn * 40 * DAY
        back = restore(engine, keeping.folder, JANUARY, later)
        assert [file.name for file, _ in back if file.source == "batch"][-1] == "batch-2026-06.1.parquet"
        assert history(engine, JANUARY, JANUARY + 31 * DAY) == replayed
        assert named_and_gone(engine) == []
        there = batches(engine)
        assert there.items() <= before.items()
        assert len(there) == len(half_year) + 31 + 1, "no more came back than the month needs"
        # It stays with what it came in with, and goes with it.
        archive_old(engine, keeping, later + DAY)
        assert batches(engine) == there
        archive_old(engine, keeping, later + 32 * DAY)
        assert batches(engine) == gone
        assert {**gone, **in_files(keeping.folder)} == before


@pytest.mark.untraced  # goes often over what other tests reach
def test_without_the_file_of_its_batches_a_month_does_not_come_back(
    engine: Engine, half_year: dict[str, int], keeping: RetentionPolicy
) -> None:
    archive_old(engine, keeping, NEXT_YEAR)
    whole = keeping.folder / "batch-2026-06.1.parquet"
    content = pq.read_table(whole)
    pq.write_table(content.set_column(4, "accepted", [[0] * content.num_rows]), whole)
    assert [each.file.name for each in check(engine, keeping.folder) if each.problem] == [whole.name]
    for words in ("rows are not those", "cannot be read"):
        with pytest.raises(StorageError, match=words):
            restore(engine, keeping.folder, JANUARY, NEXT_YEAR)
        with transaction(engine) as conn:
            assert conn.execute(text("SELECT count(*) FROM reading")).scalar_one() == 0
        whole.unlink(missing_ok=True)


@pytest.mark.untraced  # goes often over what other tests reach
def test_ended_half_way_it_has_lost_nothing_and_goes_on(
    engine: Engine, half_year: dict[str, int], keeping: RetentionPolicy, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = batches(engine)
    monkeypatch.setattr(archive, "MAX_BATCHES", 11)
    with monkeypatch.context() as lying:
        lying.setattr(archive, "content_of", lambda path: Content(0, "") if "02.2" in path.name else content_of(path))
        with pytest.raises(StorageError, match="does not hold what was written"):
            archive_old(engine, keeping, NOW)
    halfway = batches(engine)
    with monkeypatch.context() as dying:

        def die(conn: object) -> int:
            raise KeyboardInterrupt

        dying.setattr(old_batches, "drop", die)
        with pytest.raises(KeyboardInterrupt):
            archive_old(engine, keeping, NOW)
    assert batches(engine) == halfway
    assert len(halfway) < len(before)
    with transaction(engine) as conn:
        noted = [file for file in archived.archive_files(conn) if file.source == "batch"]
    assert sum(file.content.rows for file in noted) == len(before) - len(halfway)
    archive_old(engine, keeping, NOW)
    left = batches(engine)
    assert {**left, **in_files(keeping.folder)} == before
    assert len(left) + sum(
        each.file.content.rows for each in check(engine, keeping.folder) if each.file.source == "batch"
    ) == len(before)
    assert all(not each.problem for each in check(engine, keeping.folder))
    assert named_and_gone(engine) == []


def test_nothing_goes_while_somebody_brings_a_month_back(
    engine: Engine, half_year: dict[str, int], keeping: RetentionPolicy
) -> None:
    before = batches(engine)
    with transaction(engine) as restoring:
        archived.lock_batch_moves(restoring)
        archive_old(engine, keeping, NOW)
        assert batches(engine) == before
    archive_old(engine, keeping, NOW)
    assert len(batches(engine)) < len(before)


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_night_is_lived_again_as_before_while_it_is_kept_and_when_it_comes_back(
    engine: Engine, tmp_path: Path
) -> None:
    acts = story.ordinary(skip=range(54, 68, 2))
    acts.setdefault(71, []).append(story.told("LT-E", *range(54, 68, 2)))
    acts.setdefault(85, []).append(story.told("LT-E", 80, 82, change=0.3))
    night = Night(engine)
    night.live(acts)
    old = deliver(engine, JANUARY, [columns(99, [1.0], start=JANUARY)])

    def lived_again() -> object:
        [told] = replay(
            engine,
            night.site.setups(),
            night.site.alarm_definitions(),
            night.ids,
            start=story.minute(0),
            end=story.minute(story.MINUTES),
            system="si",
            stored={},
        )
        return told

    before, all_batches = lived_again(), batches(engine)
    folder = tmp_path / "archive"
    archive_old(engine, RetentionPolicy(folder, {"reading": 3}), MARCH + 100 * DAY)
    assert set(all_batches) - set(batches(engine)) == {old}
    assert lived_again() == before
    archive_old(engine, RetentionPolicy(folder, {"reading": 3}), NEXT_YEAR)
    assert len(batches(engine)) == 3, "two values with the batches they were known by, and the one that changed both"
    restore(engine, folder, MARCH, NEXT_YEAR)
    assert lived_again() == before


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("seed", [1, 2])
def test_whatever_order_things_happen_in_nothing_named_is_gone_and_nothing_is_lost(
    engine: Engine, keeping: RetentionPolicy, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Deliveries on time, late, ahead, changed and empty; months that leave, come back and leave again."""
    chance = random.Random(seed)
    monkeypatch.setattr(archive, "MAX_BATCHES", 3)
    ever: dict[int, Row] = {}
    told: list[tuple[int, datetime]] = []
    now = JANUARY
    for _ in range(60):
        now += timedelta(days=chance.uniform(0, 12))
        if chance.random() < 0.3:
            now = next_month(month_of(now)) - HOUR
        for _ in range(chance.randrange(3)):
            late = timedelta(days=chance.choice([0, 0, 0, 1, 40, 200]))
            key = (chance.randint(1, 2), now - late + chance.random() * MOST_AHEAD)
            if told and chance.random() < 0.3:
                key = chance.choice(told[-20:])  # told again, with the same value or another
            told.append(key)
            deliver(engine, now, [columns(key[0], [chance.choice([1.0, 2.0])], start=key[1])])
        if chance.random() < 0.2:
            deliver(engine, now)
        ever |= batches(engine)
        if chance.random() < 0.3:
            archive_old(engine, keeping, now)
        with transaction(engine) as conn:
            months = sorted(
                {f.month for f in archived.archive_files(conn) if f.source == "reading" and not f.restored_at}
            )
        if months and chance.random() < 0.2:
            restore(engine, keeping.folder, chance.choice(months), now)
        assert named_and_gone(engine) == []
    there, files = batches(engine), in_files(keeping.folder)
    assert {**files, **there} == ever
    assert len(files) > 10
