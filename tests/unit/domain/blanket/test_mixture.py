"""The sensors' precise voice beside rival stories."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.blanket.mixture import MOST_TOLD, Part, joined

PARTS = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.0, 4.0), st.floats(0.02, 1.0)), min_size=1, max_size=12)


def test_a_voice_that_every_story_confirms_is_the_belief() -> None:
    (only,) = joined(1.0, 0.05, [Part(0.7, 1.02, 0.1), Part(0.3, 0.98, 0.12)])
    assert only.chance == 1.0
    assert only.mean == pytest.approx(1.0, abs=0.01)
    assert only.sd > 0.08  # doubt stays where it is the larger


def test_a_rival_keeps_its_place_and_its_chance_against_the_voice() -> None:
    first, second = joined(1.0, 0.05, [Part(0.5, 1.0, 0.1), Part(0.5, 3.0, 0.2)])
    assert first.mean == pytest.approx(1.0)
    assert second.mean == pytest.approx(3.0)
    assert second.sd == pytest.approx(0.2)
    assert second.chance == pytest.approx(1.0 / 9.0)


def test_a_voice_no_story_confirms_has_no_say() -> None:
    (only,) = joined(1.0, 0.05, [Part(1.0, 3.0, 0.1)])
    assert only.mean == pytest.approx(3.0)


@given(height=st.floats(0.0, 4.0), sd=st.floats(0.01, 1.0), drawn=PARTS)
def test_what_is_told_is_few_stories_that_lie_apart_with_chances_that_sum_to_one(
    height: float, sd: float, drawn: list[tuple[float, float, float]]
) -> None:
    total = sum(part[0] for part in drawn)
    told = joined(height, sd, [Part(chance / total, mean, spread) for chance, mean, spread in drawn])
    assert 1 <= len(told) <= MOST_TOLD
    assert sum(part.chance for part in told) == pytest.approx(1.0)
    assert [part.chance for part in told] == sorted((part.chance for part in told), reverse=True)
    assert all(part.sd > 0.0 for part in told)
