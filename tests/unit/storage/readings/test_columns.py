"""Readings as columns: ordered by key, and within a delivery the last of each key wins."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.storage.database.epoch import from_us, to_us
from service.storage.readings.columns import ReadingColumns, by_signal_and_time, deduplicate

Row = tuple[int, int, float, int, int]

ROWS = st.lists(
    st.tuples(
        st.integers(0, 4),
        st.integers(-3, 3),
        st.sampled_from([0.0, -0.0, 1.5, math.nan]),
        st.sampled_from([0, 2]),
        st.sampled_from([0, 7]),
    ),
    max_size=40,
)


def as_columns(rows: list[Row]) -> ReadingColumns:
    return ReadingColumns(
        np.array([row[0] for row in rows], dtype=np.int32),
        np.array([row[1] for row in rows], dtype=np.int64),
        np.array([row[2] for row in rows], dtype=np.float64),
        np.array([row[3] for row in rows], dtype=np.int16),
        np.array([row[4] for row in rows], dtype=np.int16),
    )


def as_rows(columns: ReadingColumns) -> list[str]:
    parts = (columns.signal_id, columns.time_us, columns.value, columns.quality, columns.reason)
    return [repr(row) for row in zip(*(part.tolist() for part in parts), strict=True)]


@given(ROWS, st.sampled_from([0, 40_000, -1]))
def test_ordering_is_pythons_stable_sort_by_signal_and_time(rows: list[Row], shift: int) -> None:
    """Beyond 16 bits and below zero the signal's number takes another way to the same order."""
    shifted = [(row[0] + shift, *row[1:]) for row in rows]
    expected = as_columns(sorted(shifted, key=lambda row: row[:2]))
    assert as_rows(by_signal_and_time(as_columns(shifted))) == as_rows(expected)


@given(ROWS)
def test_a_file_in_the_order_of_time_is_ordered_the_same_way(rows: list[Row]) -> None:
    in_time = sorted(rows, key=lambda row: row[1])
    expected = as_columns(sorted(in_time, key=lambda row: row[:2]))
    assert as_rows(by_signal_and_time(as_columns(in_time))) == as_rows(expected)


@given(ROWS)
def test_the_last_of_each_key_wins_and_every_row_is_counted(rows: list[Row]) -> None:
    collapsed = deduplicate(by_signal_and_time(as_columns(rows)))
    last = {row[:2]: row for row in rows}
    assert as_rows(collapsed.columns) == as_rows(as_columns([last[key] for key in sorted(last)]))
    assert len(collapsed.columns) + collapsed.duplicate + collapsed.revised == len(rows)
    revised = 0
    for key in last:
        of_key = [row[2:] for row in rows if row[:2] == key]
        revised += sum(not same(a, b) for a, b in pairwise(of_key))
    assert collapsed.revised == revised


def same(a: tuple[float, int, int], b: tuple[float, int, int]) -> bool:
    return (a[0] == b[0] or (math.isnan(a[0]) and math.isnan(b[0]))) and a[1:] == b[1:]


@given(st.datetimes(timezones=st.just(UTC)))
def test_moments_survive_to_the_microsecond(moment: datetime) -> None:
    assert from_us(to_us(moment)) == moment


def test_columns_become_readings() -> None:
    [reading] = as_columns([(3, 1_000_000, math.nan, 2, 7)]).readings({3: "LT"})
    assert reading.time == datetime(1970, 1, 1, 0, 0, 1, tzinfo=UTC)
    assert (reading.tag, reading.quality, reading.reason) == ("LT", Quality.BAD, ReadingReason.NOT_A_NUMBER)
    assert list(ReadingColumns.concatenate([]).readings({})) == []
    with pytest.raises(KeyError):
        list(as_columns([(4, 0, 1.0, 0, 0)]).readings({3: "LT"}))
    assert isinstance(reading, Reading)
