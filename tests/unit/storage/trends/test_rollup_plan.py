"""The plan covers every moment of a stretch exactly once, and trusts no rollup that is behind."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.storage.trends.rollup_plan import FINEST, LEVELS, MINUTE, Span, grid, joined, outward, pieces, without

DAY = LEVELS[-1]
BEGIN = 20_000 * DAY

moments = st.integers(BEGIN - 3 * DAY, BEGIN + 40 * DAY)
spans = st.tuples(moments, st.integers(1, 3 * DAY)).map(lambda pair: (pair[0], pair[0] + pair[1]))
days = st.integers(-3, 40).map(lambda n: (BEGIN + n * DAY, BEGIN + (n + 2) * DAY))
levels = st.sampled_from((None, *LEVELS))


def test_the_levels_nest() -> None:
    assert all(coarse % fine == 0 for fine, coarse in pairwise(LEVELS))


@given(spans, levels, st.lists(spans, max_size=6))
def test_every_moment_is_answered_once_and_none_that_is_due_by_a_rollup(
    stretch: Span, level: int | None, due: list[Span]
) -> None:
    plan = pieces(*stretch, level, due, [])
    assert plan[0].first == stretch[0]
    assert plan[-1].until == stretch[1]
    assert all(before.until == after.first for before, after in pairwise(plan))
    for piece in plan:
        if piece.level is not None:
            assert level is not None
            assert piece.level <= level
            assert piece.first % piece.level == piece.until % piece.level == 0
            assert without([(piece.first, piece.until)], joined(due)) == [(piece.first, piece.until)]


@given(spans, levels, st.lists(spans, max_size=4), st.lists(days, min_size=1, max_size=3))
def test_archived_time_is_answered_by_rollups_and_the_rest_as_ever(
    stretch: Span, level: int | None, due: list[Span], archived: list[Span]
) -> None:
    gone = joined(archived)
    plan = pieces(*stretch, level, due, archived)
    assert without([stretch], joined((p.first, p.until) for p in plan)) == []
    assert all(before.until <= after.first for before, after in pairwise(plan))
    for piece in plan:
        inside = without([(piece.first, piece.until)], gone) == []
        assert (piece.level is not None) if inside else (without([(piece.first, piece.until)], [stretch]) == [])
        if piece.level is None:
            assert without([(piece.first, piece.until)], gone) == [(piece.first, piece.until)]


@given(moments, st.integers(1, 6 * 366 * DAY), st.integers(1, 4000))
def test_pixels_are_never_more_than_asked_for_nor_much_wider(start: int, length: int, width: int) -> None:
    end = start + length
    found = grid(start, end, width)
    assert found.origin <= start
    assert -(-(end - found.origin) // found.step) <= width
    if found.level is not None:
        assert found.step % found.level == found.origin % found.level == 0
        assert found.step <= 2 * -(-length // width)
    if length > width * FINEST:
        assert found.level is not None, "a pixel of ten minutes and more never needs the rows"


@pytest.mark.parametrize(
    ("days", "width", "level"),
    [(1, 1000, None), (14, 1000, LEVELS[0]), (91, 1000, LEVELS[1]), (366, 1000, LEVELS[1]), (1826, 1000, LEVELS[2])],
)
def test_longer_stretches_take_coarser_rollups(days: int, width: int, level: int | None) -> None:
    assert grid(BEGIN + 7 * MINUTE, BEGIN + days * DAY + 7 * MINUTE, width).level == level


def test_touched_buckets_are_whole() -> None:
    assert outward([(BEGIN + 1, BEGIN + 2), (BEGIN + FINEST, BEGIN + FINEST + 1)], FINEST) == [
        (BEGIN, BEGIN + 2 * FINEST)
    ]
