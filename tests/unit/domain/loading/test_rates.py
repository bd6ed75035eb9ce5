"""Loading against published worked examples, in US and SI units.

The answers are the sources' own, checked where noted; a rounded published answer is compared at the figures it prints.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.loading.rates import (
    circular_weir_length,
    detention_time,
    flow_split,
    solids_loading_rate,
    surface_overflow_rate,
    underflow_rate,
    weir_loading,
)
from service.domain.plant.units import from_si, to_si
from service.errors import DomainError


def circle(diameter_ft: float) -> float:
    return math.pi / 4.0 * to_si(diameter_ft, "ft") ** 2


def overflow_us(flow: float, unit: str, area_m2: float) -> float:
    return from_si(surface_overflow_rate(to_si(flow, unit), area_m2), "gpd/ft2")


# Handbook of Mathematics and Statistics for the Environment, sec. 24.3.2, examples 24.13 to 24.15, what-when-how.com.
# The book takes 0.785 for pi/4, hence one in two thousand.
@pytest.mark.parametrize(("diameter", "mgd", "published"), [(120.0, 4.5, 398.0), (50.0, 2.15, 1096.0)])
def test_overflow_of_circular_tanks(diameter: float, mgd: float, published: float) -> None:
    assert overflow_us(mgd, "MGD", circle(diameter)) == pytest.approx(published, rel=1.5e-3)


def test_overflow_of_a_rectangular_tank() -> None:  # same source, example 24.15
    assert overflow_us(1.5, "MGD", to_si(90 * 20, "ft2")) == pytest.approx(833.33, abs=0.005)


def test_overflow_from_an_operator_mathematics_page() -> None:  # theh2oprofessor.com, sedimentation examples
    assert overflow_us(6.0, "MGD", to_si(100 * 30, "ft2")) == pytest.approx(2000.0)
    assert overflow_us(3125.0, "gpm", to_si(200 * 50, "ft2")) == pytest.approx(450.0)


def test_overflow_from_a_college_lesson() -> None:
    # Virginia community college, ENV110, lesson 14: 150 ft, area 17 663 ft2 as published; rate recomputed.
    assert from_si(circle(150.0), "ft2") == pytest.approx(17_663.0, rel=6e-4)
    assert overflow_us(5.5, "MGD", circle(150.0)) == pytest.approx(311.39, rel=6e-4)


def test_weir_loading_from_the_same_lesson() -> None:  # 90 ft peripheral weir, 2.55 MGD: recomputed 9018.78
    length = circular_weir_length(to_si(90.0, "ft"))
    assert from_si(weir_loading(to_si(2.55, "MGD"), length), "gpd/ft") == pytest.approx(9018.78, abs=0.01)


def test_detention_of_three_basins() -> None:
    # Homework solution seen on the web: 8 MGD, three basins of 128 x 32 x 10 ft; 2.75 h published with rounded flow.
    volume = to_si(128 * 32 * 10, "ft3")
    flow = to_si(8.0, "MGD") / 3
    assert detention_time(volume, flow) == pytest.approx(2.7574, rel=2e-4)
    assert from_si(to_si(8.0, "MGD") * 86_400 / (to_si(650.0, "gpd/ft2") * 24.0), "ft2") == pytest.approx(
        12_307.69, abs=0.01
    )


def test_benchmark_settler_in_si() -> None:
    # IWA BSM1: area 1500 m2, volume 6000 m3, flows in m3/d, feed 3269.837 g/m3; rates recomputed.
    effluent, underflow = to_si(18_061, "m3/d"), to_si(18_831, "m3/d")
    assert surface_overflow_rate(effluent, 1500.0) == pytest.approx(0.501694, abs=1e-6)
    assert underflow_rate(underflow, 1500.0) == pytest.approx(0.523083, abs=1e-6)
    assert solids_loading_rate(effluent, underflow, to_si(3269.837, "g/m3"), 1500.0) == pytest.approx(
        3.350856, abs=1e-6
    )
    assert detention_time(6000.0, effluent, underflow) == pytest.approx(3.9033, abs=1e-4)


def test_solids_loading_agrees_with_the_trade_formula() -> None:
    # MGD x mg/L x 8.34 / ft2 (Michigan DEQ, Clarifier Calculations); 8.34 is itself rounded from 8.3454.
    trade = (4.0 + 2.0) * 3000.0 * 8.34 / 5000.0
    ours = solids_loading_rate(to_si(4.0, "MGD"), to_si(2.0, "MGD"), to_si(3000.0, "mg/L"), to_si(5000.0, "ft2"))
    assert from_si(ours, "lb/d.ft2") == pytest.approx(trade, rel=7e-4)


def test_split_follows_surface_and_known_shares() -> None:
    assert flow_split(0.3, {"a": 400.0, "b": 400.0}, {"b": 2.0}) == pytest.approx({"a": 0.1, "b": 0.2})
    with pytest.raises(DomainError, match="no tank is in service"):
        flow_split(0.3, {})


def test_a_tank_that_takes_no_share_gets_nothing_and_one_unnamed_its_own() -> None:
    assert flow_split(0.3, {"a": 400.0, "b": 200.0}, {"a": 0.0}) == {"a": 0.0, "b": 0.3}
    with pytest.raises(DomainError, match="sum of the shares"):
        flow_split(0.3, {"a": 400.0}, {"a": 0.0})
    with pytest.raises(DomainError, match="share"):
        flow_split(0.3, {"a": 400.0, "b": 200.0}, {"a": -1.0})
    with pytest.raises(DomainError, match="area of a"):
        flow_split(0.3, {"a": 0.0, "b": 200.0})
    with pytest.raises(DomainError, match="flow"):
        flow_split(-0.1, {"a": 400.0})


@given(
    total=st.floats(0.0, 10.0),
    areas=st.dictionaries(st.text(min_size=1, max_size=3), st.floats(1.0, 5000.0), min_size=1, max_size=6),
)
def test_split_loses_no_water(total: float, areas: dict[str, float]) -> None:
    assert sum(flow_split(total, areas).values()) == pytest.approx(total, abs=1e-9)


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_impossible_arguments_are_refused(bad: float) -> None:
    with pytest.raises(DomainError):
        surface_overflow_rate(bad, 100.0)
    with pytest.raises(DomainError):
        detention_time(100.0, 0.0)
