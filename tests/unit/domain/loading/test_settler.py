"""The layered settler against the IWA benchmark's published ten-layer steady state."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.loading.settler import LayeredSettler
from service.domain.loading.settling import BENCHMARK_SLUDGE
from service.errors import DomainError

# Benchmark Simulation Model no. 1, open loop: full-precision settler profile of the reference implementation, g/m3,
# floor first. Flows in m3/d; feed is 0.75 of reactor 5's particulates.
PUBLISHED = [
    6393.98442118288, 356.074706190157, 356.074706190154, 356.074706190151, 356.074706190149, 356.074706190146,
    68.9780506740299, 29.5402273766893, 18.1132132624131, 12.4969498996665,
]  # fmt: skip
EFFLUENT, UNDERFLOW = 18_061 / 86_400, 18_831 / 86_400
FEED = 0.75 * (1149.1252 + 49.3056 + 2559.3436 + 149.7971 + 452.2111) / 1000.0


def benchmark() -> LayeredSettler:
    return LayeredSettler(area=1500.0, depth=4.0, layers=10, feed_layer=5, sludge=BENCHMARK_SLUDGE)


@pytest.fixture(scope="module")
def steady() -> np.ndarray:
    return benchmark().advance(np.full(10, 1.0), EFFLUENT, UNDERFLOW, FEED, 15 * 24.0)


def test_benchmark_steady_state(steady: np.ndarray) -> None:
    np.testing.assert_allclose(steady * 1000.0, PUBLISHED, rtol=1e-5)


def test_steady_state_passes_on_what_it_gets(steady: np.ndarray) -> None:
    out = EFFLUENT * steady[-1] + UNDERFLOW * steady[0]
    assert out == pytest.approx((EFFLUENT + UNDERFLOW) * FEED, rel=1e-9)
    assert benchmark().held(steady) == pytest.approx(4982.092, abs=0.01)


def test_blanket_height_between_centres(steady: np.ndarray) -> None:
    # Plain interpolation at 3000 g/m3; the benchmark's own rule gives 0.4472 m instead.
    assert benchmark().blanket_height(steady) == pytest.approx(0.4248, abs=5e-5)
    assert benchmark().blanket_height(np.zeros(10)) == 0.0
    assert benchmark().blanket_height(np.full(10, 5.0)) == 4.0


def test_solids_are_conserved_while_the_tank_fills() -> None:
    settler = benchmark()
    before = settler.change(np.linspace(8.0, 0.01, 10), EFFLUENT, UNDERFLOW, FEED).sum() * settler.layer * settler.area
    gain = ((EFFLUENT + UNDERFLOW) * FEED - UNDERFLOW * 8.0 - EFFLUENT * 0.01) * 3600.0
    assert before == pytest.approx(gain, rel=1e-12)


def test_still_tank_keeps_its_solids_and_settles() -> None:
    settler = benchmark()
    after = settler.advance(np.full(10, 2.0), 0.0, 0.0, 3.0, 3.0)
    assert settler.held(after) == pytest.approx(2.0 * 6000.0, rel=1e-12)
    assert after[0] > 5.0 > 0.5 > after[-1]


def test_feed_must_enter_inside() -> None:
    for area, depth, feed_layer in ((1500.0, 4.0, 9), (1500.0, 4.0, 0), (0.0, 4.0, 5), (1500.0, 0.0, 5)):
        with pytest.raises(DomainError):
            LayeredSettler(area=area, depth=depth, layers=10, feed_layer=feed_layer, sludge=BENCHMARK_SLUDGE)
    LayeredSettler(area=1500.0, depth=4.0, layers=10, feed_layer=8, sludge=BENCHMARK_SLUDGE)
