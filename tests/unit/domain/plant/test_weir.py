"""Discharge over V-notches."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.plant.tank import NotchedWeir, Tank, TankKind, TankShape
from service.domain.plant.weir import head_over_weir, notch_discharge, notch_head, water_surface
from service.errors import DomainError


def test_right_angle_notch_constant() -> None:
    # Textbook constant for Cd 0.6 and 90 degrees, Q = 1.417 H^(5/2) (curioustab.com, hydraulics exercises).
    assert notch_discharge(1.0, 90.0, 0.6) == pytest.approx(1.417, abs=5e-4)


def test_right_angle_notch_in_feet() -> None:
    # Classic US formula Q[ft3/s] = 2.49 H[ft]^2.48 (USBR, from memory): a coefficient falling from 0.60 to 0.58.
    for head_ft in (0.2, 0.4, 0.7, 1.0):
        classic = 2.49 * head_ft**2.48 * 0.3048**3
        low, high = (notch_discharge(head_ft * 0.3048, 90.0, cd) for cd in (0.578, 0.602))
        assert low < classic < high


@given(flow=st.floats(1e-7, 1.0), angle=st.floats(20.0, 120.0))
def test_head_is_the_inverse(flow: float, angle: float) -> None:
    assert notch_discharge(notch_head(flow, angle), angle) == pytest.approx(flow, rel=1e-9)


def test_many_notches_share_the_flow() -> None:
    weir = NotchedWeir(notch_angle=90.0, notch_count=100)
    assert head_over_weir(0.1, weir) == pytest.approx(notch_head(0.001, 90.0))


def test_surface_without_notches_or_flow_is_the_crest() -> None:
    tank = Tank(
        key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=20.0, side_water_depth=4.0
    )  # fmt: skip
    assert water_surface(0.1, tank) == 0.0
    assert water_surface(None, tank) == 0.0


def test_impossible_notches_are_refused() -> None:
    with pytest.raises(DomainError):
        notch_discharge(0.1, 180.0)
    with pytest.raises(DomainError):
        notch_head(-0.1, 90.0)
    with pytest.raises(DomainError):
        head_over_weir(0.1, NotchedWeir(notch_angle=90.0, notch_count=0))
