"""The fold from events to estimates: right within its stated deviation, and the same however the stream is cut."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.blanket.estimate import (
    Advance,
    Assessment,
    Estimate,
    EstimateReason,
    Event,
    TankSetup,
    Trust,
    advance,
    event_order,
    initial,
    project,
    state_from_json,
    state_to_json,
)
from service.domain.blanket.mixture import Part
from service.domain.blanket.pairing import Pair
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.plant.reading import Reading, ReadingReason
from service.domain.plant.signal import Measures, Signal, SignalKind
from service.domain.plant.tank import NotchedWeir
from service.errors import DomainError
from tests.support.sensor_story import START, TANK, Floats, Story, bad, blanket_signal


def offset(size: float) -> object:
    return lambda hours: np.full_like(hours, size)


def whole(story: Story) -> Advance:
    return advance(story.setup, initial(story.setup), story.events())


def held(story: Story, estimates: tuple[Estimate, ...]) -> float:
    inside = [abs(e.height - story.true_at(e.time)) <= 1.96 * e.sd for e in estimates]
    return sum(inside) / len(inside)


def storm(hours: Floats) -> Floats:
    return np.asarray(1.0 + 1.6 / (1.0 + np.exp(-(hours - 30.0) * 1.5)))


EVENTFUL = Story(
    days=3,
    error=lambda hours: 0.2 + 0.2 * (hours > 20) + 0.7 * (np.arange(hours.size) % 37 < 2),
    core_blunders={4: lambda thickness: thickness * 3.28084},
    works=(Calibration(tag="north.level", at=START + timedelta(hours=50), kind=CalibrationKind.CLEANING),),
)
EVENTFUL_EVENTS = EVENTFUL.events()


@cache
def eventful_whole() -> Advance:
    """The fold of all of it; made by the first test that asks, as every worker loads this module."""
    return advance(EVENTFUL.setup, initial(EVENTFUL.setup), EVENTFUL_EVENTS)


@settings(max_examples=12)
@given(st.lists(st.integers(0, len(EVENTFUL_EVENTS)), max_size=4))
def test_cutting_the_stream_anywhere_changes_nothing(cuts: list[int]) -> None:
    edges = sorted({0, *cuts, len(EVENTFUL_EVENTS)})
    state = initial(EVENTFUL.setup)
    estimates: dict[datetime, Estimate] = {}
    assessments: list[Assessment] = []
    pairs: list[Pair] = []
    for begin, end in itertools.pairwise(edges):
        remembered = json.loads(json.dumps(state_to_json(state), allow_nan=False))
        done = advance(EVENTFUL.setup, state_from_json(remembered), EVENTFUL_EVENTS[begin:end])
        state = done.state
        estimates.update({e.time: e for e in done.estimates})
        assessments += done.assessments
        pairs += done.pairs
    whole = eventful_whole()
    assert list(estimates.values()) == list(whole.estimates)
    assert repr(assessments) == repr(list(whole.assessments))
    assert pairs == list(whole.pairs)
    assert state_to_json(state) == state_to_json(whole.state)


def test_state_survives_a_database_that_turns_whole_floats_into_integers() -> None:
    def as_database(value: object) -> object:
        if isinstance(value, dict):
            return {key: as_database(value[key]) for key in sorted(value)}
        if isinstance(value, list):
            return [as_database(item) for item in value]
        return int(value) if isinstance(value, float) and value.is_integer() else value

    memory = state_to_json(eventful_whole().state)
    assert state_to_json(state_from_json(as_database(memory))) == memory  # type: ignore[arg-type]


def test_advancing_leaves_the_given_state_alone() -> None:
    story = Story(days=0.5)
    state = initial(story.setup)
    before = state_to_json(state)
    advance(story.setup, state, story.events())
    project(story.setup, state, START)
    assert state_to_json(state) == before


def test_state_of_another_version_is_refused() -> None:
    memory = state_to_json(initial(Story(days=0.1).setup)) | {"version": 0}
    with pytest.raises(DomainError, match="version"):
        state_from_json(memory)


def test_a_damaged_state_is_refused() -> None:
    memory = state_to_json(eventful_whole().state)
    for damaged in (memory | {"belief": {"no such thing": 1.0}}, {k: v for k, v in memory.items() if k != "sensors"}):
        with pytest.raises(DomainError, match="damaged"):
            state_from_json(damaged)


def test_events_from_before_the_state_are_refused() -> None:
    story = Story(days=0.1)
    events = story.events()
    state = advance(story.setup, initial(story.setup), events).state
    with pytest.raises(DomainError, match="lies before"):
        advance(story.setup, state, events[:1])


@pytest.mark.parametrize("measures", list(Measures))
def test_every_frame_of_reference_leads_to_blanket_height(measures: Measures) -> None:
    story = Story(days=4, signals=(blanket_signal(measures=measures),), error=offset(0.3))  # type: ignore[arg-type]
    done = whole(story)
    last = done.estimates[-1]
    assert last.height == pytest.approx(story.true_at(last.time), abs=0.08)
    # The floor falls 1:12 and the cores stand 5 m from the wall: 0.42 m of thickness that is not an error of the sensor.
    assert done.pairs[-1].offset == pytest.approx(0.3, abs=0.08)


def test_estimates_come_per_blanket_sample_and_per_core() -> None:
    story = Story(days=1)
    done = whole(story)
    assert len(done.estimates) == story.hours.size  # cores fall on whole minutes and take that minute's place
    assert len(done.assessments) == story.hours.size
    assert [e.reason for e in done.estimates if e.reason is EstimateReason.CORE] == [EstimateReason.CORE] * 2


def test_a_core_between_samples_gets_its_own_estimate() -> None:
    story = Story(days=0.5, core_every=0)
    events = [*story.events(), story.core(0, 3.0083, 1.2)]
    done = advance(story.setup, initial(story.setup), sorted(events, key=event_order))
    assert len(done.estimates) == story.hours.size + 1


def test_without_cores_the_sensor_alone_still_speaks() -> None:
    story = Story(days=1, core_every=0)
    last = whole(story).estimates[-1]
    assert last.height == pytest.approx(story.true_at(last.time), abs=0.1)
    assert last.trust is Trust.DOUBTFUL
    assert last.sd > 0.2
    assert last.reason is EstimateReason.SENSOR


def test_cores_bring_trust() -> None:
    last = whole(Story(days=3)).estimates[-1]
    assert last.trust is Trust.GOOD
    assert last.sd < 0.1  # people lean to one side by some of it, however many cores they take


def test_the_first_core_dominates_a_sensor_nobody_knows() -> None:
    story = Story(days=0.3, core_every=0, error=offset(0.5))  # type: ignore[arg-type]
    events = [*story.events(), story.core(0, 7.2, story.true_at(story.at(7.2)))]
    done = advance(story.setup, initial(story.setup), sorted(events, key=event_order))
    last = done.estimates[-1]
    assert last.reason is EstimateReason.CORE
    assert last.height == pytest.approx(story.true_at(last.time), abs=0.15)


@pytest.mark.untraced  # goes often over what other tests reach
def test_drift_is_followed_and_intervals_hold() -> None:
    story = Story(days=25, error=lambda hours: 0.1 + 0.01 * hours / 24.0, seed=4)
    done = whole(story)
    late = done.estimates[len(done.estimates) // 3 :]
    rms = float(np.sqrt(np.mean([(e.height - story.true_at(e.time)) ** 2 for e in late])))
    assert rms < 0.05
    assert held(story, late) > 0.88


def test_a_storms_rise_is_followed_not_mistaken() -> None:
    story = Story(days=1.6, height=storm)
    done = whole(story)
    assert {a.verdict for a in done.assessments} == {ReadingReason.NONE}
    top = max(done.estimates, key=lambda e: e.rate)
    assert top.rate == pytest.approx(0.6, abs=0.2)  # steepest of the logistic: 1.6 · 1.5 / 4 m/h


def test_blind_spells_coast_and_say_so() -> None:
    story = Story(days=2)
    state = whole(story).state
    end = story.at(48)
    soon, later, much = (project(story.setup, state, end + timedelta(hours=h)) for h in (0.1, 3, 30))
    assert soon.reason is EstimateReason.SENSOR
    assert later.reason is EstimateReason.COASTING
    assert later.trust is Trust.DOUBTFUL
    assert soon.sd < later.sd < much.sd
    assert (much.trust, much.reason) == (Trust.BLIND, EstimateReason.BLIND)
    assert project(story.setup, state, end + timedelta(days=400)).sd < 4.0


def test_a_tank_without_data_is_blind() -> None:
    setup = Story(days=0.1).setup
    told = project(setup, initial(setup), START)
    assert (told.trust, told.reason) == (Trust.BLIND, EstimateReason.NO_DATA)


def test_a_core_alone_is_a_belief() -> None:
    story = Story(days=0.1)
    done = advance(story.setup, initial(story.setup), [story.core(0, 0.0, 1.4)])
    (told,) = done.estimates
    # Whoever took it may have been wrong, which nothing else says yet: some of what was usual remains.
    assert told.height == pytest.approx(1.4, abs=0.01)
    assert told.reason is EstimateReason.CORE
    assert done.pairs == ()


def test_a_core_while_the_sensor_is_dead_moves_the_belief() -> None:
    story = Story(days=1, core_every=6)
    state = whole(story).state
    dead = [bad("north.level", story.at(24 + i / 60)) for i in range(240)]
    core = story.core(90, 28.0, 1.9)
    done = advance(story.setup, state, [*dead, core])
    assert done.estimates[-2].trust is not Trust.GOOD
    assert done.estimates[-1].reason is EstimateReason.CORE
    assert done.estimates[-1].height == pytest.approx(1.9, abs=0.2)
    assert {a.verdict for a in done.assessments} == {ReadingReason.SOURCE_BAD}


def test_a_lasting_high_reading_is_never_swallowed() -> None:
    story = Story(days=1)
    state = whole(story).state
    high = minutes(story, 24, noisy(2.6, 60))
    done = advance(story.setup, state, high)
    last = done.estimates[-1]
    assert last.reason is EstimateReason.READS_HIGH_UNCONFIRMED
    assert last.trust is not Trust.GOOD
    assert done.assessments[-1].verdict is ReadingReason.READS_HIGH_UNCONFIRMED
    # A core that finds the blanket up there settles it.
    confirmed = advance(story.setup, done.state, [story.core(91, 25.0, 2.5), *later(story, 25.01, 2.6)])
    assert confirmed.estimates[-1].reason is EstimateReason.SENSOR
    assert confirmed.estimates[-1].height == pytest.approx(2.55, abs=0.15)
    # A core that finds it down where it was leaves the sensor in doubt.
    refuted = advance(story.setup, done.state, [story.core(92, 25.0, 1.05), *later(story, 25.01, 2.6)])
    assert refuted.estimates[-1].reason is EstimateReason.READS_HIGH_UNCONFIRMED
    assert refuted.estimates[-1].height == pytest.approx(1.05, abs=0.2)


def later(story: Story, hours: float, value: float) -> list[Reading]:
    return minutes(story, hours, noisy(value, 5))


@pytest.mark.untraced  # goes often over what other tests reach
def test_two_sensors_are_fused_and_disagreement_widens() -> None:
    pair = (blanket_signal("one"), blanket_signal("two", Measures.DISTANCE))
    story = Story(days=3, signals=pair)
    done = whole(story)
    agreed = done.estimates[-1]
    single = whole(Story(days=3)).estimates[-1]
    assert agreed.sd <= single.sd + 0.01
    still = noisy(1.0, 40)
    apart = [
        reading
        for i in range(40)
        for reading in (
            Reading("one", story.at(72 + i / 60), 1.0 - 0.012 * i),
            Reading("two", story.at(72 + i / 60), 3.8 - float(still[i])),
        )
    ]
    widened = advance(story.setup, done.state, apart).estimates[-1]
    # Two that saw the same and now do not: one of them is right, and nobody knows which.
    assert widened.trust is not Trust.GOOD
    low, high = widened.interval
    assert low < 0.6
    assert high > 0.95
    assert high - low > 2 * (agreed.interval[1] - agreed.interval[0])


def test_a_sensor_that_was_never_cored_is_doubtful_and_not_blind() -> None:
    """A new plant has no cores: rival stories that nobody has settled must not silence a blanket under the weir."""
    setup = Story(days=1).setup
    readings = [Reading("north.level", START + timedelta(minutes=i), 3.4) for i in range(60)]
    last = advance(setup, initial(setup), readings).estimates[-1]
    assert last.trust is Trust.DOUBTFUL
    assert last.height == pytest.approx(3.4, abs=0.1)


def test_a_wrong_core_hardly_moves_the_estimate_and_is_named() -> None:
    story = Story(days=4, core_blunders={8: lambda thickness: thickness * 3.28084})
    done = whole(story)
    assert done.pairs[8].wrong > 0.9
    assert done.pairs[9].hindsight_wrong > 0.9
    assert max(abs(e.height - story.true_at(e.time)) for e in done.estimates[1440:]) < 0.2


@pytest.mark.untraced  # goes often over what other tests reach
def test_a_step_the_cores_confirm_is_followed() -> None:
    story = Story(days=8, error=lambda hours: np.asarray(0.25 * (hours > 96.5)))
    done = whole(story)
    assert done.pairs[-1].offset == pytest.approx(0.25, abs=0.07)
    assert held(story, done.estimates) > 0.9


@pytest.mark.parametrize("kind", list(CalibrationKind))
def test_work_on_the_sensor_restarts_its_drift_and_the_belief_bridges_it(kind: CalibrationKind) -> None:
    left = 0.0 if kind is not CalibrationKind.CLEANING else 0.1
    work = Calibration(tag="north.level", at=START + timedelta(hours=96.25), kind=kind)
    story = Story(days=5, error=lambda hours: np.asarray(left + (0.5 - left) * (hours < 96.25)), works=(work,))
    done = whole(story)
    after = [e for e in done.estimates if story.at(97) < e.time < story.at(104)]
    # Before the next core: the blanket stood where it stood, so the new offset is known at once.
    assert max(abs(e.height - story.true_at(e.time)) for e in after) < 0.12
    assert held(story, tuple(after)) > 0.9


def test_flow_lifts_the_water_a_depth_sensor_counts_from() -> None:
    tank = replace(TANK, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    flow = Signal(tag="flow", kind=SignalKind.FLOW, tank="north", unit="m3/s")
    setup = TankSetup(tank=tank, blankets=(blanket_signal(measures=Measures.DEPTH),), others=(flow,))
    events = [Reading("flow", START, 1.37 * 0.2**2.5), Reading("north.level", START, 3.0)]
    (assessed,) = advance(setup, initial(setup), events).assessments
    # 1.37 H^2.5 is the customary form of the 90° notch with Cd 0.58: 0.2 m of head.
    assert assessed.height == pytest.approx(4.0 + 0.2 - 3.0, abs=0.001)


@pytest.mark.parametrize(
    ("flows", "head"),
    [
        ({"plant": None}, 0.2),  # half of the plant's flow is this tank's
        ({"plant": None, "north.flow": "north"}, 0.0),  # its own meter counts, also while it is silent
        ({"plant": None, "plant.2": None}, 0.0),  # of two plant meters nobody knows whether they add up
        ({"plant": "south"}, 0.0),  # a neighbour's
    ],
)
def test_a_tank_without_a_meter_has_its_part_of_the_plants_flow_over_its_weir(
    flows: dict[str, str | None], head: float
) -> None:
    tank = replace(TANK, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    signals = tuple(Signal(tag=tag, kind=SignalKind.FLOW, tank=of, unit="m3/s") for tag, of in flows.items())
    setup = TankSetup(
        tank=tank, blankets=(blanket_signal(measures=Measures.DEPTH),), others=signals, share_of_plant=0.5
    )
    events = [Reading("plant", START, 2.0 * 1.37 * 0.2**2.5), Reading("north.level", START, 3.0)]
    (assessed,) = advance(setup, initial(setup), events).assessments
    assert assessed.height == pytest.approx(4.0 + head - 3.0, abs=0.001)


HEAD_FLOW = 1.37 * 0.2**2.5  #: flow that makes 0.2 m of head over the notch [m³/s]


@pytest.mark.parametrize(
    ("told", "at", "head"),
    [
        ([("level", 0.0, 4.15)], 2.0, 0.15),
        (
            [("level", 0.0, 4.15), ("flow", 1.0, HEAD_FLOW)],
            2.0,
            0.15,
        ),  # a level that was measured says more than a flow
        ([("level", 0.0, 3.2)], 2.0, -0.8),  # drawn down for work
        ([("level", 0.0, 13.5), ("flow", 1.0, HEAD_FLOW)], 2.0, 0.2),  # 13.5 ft sent as metres is no water level
        ([("level", 0.0, 4.15), ("flow", 121.0, HEAD_FLOW)], 122.0, 0.2),  # nor does one of two hours ago count
    ],
)
def test_a_depth_sensor_counts_from_the_water_level_that_is_measured(
    told: list[tuple[str, float, float]], at: float, head: float
) -> None:
    tank = replace(TANK, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    flow = Signal(tag="flow", kind=SignalKind.FLOW, tank="north", unit="m3/s")
    level = Signal(tag="level", kind=SignalKind.WATER_LEVEL, tank="north", unit="m")
    setup = TankSetup(tank=tank, blankets=(blanket_signal(measures=Measures.DEPTH),), others=(flow, level))
    events: list[Event] = [Reading(tag, START + timedelta(minutes=when), value) for tag, when, value in told]
    state = advance(setup, initial(setup), events).state
    # Kept and taken up again in between, as by a service that starts anew.
    state = state_from_json(json.loads(json.dumps(state_to_json(state))))
    done = advance(setup, state, [Reading("north.level", START + timedelta(minutes=at), 3.0)])
    assert done.assessments[0].height == pytest.approx(4.0 + head - 3.0, abs=0.001)


def minutes(story: Story, hours: float, values: Floats) -> list[Reading]:
    return [Reading("north.level", story.at(hours + i / 60), float(value)) for i, value in enumerate(values)]


def noisy(level: float, count: int, seed: int = 3) -> Floats:
    return level + np.random.default_rng(seed).normal(0.0, 0.015, count)


def test_two_contradicting_cores_are_believed_however_large_the_step() -> None:
    story = Story(days=2)
    state = whole(story).state
    goes_on = minutes(story, 48, noisy(1.0, 300))
    events: list[Event] = [*goes_on, story.core(90, 49.0, 3.0), story.core(91, 51.0, 3.05)]
    events.sort(key=event_order)
    done = advance(story.setup, state, events)
    once = next(e for e in done.estimates if e.time >= story.at(50.9))
    # One core may be a slip: both are told, and nobody is told that the number is good.
    assert once.trust is not Trust.GOOD
    assert once.interval[0] < 1.2 < 2.8 < once.interval[1]
    last = done.estimates[-1]
    assert last.height == pytest.approx(3.0, abs=0.2)
    assert last.above(2.5) > 0.6


def test_a_sensor_that_stands_still_is_found_without_being_told() -> None:
    story = Story(days=2)
    done = advance(story.setup, whole(story).state, minutes(story, 48, np.full(120, 1.0)))
    assert done.assessments[-1].verdict is ReadingReason.FLAT
    assert done.estimates[-1].trust is not Trust.GOOD
    moving = advance(story.setup, done.state, minutes(story, 50, noisy(1.0, 10)))
    assert moving.assessments[-1].verdict is ReadingReason.NONE


def test_an_echo_that_ends_is_over_within_ten_minutes() -> None:
    story = Story(days=2)
    echo = minutes(story, 48, np.concatenate([noisy(1.9, 150), noisy(1.0, 10)]))
    done = advance(story.setup, whole(story).state, echo)
    during = done.estimates[140]
    assert during.trust is not Trust.GOOD
    assert during.interval[0] < 1.1 < 1.8 < during.interval[1]
    assert done.estimates[-1].height == pytest.approx(1.0, abs=0.1)


def test_an_estimate_of_one_story_is_lopsided_to_nobody() -> None:
    one = Estimate(
        tank="north", time=START, height=1.0, sd=0.1, rate=0.0, trust=Trust.GOOD, reason=EstimateReason.SENSOR
    )
    assert one.interval == pytest.approx((1.0 - 0.196, 1.0 + 0.196))
    assert one.above(1.0) == pytest.approx(0.5)
    two = replace(one, stories=(Part(0.6, 1.0, 0.1), Part(0.4, 3.0, 0.1)))
    low, high = two.interval
    assert low < 1.0
    assert high > 3.0
    assert two.above(2.0) == pytest.approx(0.4)
