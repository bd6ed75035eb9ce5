"""A trend drawn from rollups says exactly what the rows say, whatever was delivered late, revised, undone or left half done."""

from __future__ import annotations

import itertools
import math
import threading
from collections import defaultdict
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, text

from service.domain.blanket.estimate import Assessment, Estimate, EstimateReason, Trust
from service.domain.blanket.mixture import Part
from service.domain.plant.reading import ReadingReason
from service.jobs.operations.rollup import roll_up
from service.storage.blanket.estimates import replace_assessments, replace_estimates
from service.storage.database.epoch import from_us, to_us
from service.storage.database.session import transaction
from service.storage.readings.batches import open_batch
from service.storage.readings.columns import ReadingColumns
from service.storage.readings.writer import ReadingWriter
from service.storage.trends import rollups
from service.storage.trends.rollup_plan import LEVELS, grid
from service.storage.trends.series import Bucket, buckets
from tests.support.plant import NIGHT, columns

#: A number that its source gives with bad quality: a number all the same, and believed by nobody.
CALLED_BAD = 99.0
MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)


def store(engine: Engine, values: dict[tuple[int, datetime], float]) -> None:
    """Readings by signal and time; NaN is a bad one, and so is what the source itself calls bad."""
    keys = sorted(values)
    found = np.array([values[key] for key in keys])
    rows = ReadingColumns(
        np.array([signal for signal, _ in keys], dtype=np.int32),
        np.array([to_us(time) for _, time in keys], dtype=np.int64),
        found,
        np.where(np.isnan(found) | (found == CALLED_BAD), 2, 0).astype(np.int16),
        np.where(np.isnan(found), int(ReadingReason.NOT_A_NUMBER), 0).astype(np.int16),
    )
    with transaction(engine) as conn:
        ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT)).store(rows)


