"""Rival stories as few as a reader tells apart."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.blanket.mixture import LEAST_TOLD, MOST_TOLD, ONE_STORY, Part, grouped

PARTS = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.0, 4.0), st.floats(0.02, 1.0)), min_size=1, max_size=12)


def test_stories_that_say_the_same_are_one_whose_doubt_holds_them_all() -> None:
    (only,) = grouped([Part(0.7, 1.02, 0.1), Part(0.3, 0.9, 0.12)])
    assert only.chance == 1.0
    assert only.mean == pytest.approx(0.7 * 1.02 + 0.3 * 0.9)
    assert only.sd > (0.7 * 0.1**2 + 0.3 * 0.12**2) ** 0.5


def test_a_rival_keeps_its_place_and_its_chance() -> None:
    first, second = grouped([Part(0.2, 3.0, 0.2), Part(0.8, 1.0, 0.1)])
    assert first == pytest.approx((0.8, 1.0, 0.1))
    assert second == pytest.approx((0.2, 3.0, 0.2))


def test_what_is_hardly_possible_is_not_told() -> None:
    assert len(grouped([Part(1.0 - 0.5 * LEAST_TOLD, 1.0, 0.1), Part(0.5 * LEAST_TOLD, 3.0, 0.1)])) == 1


@given(drawn=PARTS)
def test_what_is_told_is_few_stories_that_lie_apart_with_chances_that_sum_to_one(
    drawn: list[tuple[float, float, float]],
) -> None:
    total = sum(part[0] for part in drawn)
    told = grouped([Part(chance / total, mean, spread) for chance, mean, spread in drawn])
    assert 1 <= len(told) <= MOST_TOLD
    assert sum(part.chance for part in told) == pytest.approx(1.0)
    assert [part.chance for part in told] == sorted((part.chance for part in told), reverse=True)
    assert all(part.sd > 0.0 for part in told)
    for chance, mean, _ in drawn:
        if chance > 0.9 * total:
            assert abs(told[0].mean - mean) <= ONE_STORY
