"""Pairs of core and sensor: frames, noise and memory."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from service.domain.blanket.estimate import advance, initial
from service.domain.blanket.pairing import (
    ARM_DISTURBANCE_SD,
    TIME_SD,
    core_height,
    extra_variance,
    pair_from_json,
    pair_to_json,
)
from tests.support.sensor_story import TANK, Story


def test_a_core_is_brought_to_the_floor_datum() -> None:
    core = Story(days=0.1).core(0, 0.0, 1.3)
    assert core.thickness == pytest.approx(1.3 + 5.0 / 12.0)
    assert core_height(core, TANK) == pytest.approx(1.3)


def test_a_moving_blanket_makes_a_pair_less_telling() -> None:
    assert extra_variance(0.0004, 1.2, 0.0, None) == pytest.approx(0.0004 + (TIME_SD * 1.2) ** 2)
    assert extra_variance(0.0, 0.0, 0.09, None) == pytest.approx((TIME_SD * 0.3) ** 2)


@pytest.mark.parametrize(
    ("angle", "stirred"), [(10.0, True), (370.0, True), (90.0, False), (-10.0, False), (None, False)]
)
def test_behind_the_arm_the_blanket_is_stirred(angle: float | None, stirred: bool) -> None:
    assert extra_variance(0.0, 0.0, 0.0, angle) == (ARM_DISTURBANCE_SD**2 if stirred else 0.0)


@pytest.mark.parametrize(
    ("angle", "stirred"), [(10.0, True), (190.0, True), (180.0, True), (90.0, False), (270.0, False)]
)
def test_behind_the_second_arm_it_is_stirred_just_so(angle: float, stirred: bool) -> None:
    """Two arms on one drive stand 180° apart: a sampler 180° from the first is just behind the second."""
    two = replace(TANK, arms=2)
    assert extra_variance(0.0, 0.0, 0.0, two.angle_since_arm(angle)) == (ARM_DISTURBANCE_SD**2 if stirred else 0.0)
    alone = extra_variance(0.0, 0.0, 0.0, TANK.angle_since_arm(190.0))
    assert (alone, TANK.angle_since_arm(None)) == (0.0, None)


def test_a_pair_is_remembered_exactly() -> None:
    story = Story(days=1)
    pairs = advance(story.setup, initial(story.setup), story.events()).pairs
    assert [pair_from_json(json.loads(json.dumps(pair_to_json(pair)))) for pair in pairs] == list(pairs)
    assert len(pairs) == 2
