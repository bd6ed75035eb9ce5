"""What takes a person's word back, and what does not."""

from __future__ import annotations

import math
from datetime import timedelta

import pytest

from service.alarms.observations import Contradiction, CoreSeen, contradiction, newest_core
from service.domain.blanket.estimate import Assessment
from service.domain.plant.reading import ReadingReason
from tests.unit.alarms.cases import T0

CORE = CoreSeen(taken_at=T0, height=3.5, thickness=3.5)
STALE = {"a": timedelta(minutes=10), "b": timedelta(minutes=10)}
AGREED = {"a": 3.4, "b": 3.6}
LATER = T0 + timedelta(days=2)


def falling(tag: str, to: float, *, verdict: ReadingReason = ReadingReason.NONE, until: int = 180) -> list[Assessment]:
    """A sensor that follows the blanket down over two hours and stays there."""
    return [
        Assessment(
            tag=tag,
            time=T0 + timedelta(minutes=m),
            height=3.5 + (to - 3.5) * min(m / 120, 1.0),
            corrected=3.5 + (to - 3.5) * min(m / 120, 1.0),
            verdict=verdict,
        )
        for m in range(1, until, 5)
    ]


def test_two_instruments_that_agree_take_it_back() -> None:
    found = contradiction(CORE, {"a": falling("a", 1.0), "b": falling("b", 1.1)}, STALE, AGREED, LATER)
    assert found is not None
    assert found.by == ("a", "b")
    assert T0 < found.at < T0 + timedelta(hours=1)


@pytest.mark.parametrize(
    ("samples", "beside"),
    [
        ({"a": falling("a", 1.0)}, AGREED),  # one alone
        ({"a": falling("a", 1.0), "b": falling("b", 3.4)}, AGREED),  # they do not agree
        ({"a": falling("a", 3.3), "b": falling("b", 3.3)}, AGREED),  # hardly lower
        ({"a": falling("a", 1.0), "b": falling("b", 1.0)}, {"a": 1.0, "b": 1.0}),  # both contradicted by the core
        ({"a": falling("a", 1.0), "b": falling("b", 1.0)}, {"a": 3.4, "b": 1.0}),  # one of them contradicted
        ({"a": falling("a", 1.0), "b": falling("b", 1.0, verdict=ReadingReason.FLAT)}, AGREED),  # one in doubt
        ({"a": falling("a", 1.0), "b": falling("b", 1.0, until=10)}, AGREED),  # one silent since
        ({"a": falling("a", 1.0), "b": falling("b", math.nan)}, AGREED),  # one without a number
    ],
)
def test_less_than_that_takes_nothing_back(samples: dict[str, list[Assessment]], beside: dict[str, float]) -> None:
    assert contradiction(CORE, samples, STALE, beside, LATER) is None


def test_a_later_core_has_witnesses_of_its_own() -> None:
    early = contradiction(
        CORE, {"a": falling("a", 1.0), "b": falling("b", 1.0)}, STALE, AGREED, T0 + timedelta(minutes=5)
    )
    assert early is None


def test_of_cores_at_one_time_the_highest_counts() -> None:
    low = CoreSeen(taken_at=T0, height=1.0, thickness=1.0)
    fluffy = CoreSeen(taken_at=T0, height=0.9, thickness=0.9, fluff_height=3.8)
    assert newest_core([CORE, low, fluffy]) is fluffy
    assert newest_core([]) is None
    assert Contradiction(at=T0, by=()).by == ()
