"""What is drawn under the trend: several meters and slow laboratory values joined without losing a peak."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.domain.plant.signal import Signal, SignalKind
from service.storage.trends.series import Bucket
from service.web.blanket.flow_series import Lane, joined, lanes_of
from tests.support.flowing_plant import FLOWING, TANKS
from tests.support.plant import NIGHT

MINUTE = timedelta(minutes=1)


def _buckets(*values: tuple[int, float, float]) -> list[Bucket]:
    return [Bucket(NIGHT + minute * MINUTE, low, high, high, 1) for minute, low, high in values]


def test_a_slow_value_stands_until_it_is_too_old() -> None:
    flow = _buckets((0, 1.0, 2.0), (1, 2.0, 3.0), (9, 4.0, 4.0))
    feed = _buckets((0, 3.0, 3.0))
    found = joined([flow, feed], [MINUTE, 5 * MINUTE], lambda v: v[0] * v[1])
    assert [(b.time - NIGHT, b.low, b.high) for b in found] == [(0 * MINUTE, 3.0, 6.0), (MINUTE, 6.0, 9.0)]


values = st.lists(
    st.tuples(st.integers(0, 50), st.floats(0, 9), st.floats(0, 9)), max_size=20, unique_by=lambda v: v[0]
)


@given(values, values)
def test_least_never_passes_greatest_and_peaks_stay(
    one: list[tuple[int, float, float]], two: list[tuple[int, float, float]]
) -> None:
    parts = [_buckets(*sorted((t, min(a, b), max(a, b)) for t, a, b in part)) for part in (one, two)]
    found = joined(parts, [timedelta(hours=2)] * 2, sum)
    assert all(bucket.low <= bucket.high for bucket in found)
    assert [b.time for b in found] == sorted({b.time for b in found})
    for bucket in parts[0]:
        there = [b for b in found if b.time == bucket.time]
        if there:
            assert there[0].high >= bucket.high


def test_only_what_is_measured_is_offered() -> None:
    effluent = (Lane.EFFLUENT_SOLIDS, Lane.TURBIDITY)
    assert lanes_of(FLOWING) == tuple(lane for lane in Lane if lane not in effluent)
    meters = tuple(
        Signal(tag=f"plant.{kind}", kind=kind, tank=None, unit=unit)
        for kind, unit in ((SignalKind.EFFLUENT_SOLIDS, "mg/L"), (SignalKind.TURBIDITY, "NTU"))
    )
    assert lanes_of(replace(FLOWING, others=(*FLOWING.others, *meters))) == tuple(Lane)
    assert lanes_of(TANKS[1]) == ()