def expected(values: dict[datetime, float], start: datetime, end: datetime, width: int) -> list[Bucket]:
    """The same pixels, worked out in Python from the rows."""
    pixels = grid(to_us(start), to_us(end), width)
    rows: dict[int, list[tuple[datetime, float]]] = defaultdict(list)
    for time in sorted(values):
        if start <= time < end and not math.isnan(values[time]) and values[time] != CALLED_BAD:
            rows[(to_us(time) - pixels.origin) // pixels.step].append((time, values[time]))
    return [
        Bucket(
            time=from_us(pixels.origin + number * pixels.step),
            low=min(value for _, value in found),
            high=max(value for _, value in found),
            last=found[-1][1],
            count=len(found),
        )
        for number, found in sorted(rows.items())
    ]


def trend(engine: Engine, what: str, owner: int, start: datetime, end: datetime, width: int) -> list[Bucket]:
    with transaction(engine) as conn:
        return buckets(conn, what, owner, start, end, width)


def rolled(engine: Engine, columns: str = "*") -> list[tuple[Any, ...]]:
    with transaction(engine) as conn:
        return [tuple(row) for row in conn.execute(text(f"SELECT {columns} FROM rollup ORDER BY 1, 2, 3, 4"))]


STRETCHES = st.tuples(
    st.integers(-2000, 60 * 24 * 60), st.sampled_from((30, 700, 1440, 10_000, 60 * 1440)), st.sampled_from((3, 40, 500))
)
#: Signals that no example had before.
_NUMBERS = itertools.count(1)
#: Signal, minute, and value; a minute apart, hours apart and weeks apart, before and after each other.
POINTS = st.lists(
    st.tuples(
        st.integers(0, 1),
        st.one_of(st.integers(0, 30), st.integers(0, 3000), st.integers(0, 60 * 1440)),
        st.sampled_from((0.5, 1.0, 2.25, 3.5, CALLED_BAD, math.nan)),
    ),
    min_size=1,
    max_size=25,
)


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(st.lists(st.tuples(POINTS, st.booleans()), min_size=1, max_size=5), st.lists(STRETCHES, min_size=2, max_size=4))
def test_the_trend_is_that_of_the_rows_at_every_moment(
    engine: Engine, deliveries: list[tuple[list[tuple[int, int, float]], bool]], stretches: list[tuple[int, int, int]]
) -> None:
    signals = (next(_NUMBERS), next(_NUMBERS))
    known: dict[tuple[int, datetime], float] = {}
    for points, roll in deliveries:
        delivered = {(signals[which], NIGHT + minute * MINUTE): value for which, minute, value in points}
        store(engine, delivered)
        known |= delivered
        if roll:
            roll_up(engine)
        for begin, length, width in stretches:
            start, end = NIGHT + begin * MINUTE, NIGHT + (begin + length) * MINUTE
            for signal in signals:
                mine = {time: value for (owner, time), value in known.items() if owner == signal}
                assert trend(engine, "reading", signal, start, end, width) == expected(mine, start, end, width)
    roll_up(engine)
    before = rolled(engine)
    with transaction(engine) as conn:
        assert rollups.newest_mark(conn) is None, "nothing stays due"
        conn.execute(text("DELETE FROM rollup WHERE owner_id = ANY(:signals)"), {"signals": list(signals)})
        rollups.mark_due(conn, "reading", [(signal, NIGHT - DAY, NIGHT + 70 * DAY) for signal in signals])
    roll_up(engine)
    assert rolled(engine) == before, "kept up change by change they are what the rows give at once"


def test_rolling_up_again_writes_nothing(engine: Engine) -> None:
    store(engine, {(1, NIGHT + n * MINUTE): float(n % 7) for n in range(3000)})
    roll_up(engine)
    before = rolled(engine, "owner_id, series, step, time, xmin::text, ctid::text")
    with transaction(engine) as conn:
        rollups.mark_due(conn, "reading", [(1, NIGHT, NIGHT + 3000 * MINUTE)])
    roll_up(engine)
    assert rolled(engine, "owner_id, series, step, time, xmin::text, ctid::text") == before
    assert {step for _, _, step, *_ in before} == {level // 1_000_000 for level in LEVELS}


def test_a_repeated_delivery_leaves_nothing_due(engine: Engine) -> None:
    given = {(1, NIGHT + n * MINUTE): 1.0 for n in range(100)}
    store(engine, given)
    roll_up(engine)
    store(engine, given)
    with transaction(engine) as conn:
        assert rollups.newest_mark(conn) is None


def test_rows_and_marks_come_and_go_together(engine: Engine) -> None:
    """A delivery that fails leaves no mark; rolling up that fails leaves its marks."""
    with transaction(engine) as conn:
        apart = conn.begin_nested()
        ReadingWriter(conn, open_batch(conn, "test", "test", NIGHT)).store(columns(1, [1.0]))
        apart.rollback()
        assert rollups.newest_mark(conn) is None
    store(engine, {(1, NIGHT): 1.0})
    with transaction(engine) as conn:
        apart = conn.begin_nested()
        newest = rollups.newest_mark(conn)
        assert newest is not None
        assert rollups.roll_up(conn, newest) == 1
        apart.rollback()
    assert rolled(engine) == []
    assert [b.high for b in trend(engine, "reading", 1, NIGHT - 30 * DAY, NIGHT + 30 * DAY, 10)] == [1.0]
    assert roll_up(engine) == 1
    assert len(rolled(engine)) == len(LEVELS)


def test_a_long_history_is_rolled_up_portion_by_portion(engine: Engine) -> None:
    """Each transaction takes a week of a signal at most; what is left keeps its place and nothing is lost between."""
    given = {(1, NIGHT + n * timedelta(hours=3)): math.sin(n) for n in range(8 * 40)}
    store(engine, given)
    portions = 0
    while True:
        with transaction(engine) as conn:
            newest = rollups.newest_mark(conn)
            if newest is None or not rollups.roll_up(conn, newest):
                break
        portions += 1
        start, end = NIGHT - DAY, NIGHT + 41 * DAY
        mine = {time: value for (_, time), value in given.items()}
        assert trend(engine, "reading", 1, start, end, 42) == expected(mine, start, end, 42)
    assert portions == 6


def test_two_at_once_share_the_work_and_neither_undoes_the_other(engine: Engine) -> None:
    for n in range(5):
        store(engine, {(signal, NIGHT + (n * 700 + m) * MINUTE): float(m) for signal in range(1, 9) for m in range(60)})
    threads = [threading.Thread(target=roll_up, args=(engine,)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for n in range(5):
        store(engine, {(signal, NIGHT + (n * 700 + 61) * MINUTE): 99.0 for signal in range(1, 9)})
    for thread in threads:
        thread.join()
    roll_up(engine)
    after = rolled(engine)
    with transaction(engine) as conn:
        assert rollups.newest_mark(conn) is None
        conn.execute(text("TRUNCATE rollup"))
        rollups.mark_due(conn, "reading", [(signal, NIGHT, NIGHT + 4000 * MINUTE) for signal in range(1, 9)])
    roll_up(engine)
    assert rolled(engine) == after


def estimate(time: datetime, height: float) -> Estimate:
    return Estimate(
        tank="east", time=time, height=height, sd=0.1, rate=0.0, trust=Trust.GOOD, reason=EstimateReason.SENSOR
    )


def assessment(time: datetime, height: float) -> Assessment:
    return Assessment(tag="a", time=time, height=height + 0.5, corrected=height, verdict=ReadingReason.NONE)


def test_estimates_that_are_replaced_take_their_rollups_with_them(engine: Engine) -> None:
    times = [NIGHT + n * MINUTE for n in range(3 * 1440)]
    first = {time: 1.0 + n / 1000 for n, time in enumerate(times)}
    with transaction(engine) as conn:
        replace_estimates(conn, 7, None, [estimate(time, height) for time, height in first.items()])
        replace_assessments(conn, {"a": 7}, None, [assessment(t, h) for t, h in first.items()])
    roll_up(engine)
    # From the second day on there is only every hundredth, much lower; after the third noon nothing at all.
    second = {time: first[time] for time in times[:1440]} | dict.fromkeys(times[1440:3600:100], 0.2)
    later = {time: height for time, height in second.items() if time >= times[1440]}
    with transaction(engine) as conn:
        replace_estimates(conn, 7, times[1440], [estimate(time, height) for time, height in later.items()])
        replace_assessments(conn, {"a": 7}, times[1440], [assessment(t, h) for t, h in later.items()])
    start, end = NIGHT - DAY, NIGHT + 5 * DAY
    for _ in range(2):  # while it is due, and when it is done
        for width in (4, 6, 100):
            believed = expected(second, start, end, width)
            assert trend(engine, "estimate", 7, start, end, width) == believed
            assert trend(engine, "corrected", 7, start, end, width) == believed
            raw = trend(engine, "raw", 7, start, end, width)
            assert [(b.low, b.high) for b in raw] == [(b.low + 0.5, b.high + 0.5) for b in believed]
            band = trend(engine, "band", 7, start, end, width)
            assert [b.low for b in band] == pytest.approx([b.low - 0.196 for b in believed])
            assert [b.high for b in band] == pytest.approx([b.high + 0.196 for b in believed])
        roll_up(engine)
    assert max(row[3] for row in rolled(engine)) <= max(later)


def test_the_band_is_drawn_over_every_rival_story_that_may_be_true(engine: Engine) -> None:
    """Drawn round the likeliest story alone it would promise clear water that one of the others denies."""
    told = [
        (),
        (Part(0.6, 1.0, 0.1), Part(0.4, 3.0, 0.2)),
        (Part(0.5, 1.0, 0.1), Part(0.3, 2.0, 0.1), Part(0.175, 0.5, 0.2), Part(0.025, 3.5, 0.1)),
        (Part(0.98, 1.0, 0.1), Part(0.02, 3.0, 0.2)),  # within the tail of an interval of 95 %
    ]
    rows = [replace(estimate(NIGHT + n * MINUTE, 1.0), stories=stories) for n, stories in enumerate(told)]
    with transaction(engine) as conn:
        replace_estimates(conn, 7, None, rows)
    for _ in range(2):  # from the rows, and from the rollups
        band = trend(engine, "band", 7, NIGHT, NIGHT + 4 * MINUTE, 4)
        assert [b.low for b in band] == pytest.approx([0.804, 0.804, 0.108, 0.804])
        assert [b.high for b in band] == pytest.approx([1.196, 3.392, 3.696, 1.196])
        roll_up(engine)


def test_a_year_is_read_from_the_rollups(engine: Engine) -> None:
    """What answers is the rollup: take the rows away underneath, and the year still looks the same."""
    given = {(1, NIGHT + n * timedelta(hours=2)): float(n % 13) for n in range(12 * 360)}
    store(engine, given)
    roll_up(engine)
    start = NIGHT.replace(hour=0, minute=0)
    before = trend(engine, "reading", 1, start, start + 365 * DAY, 700)
    with transaction(engine) as conn:
        conn.execute(text("TRUNCATE reading"))
    assert trend(engine, "reading", 1, start, start + 365 * DAY, 700) == before
    assert sum(bucket.count for bucket in before) == len(given)
