"""What other signals say of a blanket sensor: where the rotating arm is, and whether the instrument is in service."""

from __future__ import annotations

import itertools
import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.blanket.arm import ArmPasses, ArmTurn
from service.domain.blanket.estimate import (
    Advance,
    Assessment,
    Event,
    TankSetup,
    advance,
    event_order,
    initial,
    state_from_json,
    state_to_json,
)
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Signal, SignalKind
from tests.support.sensor_story import Floats, Story, blanket_signal

ARM = Signal(tag="north.arm", kind=SignalKind.ARM_ANGLE, tank="north", unit="deg")
STATUS = Signal(tag="north.status", kind=SignalKind.STATUS, tank="north", unit="state", sensor="north.level")
#: Where the arm strikes the sensor's beam [degree].
STRIKES = 200.0


@dataclass
class ArmStory(Story):
    """A story whose arm turns at a speed that changes through the day, and stands at times; each pass strikes the sensor."""

    minutes_a_turn: Floats = field(default_factory=lambda: np.array([]))
    way: float = 1.0

    def __post_init__(self) -> None:
        super().__post_init__()
        speed = 360.0 / (self.minutes_a_turn if self.minutes_a_turn.size else 26.0 + 14.0 * np.sin(self.hours / 3.0))
        self.turned: Floats = np.cumsum(np.broadcast_to(speed, self.hours.shape))
        into = (self.turned - STRIKES) % 360.0
        self.struck = (into < 22.0) & (np.broadcast_to(speed, self.hours.shape) > 0.0)
        rng = np.random.default_rng(5)
        self.seen = self.seen + np.where(self.struck, 0.45 + 0.1 * rng.normal(size=self.hours.size), 0.0)

    @property
    def setup(self) -> TankSetup:
        """The tank with its arm measured."""
        return replace(super().setup, others=(ARM,))

    def arm_events(self) -> list[Reading]:
        """The arm's angle every minute."""
        return [
            Reading("north.arm", self.at(hour), self.way * turned % 360.0)
            for hour, turned in zip(self.hours.tolist(), self.turned.tolist(), strict=True)
        ]


def told(setup: TankSetup, events: Sequence[Event]) -> Advance:
    return advance(setup, initial(setup), sorted(events, key=event_order))


def removed(story: ArmStory, done: Advance, *, after_hours: float = 24.0) -> float:
    """Share of struck samples called a pass of the arm, once there was time to learn."""
    named = [
        a.verdict is ReadingReason.ARM_PASS
        for a, struck in zip(done.assessments, story.struck.tolist(), strict=True)
        if struck and a.time >= story.at(after_hours)
    ]
    assert len(named) > 50
    return sum(named) / len(named)


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_an_arm_whose_speed_changes_is_told_by_its_angle_not_by_a_period(way: float) -> None:
    story = ArmStory(days=3, way=way)
    by_angle = told(story.setup, [*story.events(), *story.arm_events()])
    by_period = told(replace(story.setup, others=()), story.events())
    assert removed(story, by_angle) > 0.95
    assert removed(story, by_period) < 0.5
    good = Counter(a.verdict for a, s in zip(by_angle.assessments, story.struck.tolist(), strict=True) if not s)
    assert good[ReadingReason.NONE] > 0.99 * sum(good.values())


def test_a_double_arm_passes_twice_a_turn() -> None:
    passes = ArmPasses()
    for turn in range(12):
        passes.note(
            turn * 900.0, turn * 900.0 + 60.0, None, (40.0 + 180.0 * turn) % 360.0, (52.0 + 180.0 * turn) % 360.0
        )
    assert passes.turn == 180.0
    assert passes.where == pytest.approx(40.0)
    arm = ArmTurn()
    arm.take(0.0, 220.0)
    arm.take(60.0, 230.0)
    assert passes.due(60.0, arm.at(60.0))
    assert not passes.due(300.0, arm.at(300.0)), "at 270 degrees neither end is near"


def test_excursions_at_any_angle_are_no_passes() -> None:
    passes, rng = ArmPasses(), np.random.default_rng(2)
    known = 0
    for n, angle in enumerate(rng.uniform(0.0, 360.0, 200).tolist()):
        passes.note(n * 1700.0 + 300.0 * float(rng.uniform()), n * 1700.0 + 310.0, None, angle, angle + 5.0)
        known += passes.where == passes.where
    assert known <= 20  # a tenth of the time at most, as for the period


def test_an_arm_that_stands_excuses_nothing() -> None:
    """Parked under the sensor it is not passing: what reads high then is told, not swallowed."""
    minutes = np.full(3 * 1440, 30.0)
    minutes[2 * 1440 :] = np.inf
    story = ArmStory(days=3, minutes_a_turn=minutes)
    story.seen[2 * 1440 :] = story.true[2 * 1440 :] + 1.2  # it stands in the beam
    done = told(story.setup, [*story.events(), *story.arm_events()])
    later = [a.verdict for a in done.assessments if a.time >= story.at(48.4)]
    assert ReadingReason.ARM_PASS not in later
    assert later.count(ReadingReason.READS_HIGH_UNCONFIRMED) > 0.9 * len(later)


def test_without_word_of_the_arm_its_period_is_used_again() -> None:
    """The angle's source falls silent after two days; the arm turns evenly, and its passes are still removed."""
    story = ArmStory(days=3, minutes_a_turn=np.full(3 * 1440, 33.0))
    arm = [event for event in story.arm_events() if event.time < story.at(48)]
    assert removed(story, told(story.setup, [*story.events(), *arm]), after_hours=49.0) > 0.9


