"""Readings in PostgreSQL: each counted once, revised with what was replaced kept, read back as known at any moment."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from threading import Barrier

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, text

from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.errors import StorageError
from service.storage.database.epoch import to_us
from service.storage.database.session import is_serialization_failure, transaction
from service.storage.readings.batches import close_batch, open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.readings import (
    earliest_time,
    latest_readings,
    latest_times,
    readings_between,
    stream_between,
)
from service.storage.readings.writer import ReadingWriter, WriteCounts
from tests.support.plant import NIGHT, columns

MINUTE = timedelta(minutes=1)


def store(engine: Engine, *chunks: ReadingColumns, at: datetime = NIGHT) -> WriteCounts:
    with transaction(engine) as conn:
        batch_id = open_batch(conn, "test", "test", at)
        writer = ReadingWriter(conn, batch_id)
        for chunk in chunks:
            writer.store(chunk)
        return writer.stored


def counts(stored: WriteCounts) -> tuple[int, int, int]:
    return stored.accepted, stored.duplicate, stored.revised


def values(engine: Engine, signal_id: int, known_at: datetime | None = None) -> list[float]:
    with transaction(engine) as conn:
        found: list[float] = readings_between(conn, [signal_id], known_at=known_at).value.tolist()
    return found


def revisions(engine: Engine) -> list[tuple[float, int, int]]:
    with transaction(engine) as conn:
        rows = conn.execute(
            text("SELECT value, batch_id, replaced_by_batch_id FROM reading_revision ORDER BY time, batch_id")
        )
        return [(row.value, row.batch_id, row.replaced_by_batch_id) for row in rows]


def test_readings_come_back_as_they_were_stored(engine: Engine) -> None:
    given = ReadingColumns(
        np.array([7, 7, 8], dtype=np.int32),
        np.array([to_us(NIGHT), to_us(NIGHT) + 1, to_us(NIGHT) - 10], dtype=np.int64),
        np.array([1.25, math.nan, -3.0e-7]),
        np.array([0, 2, 1], dtype=np.int16),
        np.array([0, 7, 3], dtype=np.int16),
    )
    stored = store(engine, given)
    assert counts(stored) == (3, 0, 0)
    assert stored.earliest_us == {7: to_us(NIGHT), 8: to_us(NIGHT) - 10}
    with transaction(engine) as conn:
        found = list(readings_between(conn, [7, 8]).readings({7: "a", 8: "b"}))
    assert found[0] == Reading(
        "b", NIGHT - timedelta(microseconds=10), -3.0e-7, Quality.UNCERTAIN, ReadingReason.UNDER_RANGE
    )
    assert found[1] == Reading("a", NIGHT, 1.25)
    assert math.isnan(found[2].value)
    assert (found[2].quality, found[2].reason) == (Quality.BAD, ReadingReason.NOT_A_NUMBER)


def test_times_before_1970_and_month_ends_find_their_partition(engine: Engine) -> None:
    for month_end in (datetime(2024, 2, 29, 23, 59, 59, 999_999, tzinfo=UTC), datetime(1969, 12, 31, 23, tzinfo=UTC)):
        both = columns(1, [1.0, 2.0], start=month_end, step=timedelta(hours=2))
        assert counts(store(engine, both)) == (2, 0, 0)


def test_the_same_delivery_again_changes_nothing(engine: Engine) -> None:
    delivery = columns(1, [1.0, 2.0, math.nan, 4.0])
    store(engine, delivery)
    with transaction(engine) as conn:
        before = conn.execute(text("SELECT *, xmin::text FROM reading ORDER BY time")).all()
    again = store(engine, delivery)
    assert counts(again) == (0, 4, 0)
    assert again.earliest_us == {}
    with transaction(engine) as conn:
        after = conn.execute(text("SELECT *, xmin::text FROM reading ORDER BY time")).all()
    assert str(after) == str(before), "not even rewritten"
    assert revisions(engine) == []


def test_a_changed_value_is_a_revision_and_keeps_what_it_replaced(engine: Engine) -> None:
    store(engine, columns(1, [1.0, 2.0, 3.0]), at=NIGHT)
    revised = store(engine, columns(1, [1.0, 2.5, 3.0, 4.0]), at=NIGHT + MINUTE)
    assert counts(revised) == (1, 2, 1)
    assert revised.earliest_us == {1: to_us(NIGHT + MINUTE)}
    assert values(engine, 1) == [1.0, 2.5, 3.0, 4.0]
    assert values(engine, 1, known_at=NIGHT - MINUTE) == []
    assert values(engine, 1, known_at=NIGHT) == [1.0, 2.0, 3.0]
    assert values(engine, 1, known_at=NIGHT + MINUTE) == [1.0, 2.5, 3.0, 4.0]
    [(replaced, first, second)] = revisions(engine)
    assert (replaced, first < second) == (2.0, True)


def test_a_changed_quality_is_a_revision_too_and_nan_equals_nan(engine: Engine) -> None:
    good = columns(1, [1.0, math.nan])
    store(engine, good)
    bad = ReadingColumns(good.signal_id, good.time_us, good.value, np.array([2, 0], np.int16), good.reason)
    assert counts(store(engine, bad)) == (0, 1, 1)
    assert revisions(engine)[0][0] == 1.0


def test_a_value_revised_back_and_forth_is_known_at_each_moment(engine: Engine) -> None:
    for minute, value in enumerate([1.0, 2.0, 1.0, 3.0]):
        store(engine, columns(1, [value]), at=NIGHT + minute * MINUTE)
    for minute, value in enumerate([1.0, 2.0, 1.0, 3.0]):
        assert values(engine, 1, known_at=NIGHT + minute * MINUTE + MINUTE / 2) == [value]


def test_within_a_delivery_the_last_value_wins_and_every_row_counts_once(engine: Engine) -> None:
    twice = ReadingColumns.concatenate([columns(1, [1.0, 5.0]), columns(1, [1.0, 6.0]), columns(1, [2.0])])
    stored = store(engine, twice)
    # Minute 0: 1.0, 1.0 (duplicate), 2.0 (revised). Minute 1: 5.0, 6.0 (revised).
    assert counts(stored) == (2, 1, 2)
    assert values(engine, 1) == [2.0, 6.0]
    assert revisions(engine) == [], "what a batch overruled itself was never known to anyone"


def test_within_a_batch_of_several_chunks_the_last_value_wins_too(engine: Engine) -> None:
    stored = store(engine, columns(1, [1.0, 5.0]), columns(1, [2.0, 5.0, 7.0]), columns(1, [3.0]))
    assert counts(stored) == (3, 1, 2)
    assert values(engine, 1) == [3.0, 5.0, 7.0]
    assert revisions(engine) == []


def test_late_rows_beside_new_ones_each_go_their_way(engine: Engine) -> None:
    store(engine, columns(1, [1.0, 2.0], start=NIGHT, step=2 * MINUTE))
    late_and_new = columns(1, [1.0, 1.5, 2.0, 2.5, 3.0])
    stored = store(engine, late_and_new)
    assert counts(stored) == (3, 2, 0)
    assert stored.earliest_us == {1: to_us(NIGHT + MINUTE)}
    assert values(engine, 1) == [1.0, 1.5, 2.0, 2.5, 3.0]


def test_nothing_is_stored_of_a_batch_that_fails(engine: Engine) -> None:
    def half_way() -> None:
        with transaction(engine) as conn:
            ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT)).store(columns(1, [1.0]))
            conn.execute(text("SELECT 1/0"))

    with pytest.raises(StorageError):
        half_way()
    assert values(engine, 1) == []


def test_a_duplicate_between_the_keys_looked_up_is_found_by_the_primary_key(engine: Engine) -> None:
    """One row of a thousand is stored already, and not one of those looked up first: the append fails and is compared."""
    store(engine, columns(1, [-1.0], start=NIGHT + MINUTE))
    thousand = columns(1, [float(i) for i in range(1000)])
    stored = store(engine, thousand, columns(1, [7.0, 8.0], start=NIGHT + 999 * MINUTE))
    assert counts(stored) == (1000, 0, 2)
    assert [replaced for replaced, *_ in revisions(engine)] == [-1.0]
    assert values(engine, 1)[:3] == [0.0, 1.0, 2.0]
    assert values(engine, 1)[-2:] == [7.0, 8.0]


def test_rows_another_process_is_just_storing_are_waited_for(engine: Engine) -> None:
    """The other batch is not committed when the keys are looked up, and is when they are appended."""
    store(engine, columns(2, [0.0]))  # so that the month is there
    begun = Barrier(2, timeout=300)

    def first() -> None:
        with transaction(engine) as conn:
            ReadingWriter(conn, open_batch(conn, "test", "first", NIGHT)).store(columns(1, [1.0, 2.0]))
            begun.wait()
            conn.execute(text("SELECT pg_sleep(0.5)"))

    with ThreadPoolExecutor(1) as pool:
        storing = pool.submit(first)
        begun.wait()
        second = store(engine, columns(1, [1.0, 2.5, 3.0]))
        storing.result()
    assert counts(second) == (1, 1, 1)
    assert values(engine, 1) == [1.0, 2.5, 3.0]
    assert [replaced for replaced, *_ in revisions(engine)] == [2.0]


@pytest.mark.parametrize("chunk", [50, 400])
def test_many_writers_of_the_same_keys_lose_nothing(engine: Engine, chunk: int) -> None:
    """Four writers bring the same 400 keys, unsorted within a chunk; one of them brings other values."""

    def bring(writer: int) -> tuple[int, int, int]:
        rng = np.random.default_rng(writer)
        given = columns(1, [float(i + (writer == 3)) for i in range(400)])
        parts = [given.take(start + rng.permutation(chunk)) for start in range(0, 400, chunk)]
        return counts(store(engine, *parts))

    with ThreadPoolExecutor(4) as pool:
        outcomes = list(pool.map(bring, range(4)))
    assert all(sum(outcome) == 400 for outcome in outcomes)
    assert sum(accepted for accepted, _, _ in outcomes) == 400
    revised = sum(r for _, _, r in outcomes)
    assert revised >= 400
    assert len(revisions(engine)) == revised
    assert len(values(engine, 1)) == 400


def test_writers_that_deadlock_are_told_to_try_again(engine: Engine) -> None:
    """Two batches bring two keys in opposite order: PostgreSQL lets one go on, the other may start over at once."""
    met = Barrier(2)

    def bring(first: ReadingColumns, second: ReadingColumns) -> int:
        lost = 0
        while True:
            try:
                with transaction(engine) as conn:
                    writer = ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT))
                    writer.store(first)
                    if not lost:
                        met.wait()
                    writer.store(second)
                return lost
            except StorageError as error:
                if not is_serialization_failure(error):
                    raise
                lost += 1

    one, two = columns(1, [1.0]), columns(2, [2.0])
    with ThreadPoolExecutor(2) as pool:
        lost = [pool.submit(bring, one, two), pool.submit(bring, two, one)]
        assert sum(future.result() for future in lost) == 1
    assert values(engine, 1) + values(engine, 2) == [1.0, 2.0]


@given(data=st.data())
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_sequence_of_deliveries_agrees_with_a_plain_dictionary(engine: Engine, data: st.DataObject) -> None:
    row = st.tuples(
        st.integers(1, 3), st.integers(0, 6), st.sampled_from([0.0, 1.0, math.nan]), st.sampled_from([0, 2])
    )
    with transaction(engine) as conn:
        conn.execute(text("DELETE FROM reading"))
    kept_before = len(revisions(engine))
    model: dict[tuple[int, int], str] = {}
    replaced = 0
    for delivery in data.draw(st.lists(st.lists(st.lists(row, max_size=8), max_size=2), max_size=4)):
        before = dict(model)
        overruled: set[tuple[int, int]] = set()
        for chunk in delivery:
            after = model | {(signal, minute): f"{value} {quality}" for signal, minute, value, quality in chunk}
            # Even where a later chunk brings the old value back.
            overruled |= {key for key in before if model[key] != after[key]}
            model = after
        stored = store(engine, *map(_as_columns, delivery))
        assert sum(counts(stored)) == sum(map(len, delivery)), "every row counts once"
        assert stored.accepted == len(model) - len(before)
        replaced += len(overruled)
        for signal, minute in overruled | (model.keys() - before.keys()):
            assert stored.earliest_us[signal] <= to_us(NIGHT + minute * MINUTE)
        if len(delivery) == 1 and model == before:
            assert stored.earliest_us == {}, "nothing changed, nothing to estimate again"
    assert len(revisions(engine)) - kept_before == replaced
    assert _as_dictionary(engine) == model


def _as_columns(rows: list[tuple[int, int, float, int]]) -> ReadingColumns:
    return ReadingColumns(
        np.array([signal for signal, *_ in rows], dtype=np.int32),
        np.array([to_us(NIGHT + minute * MINUTE) for _, minute, *_ in rows], dtype=np.int64),
        np.array([value for *_, value, _ in rows], dtype=np.float64),
        np.array([quality for *_, quality in rows], dtype=np.int16),
        np.zeros(len(rows), dtype=np.int16),
    )


def _as_dictionary(engine: Engine) -> dict[tuple[int, int], str]:
    with transaction(engine) as conn:
        found = readings_between(conn, [1, 2, 3])
    minutes = (found.time_us - to_us(NIGHT)) // 60_000_000
    rows = zip(found.signal_id.tolist(), minutes.tolist(), found.value.tolist(), found.quality.tolist(), strict=True)
    return {(signal, minute): f"{value} {quality}" for signal, minute, value, quality in rows}


def test_reading_back_streams_in_order_and_by_half_open_spans(engine: Engine) -> None:
    store(engine, columns(1, [float(i) for i in range(500)]), columns(2, [float(i) for i in range(500)]))
    with transaction(engine) as conn:
        chunks = list(stream_between(conn, [1, 2], NIGHT + MINUTE, NIGHT + 400 * MINUTE, chunk_rows=64))
        assert len(chunks) > 5
        everything = ReadingColumns.concatenate(chunks)
        assert len(everything) == 2 * 399
        assert bool(np.all(np.diff(everything.time_us) >= 0))
        assert everything.value[:2].tolist() == [1.0, 1.0]
        assert everything.value[-1] == 399.0
        assert len(readings_between(conn, [3])) == 0
        assert conn.execute(text("SELECT 1")).scalar_one() == 1, "the connection is free again"


def test_a_reader_may_stop_half_way(engine: Engine) -> None:
    store(engine, columns(1, [float(i) for i in range(200_000)], step=timedelta(seconds=1)))
    with transaction(engine) as conn:
        for chunk in stream_between(conn, [1], chunk_rows=10):
            assert len(chunk) >= 10
            break
        assert len(readings_between(conn, [1])) == 200_000


def test_the_latest_reading_of_each_signal(engine: Engine) -> None:
    store(engine, columns(1, [1.0, 2.0]), columns(2, [5.0], start=NIGHT - timedelta(days=90)))
    with transaction(engine) as conn:
        latest = latest_readings(conn, [2, 1, 3, 1])
        assert latest.signal_id.tolist() == [1, 2]
        assert latest.value.tolist() == [2.0, 5.0]
        assert earliest_time(conn, [1, 2]) == NIGHT - timedelta(days=90)
        assert earliest_time(conn, [3]) is None
        assert sorted(latest_times(conn, [1, 2, 3])) == [NIGHT - timedelta(days=90), NIGHT + MINUTE]


def test_a_batch_is_known_from_its_end(engine: Engine) -> None:
    with transaction(engine) as conn:
        batch_id = open_batch(conn, "test", "test", NIGHT)
        ReadingWriter(conn, batch_id).store(columns(1, [1.0]))
        close_batch(conn, batch_id, received_at=NIGHT + MINUTE, accepted=1, duplicate=0, revised=0, rejected=0)
    assert values(engine, 1, known_at=NIGHT + MINUTE / 2) == []
    assert values(engine, 1, known_at=NIGHT + MINUTE) == [1.0]
