"""Published limits and a site's own."""

from __future__ import annotations

import pytest

from service.domain.loading.limits import Quantity, loading_warnings, published_limits
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import to_si


def tank(depth: float = 4.0, kind: TankKind = TankKind.SECONDARY) -> Tank:
    return Tank(key="t", label="T", kind=kind, shape=TankShape.CIRCULAR, diameter=24.0, side_water_depth=depth)


def test_published_values_in_both_systems() -> None:
    limits = {limit.quantity: limit.value for limit in published_limits(TankKind.SECONDARY)}
    # Pairs as printed: 1200 gpd/ft2 = 48.9 m/d (Wyoming prints 48.8), 40 lb/d.ft2 = 195 kg/m2.d, 12 ft = 3.7 m.
    assert limits[Quantity.OVERFLOW_RATE] * 24.0 == pytest.approx(48.8, abs=0.15)
    assert limits[Quantity.SOLIDS_LOADING] * 24.0 == pytest.approx(195.0, abs=0.5)
    assert limits[Quantity.SIDE_WATER_DEPTH] == pytest.approx(3.7, abs=0.05)
    assert limits[Quantity.WEIR_LOADING] == pytest.approx(375.0, rel=0.01)


def test_each_side_of_each_limit() -> None:
    for limit in published_limits(TankKind.SECONDARY):
        beyond = limit.value * (0.99 if limit.lower else 1.01)
        within = limit.value * (1.01 if limit.lower else 0.99)
        assert [w.quantity for w in loading_warnings(tank(), {limit.quantity: beyond})] == [limit.quantity]
        assert loading_warnings(tank(), {limit.quantity: within}) == ()


def test_shallow_tank_is_told() -> None:
    (warning,) = loading_warnings(tank(to_si(11.0, "ft")), {})
    assert warning.quantity is Quantity.SIDE_WATER_DEPTH
    assert "72.1" in warning.source


def test_site_overrides_and_adds() -> None:
    assert loading_warnings(tank(3.2), {}, {Quantity.SIDE_WATER_DEPTH: 3.0}) == ()
    (warning,) = loading_warnings(
        tank(kind=TankKind.THICKENER), {Quantity.SOLIDS_LOADING: 5.0}, {Quantity.SOLIDS_LOADING: 4.0}
    )
    assert warning.source == "set by the site"
