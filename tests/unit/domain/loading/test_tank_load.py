"""The loading picture of a tank: whole when everything is measured, honest about what is not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.loading.balance import Conditions
from service.domain.loading.limits import LoadTerms, Quantity
from service.domain.loading.settling import CORRELATIONS
from service.domain.loading.sheet import abnormal_words, failing_words
from service.domain.loading.state_point import StatePointVerdict
from service.domain.loading.tank_load import tank_load
from service.domain.plant.tank import NotchedWeir, Tank, TankKind, TankShape
from service.domain.plant.units import UnitSystem, to_si
from service.web.charts.flux import draw_flux

# The area that makes the worked set of the state point tests: 1000 m2.
TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=35.682482, side_water_depth=4.0
)  # fmt: skip
SAFE = Conditions(
    flow=to_si(500.0, "m3/h"), return_flow=to_si(250.0, "m3/h"), feed_solids=3.5, return_solids=10.5, plant_flow=None
)  # fmt: skip
CAPACITY = LoadTerms(return_capacity=to_si(500.0, "m3/h"))


def test_whole_picture_of_the_worked_set() -> None:
    load = tank_load(TANK, SAFE, height=0.8, settled_volume=525.0)  # SVI 150
    assert load.sludge_index == pytest.approx(150.0)
    assert load.solids_loading == pytest.approx(2.625, rel=1e-6)
    assert load.overflow_rate == pytest.approx(0.5, rel=1e-6)
    assert load.detention == pytest.approx(4000.0 / 750.0, rel=1e-6)
    assert load.nominal_detention == pytest.approx(4000.0 / 500.0, rel=1e-6)
    assert load.return_ratio == pytest.approx(0.5)
    assert load.balanced_return_ratio == pytest.approx(3.5 / (10.5 - 3.5))  # R = X / (Xr - X)
    assert load.weir_head is None
    assert load.held == pytest.approx(0.8 * 1000.0 * 7.0, rel=1e-6)
    assert load.sludge_detention == pytest.approx(5600.0 / (250.0 * 10.5), rel=1e-6)
    assert load.state is not None
    assert load.state.verdict is StatePointVerdict.SAFE
    assert load.failing_solids == pytest.approx(4.791136, abs=1e-4)
    assert load.restoring is None
    assert load.warnings == ()


def test_overload_names_the_return_that_would_restore() -> None:
    storm = Conditions(flow=to_si(1000.0, "m3/h"), return_flow=to_si(250.0, "m3/h"), feed_solids=3.5)
    load = tank_load(TANK, storm, height=1.4, settled_volume=525.0, terms=CAPACITY)
    assert load.state is not None
    assert load.state.verdict is StatePointVerdict.OVERLOADED
    assert load.restoring is not None
    assert load.restoring.reachable
    assert [warning.quantity for warning in load.warnings] == [Quantity.BLANKET_SHARE]
    assert tank_load(TANK, storm, height=1.4, terms=LoadTerms(limits={Quantity.BLANKET_SHARE: 0.5})).warnings == ()


def test_what_is_not_measured_is_not_said() -> None:
    load = tank_load(TANK, Conditions())
    assert (load.overflow_rate, load.solids_loading, load.state, load.held) == (None, None, None, None)
    only_flow = tank_load(TANK, Conditions(flow=0.1))
    assert only_flow.overflow_rate == pytest.approx(0.36, rel=1e-6)
    assert only_flow.solids_loading is None  # without its return flow a secondary tank's loading is not known


def test_primary_tank_has_no_state_point() -> None:
    primary = Tank(
        key="p", label="P", kind=TankKind.PRIMARY, shape=TankShape.RECTANGULAR, length=30.0, width=6.0, side_water_depth=3.2
    )  # fmt: skip
    load = tank_load(primary, Conditions(flow=0.1, feed_solids=0.25), settled_volume=200.0)
    assert load.state is None
    assert load.solids_loading == pytest.approx(0.5)
    assert load.weir_loading is None


def test_water_over_the_notches_and_no_return_that_balances_thin_sludge() -> None:
    notched = replace(TANK, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=250))
    load = tank_load(notched, Conditions(flow=0.1, feed_solids=3.5, return_solids=3.4))
    assert load.weir_head == pytest.approx(0.0386, abs=1e-4)
    assert load.balanced_return_ratio is None


@pytest.mark.parametrize("correlation", CORRELATIONS)
@pytest.mark.parametrize("volume", [-5.0, 0.0, 60.0, 747.0, 930.0, 1000.0, 1450.0])
@pytest.mark.parametrize("feed", [0.0, 0.4, 3.0, 14.0])
@pytest.mark.parametrize("flows", [(0.0, 0.0), (0.0, 0.1), (0.3, 0.0), (0.9, 0.4)])
def test_no_sludge_is_too_bad_to_be_told(
    correlation: str, volume: float, feed: float, flows: tuple[float, float]
) -> None:
    terms = LoadTerms(correlation=correlation, return_capacity=0.2)
    load = tank_load(TANK, Conditions(flow=flows[0], return_flow=flows[1], feed_solids=feed), 1.4, volume, terms=terms)
    systems: tuple[UnitSystem, ...] = ("us", "si")
    for system in systems:
        abnormal_words(load, system)
        failing_words(load, system)
        draw_flux(load, system)


def test_a_bulking_sludge_beyond_the_fit_is_overloaded_and_says_how_rough_that_is() -> None:
    calm = Conditions(flow=to_si(500.0, "m3/h"), return_flow=to_si(250.0, "m3/h"), feed_solids=3.0)
    terms = LoadTerms(correlation="wahlberg-keinath-1988")
    load = tank_load(TANK, calm, height=1.4, settled_volume=747.0, terms=terms, stirred_index=249.0)
    assert load.sludge_index == pytest.approx(249.0)
    assert load.state is not None
    assert load.state.verdict is StatePointVerdict.OVERLOADED
    said = abnormal_words(load, "us")
    assert any("249 mL/g is beyond the 35 to 220" in line and "taken as 220" in line for line in said)


@pytest.mark.parametrize("correlation", sorted(CORRELATIONS))
def test_a_correlation_goes_by_the_index_it_was_fitted_to_and_by_no_other(correlation: str) -> None:
    """A plain index of 150 taken for a stirred one calls an ordinary sludge bulking; a stirred 75 taken for a plain one hides it."""
    calm = Conditions(flow=to_si(500.0, "m3/h"), return_flow=to_si(250.0, "m3/h"), feed_solids=3.0)
    terms = LoadTerms(correlation=correlation)
    both = tank_load(TANK, calm, 1.4, 450.0, terms=terms, stirred_index=75.0)
    assert both.settling is not None
    # Daigger's and Roper's, Daigger's, and Haertel's and Poepel's go by the plain index; Pitman's, and Wahlberg's and Keinath's by the stirred.
    stirred = correlation.startswith(("pitman", "wahlberg"))
    assert both.settling.index == (75.0 if stirred else 150.0)
    plain_alone = tank_load(TANK, calm, 1.4, 450.0, terms=terms)
    assert (plain_alone.state is None) is stirred
    assert any("goes by the stirred index" in line for line in abnormal_words(plain_alone, "us")) is stirred
    stirred_alone = tank_load(TANK, calm, 1.4, None, terms=terms, stirred_index=75.0)
    assert (stirred_alone.state is None) is not stirred