# --- status -----------------------------------------------------------------------------------------------------------

WATCHED = replace(STATUS, stale_after=timedelta(minutes=30))


def watched(others: tuple[Signal, ...] = (WATCHED,), blankets: tuple[Signal, ...] = (blanket_signal(),)) -> TankSetup:
    return replace(Story(days=1, signals=blankets).setup, others=others)


def said(
    story: Story, value: float, start: float, end: float, quality: Quality = Quality.GOOD, every: float = 10.0
) -> list[Reading]:
    """A status said again and again from one hour to another."""
    hours = np.arange(start, end, every / 60.0).tolist()
    return [Reading("north.status", story.at(hour), value, quality) for hour in hours]


def test_an_instrument_out_of_service_has_no_say_and_says_why() -> None:
    story = Story(days=1)
    story.seen[600:720] = 3.5  # drawn up out of the water for cleaning
    done = told(
        watched(),
        [*story.events(), *said(story, 1.0, 0, 10), *said(story, 0.0, 9.99, 12), *said(story, 1.0, 11.99, 24)],
    )
    during = {a.verdict for a in done.assessments if story.at(10.1) < a.time < story.at(11.9)}
    assert during == {ReadingReason.OUT_OF_SERVICE}
    after = Counter(a.verdict for a in done.assessments if a.time > story.at(12.1))
    assert after[ReadingReason.NONE] > 0.99 * sum(after.values())
    # Nobody was led to believe in 3.5 m.
    assert max(e.height for e in done.estimates) < 1.6


def test_a_core_taken_meanwhile_teaches_nothing_of_a_sensor_that_is_out() -> None:
    story = Story(days=1, core_every=0)
    story.seen[600:720] = 3.5
    core = story.core(0, 11.0, story.true_at(story.at(11.0)))
    done = told(watched(), [*story.events(), core, *said(story, 0.0, 9.99, 12)])
    assert done.pairs == ()


@pytest.mark.parametrize("value", [2.0, 16.0])
def test_the_site_says_which_values_mean_in_service(value: float) -> None:
    story = Story(days=0.1)
    setup = watched((replace(WATCHED, in_service=(2.0, 16.0)),))
    assert {a.verdict for a in told(setup, [*said(story, value, 0, 2.4), *story.events()]).assessments} == {
        ReadingReason.NONE
    }


def test_a_status_that_is_old_or_in_doubt_silences_nobody() -> None:
    story = Story(days=0.2)
    old = told(watched(), [*said(story, 0.0, 0, 1), *story.events()])
    assert {a.verdict for a in old.assessments if a.time > story.at(1.5)} == {ReadingReason.NONE}
    for quality in (Quality.UNCERTAIN, Quality.BAD):
        doubted = told(watched(), [*said(story, 0.0, 0, 4, quality), *story.events()])
        assert {a.verdict for a in doubted.assessments} == {ReadingReason.NONE}


def test_a_status_speaks_of_its_own_sensor_only() -> None:
    two = (blanket_signal(), blanket_signal("north.second"))
    story = Story(days=0.1, signals=two)
    done = told(watched((WATCHED,), two), [*said(story, 0.0, 0, 2.4), *story.events()])
    verdicts = {a.tag: a.verdict for a in done.assessments}
    assert verdicts == {"north.level": ReadingReason.OUT_OF_SERVICE, "north.second": ReadingReason.NONE}


# --- online is batch --------------------------------------------------------------------------------------------------

MIXED = ArmStory(days=1.5, core_every=7.0)
MIXED_SETUP = replace(MIXED.setup, others=(ARM, WATCHED))
STRETCHES = st.lists(
    st.tuples(
        st.floats(0.0, 36.0), st.floats(0.1, 6.0), st.sampled_from([0.0, 1.0, 2.0]), st.sampled_from(list(Quality))
    ),
    max_size=4,
)


@settings(max_examples=8)
@given(STRETCHES, st.floats(0.0, 36.0), st.floats(0.0, 36.0), st.lists(st.integers(0, 6000), max_size=4))
def test_online_is_batch_whatever_arm_and_status_say(
    words: list[tuple[float, float, float, Quality]], silent_from: float, silent_for: float, cuts: list[int]
) -> None:
    """Statuses begin and end anywhere, the arm's angle is missing for a while: wherever the stream is cut, the numbers agree."""
    quiet = (MIXED.at(silent_from), MIXED.at(silent_from + silent_for))
    events: list[Event] = [*MIXED.events(), *(a for a in MIXED.arm_events() if not quiet[0] <= a.time <= quiet[1])]
    for start, hours, value, quality in words:
        events += said(MIXED, value, start, start + hours, quality)
    events.sort(key=event_order)
    whole = advance(MIXED_SETUP, initial(MIXED_SETUP), events)
    state, assessments = initial(MIXED_SETUP), list[Assessment]()
    estimates = {}
    for begin, end in itertools.pairwise(sorted({0, *(min(cut, len(events)) for cut in cuts), len(events)})):
        remembered = json.loads(json.dumps(state_to_json(state), allow_nan=False))
        done = advance(MIXED_SETUP, state_from_json(remembered), events[begin:end])
        state = done.state
        assessments += done.assessments
        estimates.update({e.time: e for e in done.estimates})
    assert repr(assessments) == repr(list(whole.assessments))
    assert list(estimates.values()) == list(whole.estimates)
    assert state_to_json(state) == state_to_json(whole.state)
