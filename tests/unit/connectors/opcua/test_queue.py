"""The queue between a server that sends and a service that stores."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from connectors.base import Sample
from connectors.opcua.connector import SampleQueue

START = datetime(2026, 3, 1, tzinfo=UTC)


def samples(first: int, count: int) -> list[Sample]:
    return [Sample("a", START + timedelta(seconds=i), float(i)) for i in range(first, first + count)]


def test_what_was_offered_is_offered_again_until_committed() -> None:
    queue = SampleQueue(10)
    queue.extend(samples(0, 5))
    assert queue.offer(3) == samples(0, 3)
    queue.extend(samples(5, 1))
    assert queue.offer(100) == samples(0, 3)
    queue.commit()
    assert queue.offer(100) == samples(3, 3)


def test_overflow_takes_the_oldest_not_yet_offered() -> None:
    queue = SampleQueue(3)
    queue.extend(samples(0, 3))
    assert queue.offer(2) == samples(0, 2)
    queue.extend(samples(3, 4))
    assert queue.lost == 2
    queue.commit()
    assert queue.offer(9) == samples(4, 3)


@given(
    st.integers(1, 8),
    st.lists(st.one_of(st.tuples(st.just("in"), st.integers(0, 6)), st.tuples(st.just("out"), st.integers(1, 6)))),
)
def test_every_sample_is_stored_in_order_or_counted_as_lost(limit: int, steps: list[tuple[str, int]]) -> None:
    queue = SampleQueue(limit)
    made, stored = 0, list[float]()
    for what, count in steps:
        if what == "in":
            queue.extend(samples(made, count))
            made += count
        else:
            stored += [s.value for s in queue.offer(count)]
            queue.commit()
        assert made == len(stored) + len(queue) + queue.lost
        assert len(queue) <= limit
    assert stored == sorted(set(stored))
