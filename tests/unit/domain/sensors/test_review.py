"""Advice, settings and causes on stories whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from service.domain.blanket.estimate import advance, initial
from service.domain.cores.blunders import CoreFault
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.plant.signal import Measures, sensor_height
from service.domain.plant.tank import NotchedWeir
from service.domain.plant.weir import water_surface
from service.domain.sensors.advice import Action, DriftCause
from service.domain.sensors.review import HeightAt, SensorReview, review_sensor
from tests.support.sensor_story import START, TANK, Floats, Story, blanket_signal

#: Weeks of a sensor that reports this seldom are as good to these tests as each minute, and five times as cheap. [min]
SELDOM = 5


def wandering(hours: Floats) -> Floats:
    return np.asarray(1.2 + 0.6 * np.sin(2 * np.pi * hours / 37.0) + 0.2 * np.sin(2 * np.pi * hours / 24.0))


def reviewed(story: Story, height_at: HeightAt | None = None, others: tuple[str, ...] = ()) -> SensorReview:
    done = advance(story.setup, initial(story.setup), story.events())
    return review_sensor(
        story.setup, done.state, "north.level", done.pairs, story.works, story.at(story.days * 24),
        height_at=height_at, other_tanks=others,
    )  # fmt: skip


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_good_sensor_is_left_alone() -> None:
    advice = reviewed(Story(sample_every=SELDOM, days=12)).advice
    assert advice.action is Action.FINE
    assert advice.cause is DriftCause.NONE
    assert advice.more_cores == 0
    assert advice.error_interval[0] < 0.0 < advice.error_interval[1]


def test_too_few_cores_ask_for_more() -> None:
    advice = reviewed(Story(sample_every=SELDOM, days=2, core_every=24.0)).advice
    assert advice.action is Action.MORE_CORES
    assert advice.more_cores >= 2
    assert advice.core_heights is not None


def test_a_constant_offset_is_a_wrong_datum() -> None:
    advice = reviewed(Story(sample_every=SELDOM, days=8, error=lambda hours: np.full_like(hours, 0.42))).advice
    assert advice.action is Action.WORK
    assert advice.cause is DriftCause.DATUM
    assert advice.hint == "the floor's fall to where cores are taken"  # 5 m at 1:12
    assert advice.error == pytest.approx(0.42, abs=0.06)
    assert advice.error_interval[0] < 0.42 < advice.error_interval[1]


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_step_is_told_from_fouling() -> None:
    step = reviewed(Story(days=12, error=lambda hours: np.asarray(0.3 * (hours > 150.0))))
    assert step.advice.cause is DriftCause.STEP
    assert step.history.steps[0].size == pytest.approx(0.3, abs=0.08)
    fouling = reviewed(Story(sample_every=SELDOM, days=30, error=lambda hours: -0.012 * hours / 24.0, core_noise=0.04))
    assert fouling.advice.cause is DriftCause.FOULING
    assert fouling.advice.action is Action.WORK
    assert fouling.advice.trend == pytest.approx(-0.012, abs=0.005)
    assert fouling.advice.error_ahead < fouling.advice.error - 0.1


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("measures", list(Measures))
def test_what_to_type_in_makes_the_sensor_right(measures: Measures) -> None:
    signal = blanket_signal(measures=measures)
    story = Story(sample_every=SELDOM, days=25, height=wandering, signals=(signal,), core_noise=0.04)
    # Sensor height = 1.15·h + 0.1: offset and span error, in the tank's frame.
    story.seen += 0.15 * story.true + 0.1
    review = reviewed(story)
    advice = review.advice
    assert advice.cause is DriftCause.SPAN
    assert advice.span == pytest.approx(0.15, abs=0.04)
    assert advice.span_interval[0] < 0.15 < advice.span_interval[1]
    setting = advice.setting
    assert signal.mount is not None
    for height in (0.5, 1.2, 2.0):
        seen = 1.15 * height + 0.1
        reading = seen - signal.mount.zero_height
        if measures is not Measures.HEIGHT:
            reading = (signal.mount.zero_height or TANK.side_water_depth) - seen
        right = setting.multiply * reading + setting.add
        assert sensor_height(right, TANK, signal.mount) == pytest.approx(height, abs=0.06)
        # The same through the loop: new ends, old current.
        assert setting.at_4_ma is not None
        assert setting.at_20_ma is not None
        share = (reading - (-0.5)) / (4.5 - (-0.5))
        assert setting.at_4_ma + share * (setting.at_20_ma - setting.at_4_ma) == pytest.approx(right, abs=1e-9)
    assert review.deming is not None
    assert review.deming.slope == pytest.approx(1.15, abs=0.05)


def test_a_sensor_in_the_wrong_unit_is_recognised() -> None:
    story = Story(sample_every=SELDOM, days=6, height=lambda hours: np.asarray(1.0 + 0.15 * np.sin(hours / 4.0)))
    story.seen = story.seen * 3.28084
    assert reviewed(story).advice.cause is DriftCause.UNIT


@pytest.mark.untraced  # goes often over what other tests reach
def test_charts_and_agreement_run_beside() -> None:
    review = reviewed(Story(sample_every=SELDOM, days=14, error=lambda hours: np.full_like(hours, 0.25)))
    assert review.cusum is not None
    assert review.ewma is not None
    assert review.agreement is not None
    assert review.cusum.signals
    assert review.ewma.signals
    assert review.agreement.bias == pytest.approx(0.25, abs=0.05)
    assert len(review.charted) == len(review.cusum.upper)
    fine = reviewed(Story(sample_every=SELDOM, days=14))
    assert fine.cusum is not None
    assert fine.cusum.signals == ()


def test_wrong_cores_are_explained() -> None:
    def height_at(tank: str, when: datetime) -> tuple[float, float] | None:
        return {"south": (2.6, 0.05), "north": (1.1, 0.05)}.get(tank)

    story = Story(
        10,
        sample_every=SELDOM,
        core_blunders={10: lambda thickness: thickness * 3.28084, 20: lambda thickness: 2.6 + 5.0 / 12.0},
    )
    review = reviewed(story, height_at, ("south",))
    assert sorted(doubt.fault for doubt in review.doubts.values()) == sorted([CoreFault.UNIT, CoreFault.TANK])


def test_a_sensor_without_pairs_is_reviewed_too() -> None:
    story = Story(sample_every=SELDOM, days=0.2, core_every=0)
    review = reviewed(story)
    assert review.advice.action is Action.MORE_CORES
    assert review.advice.more_cores >= 3
    assert review.cusum is None
    assert review.history.points == ()


@pytest.mark.untraced  # goes often over what other tests reach
def test_cores_while_the_advice_stands_bring_it_down_after_the_work() -> None:
    work = Calibration(tag="north.level", at=START + timedelta(hours=120.3), kind=CalibrationKind.CALIBRATION)
    story = Story(sample_every=SELDOM, days=10, error=lambda hours: np.asarray(0.4 * (hours < 120.3)), works=(work,))
    assert reviewed(story).advice.action is Action.FINE


def test_only_the_newest_wrong_cores_are_explained_where_so_asked() -> None:
    story = Story(
        sample_every=SELDOM,
        days=10,
        core_blunders={6: lambda thickness: thickness * 3.28084, 20: lambda thickness: thickness / 0.3048},
    )
    done = advance(story.setup, initial(story.setup), story.events())

    def explained(count: int | None) -> list[int]:
        now = story.at(240)
        found = review_sensor(story.setup, done.state, "north.level", done.pairs, (), now, explained=count)
        return [core.int - 1 for core in found.doubts]

    assert explained(None) == [6, 20]
    assert explained(1) == [20]
    assert explained(0) == []


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_sensor_that_counts_from_the_surface_is_set_by_where_the_surface_is() -> None:
    signal = blanket_signal(measures=Measures.DEPTH)
    story = Story(sample_every=SELDOM, days=25, height=wandering, signals=(signal,), core_noise=0.04)
    story.seen += 0.15 * story.true + 0.1
    done = advance(story.setup, initial(story.setup), story.events())
    now = story.at(story.days * 24)
    # One notch for all the water: the surface stands far above the crest, so that nothing small hides it.
    tank = replace(story.setup.tank, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    done.state.flow, done.state.flow_time = 3.0, now.timestamp()
    setting = review_sensor(
        replace(story.setup, tank=tank), done.state, "north.level", done.pairs, (), now
    ).advice.setting  # fmt: skip
    head = water_surface(3.0, tank)
    assert head > 1.0
    assert signal.mount is not None
    for height in (0.5, 1.2, 2.0):
        reading = tank.side_water_depth + head - (1.15 * height + 0.1)
        right = setting.multiply * reading + setting.add
        assert sensor_height(right, tank, signal.mount, head) == pytest.approx(height, abs=0.06)
