"""Discharge over V-notches."""

from __future__ import annotations

import math

import pytest

from service.domain.plant.tank import NotchedWeir, Tank, TankKind, TankShape
from service.domain.plant.weir import head_over_weir, notch_head, water_surface
from service.errors import DomainError


def test_right_angle_notch_constant() -> None:
    # Textbook constant for Cd 0.6 and 90 degrees, Q = 1.417 H^(5/2) (curioustab.com, hydraulics exercises).
    for head in (0.05, 0.2, 1.0):
        assert notch_head(1.417 * head**2.5, 90.0, 0.6) == pytest.approx(head, rel=2e-4)


def test_right_angle_notch_in_feet() -> None:
    # Classic US formula Q[ft3/s] = 2.49 H[ft]^2.48 (USBR, from memory): a coefficient falling from 0.60 to 0.58.
    for head_ft in (0.2, 0.4, 0.7, 1.0):
        classic = 2.49 * head_ft**2.48 * 0.3048**3
        assert notch_head(classic, 90.0, 0.602) < head_ft * 0.3048 < notch_head(classic, 90.0, 0.578)


def test_a_notch_of_sixty_degrees_passes_the_tangent_of_half_its_angle() -> None:
    share = math.tan(math.radians(30.0)) / math.tan(math.radians(45.0))
    assert notch_head(share * 0.01, 60.0) == pytest.approx(notch_head(0.01, 90.0))


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
        notch_head(0.1, 180.0)
    with pytest.raises(DomainError):
        notch_head(-0.1, 90.0)
    with pytest.raises(DomainError):
        head_over_weir(0.1, NotchedWeir(notch_angle=90.0, notch_count=0))
