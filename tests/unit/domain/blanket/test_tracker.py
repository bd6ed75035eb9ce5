"""Events in, a mixture out: the same wherever the stream is cut, finite whatever comes."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import timedelta
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.blanket.bank import Bank
from service.domain.blanket.estimate import Event, event_order
from service.domain.blanket.mixture import Mixture, Part
from service.domain.blanket.story import AWAY, STUCK, UNIT
from service.domain.blanket.tracker import Tracker
from service.domain.cores.core import Core
from service.domain.plant.reading import Reading
from service.domain.plant.signal import Measures, Signal, SignalKind
from service.domain.plant.tank import NotchedWeir
from tests.support.rough_events import START, rough_events
from tests.support.rough_plants import rough_plant
from tests.support.sensor_story import TANK, blanket_signal
from tests.support.told import Told, told


def fold(tracker: Tracker, events: list[Event]) -> list[tuple[float, float, bool]]:
    said = []
    for event in events:
        tracker.take(event)
        believed = told(tracker, event_order(event)[0].timestamp())
        said.append((believed.height.mean, believed.height.sd, believed.good))
    return said


@pytest.mark.untraced  # goes often over what other tests reach
@pytest.mark.parametrize("kind", ["echoes", "stuck", "units"])
def test_cut_anywhere_gives_exactly_the_same(kind: str) -> None:
    given_ = rough_events(rough_plant(kind, 2, days=4))
    events = given_.events[: 4 * 1440]

    def new() -> Tracker:
        return Tracker(given_.setup.tank, given_.setup.blankets, given_.setup.others, given_.sisters)

    whole = fold(new(), events)
    tracker, pieces = new(), []
    for start in range(0, len(events), 611):
        stored = json.loads(json.dumps(tracker.to_json()))
        tracker = new()
        tracker.restore(stored)
        pieces += fold(tracker, events[start : start + 611])
    assert pieces == whole


numbers = st.one_of(
    st.floats(min_value=-1.0, max_value=5.0),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([0.0, 1e300, -1e300, 1e6, 39.4, 328.0]),
)
gaps = st.one_of(st.floats(0.0, 300.0), st.sampled_from([0.0, 60.0, 86_400.0, 3e8]))
happenings = st.lists(st.tuples(gaps, st.sampled_from(["one", "two", "core"]), numbers), min_size=1, max_size=60)


@settings(max_examples=60, deadline=None)
@given(happenings)
def test_whatever_comes_what_is_believed_is_finite(happened: list[tuple[float, str, float]]) -> None:
    signals = (blanket_signal("one"), blanket_signal("two", Measures.DEPTH))
    tracker = Tracker(TANK, signals)
    time = START
    for number, (gap, what, value) in enumerate(happened):
        time += timedelta(seconds=gap)
        if what == "core":
            tracker.take(
                Core(
                    id=UUID(int=number + 1), tank="north", taken_at=time, recorded_at=time, thickness=value,
                    distance_from_wall=5.0,
                )
            )  # fmt: skip
        else:
            tracker.take(Reading(what, time, value))
        believed = told(tracker, time.timestamp())
        low, high = believed.height.interval()
        assert all(map(math.isfinite, (believed.height.mean, believed.height.sd, believed.rate, low, high)))
        assert low <= high
        assert 0.0 <= believed.height.above(3.0) <= 1.0


class Walkway:
    """A tank with one sensor a minute and somebody with a core sampler."""

    def __init__(self, height: float, sensors: int = 1) -> None:
        self.tags = ["one", "two"][:sensors]
        self.tracker = Tracker(TANK, [blanket_signal(tag) for tag in self.tags])
        self.rng = np.random.default_rng(8)
        self.time, self.number = START, 0
        for _ in range(4):
            self.minutes([height] * 180)
            self.core(height)
        self.minutes([height] * 30)

    def minutes(self, *levels: list[float], noise: float = 0.015) -> None:
        for at in zip(*levels, strict=True):
            self.time += timedelta(minutes=1)
            for tag, level in zip(self.tags, at, strict=False):
                self.tracker.take(Reading(tag, self.time, level + float(self.rng.normal(0.0, noise))))

    def core(self, height: float, **changes: object) -> None:
        self.number += 1
        described: dict[str, object] = {
            "id": UUID(int=self.number), "tank": "north", "taken_at": self.time, "recorded_at": self.time,
            "thickness": height, "distance_from_wall": 0.0,
        }  # fmt: skip
        self.tracker.take(Core(**(described | changes)))  # type: ignore[arg-type]

    @property
    def now(self) -> Told:
        return told(self.tracker, self.time.timestamp())

    def near(self, height: float, within: float = 0.25) -> float:
        """Chance that the blanket is about there."""
        return self.now.height.above(height - within) - self.now.height.above(height + within)

    def seen(self, mode: int, sensor: int = 0) -> float:
        return sum(w for w, *_, modes in self.tracker.bank.heights() if modes[sensor] == mode)


@pytest.mark.parametrize("step", [-2.2, -1.2, -0.5, 0.5, 1.2, 1.8, 2.8])
def test_two_contradicting_cores_settle_a_step_of_any_size(step: float) -> None:
    sees = 2.9 if step < 0 else 0.6
    walk = Walkway(sees)
    for _ in range(2):
        walk.minutes([sees] * 30)
        walk.core(sees + step)
        assert not walk.now.good or abs(walk.now.height.mean - sees - step) < 0.25
    walk.minutes([sees] * 6)
    assert walk.near(sees + step) > 0.9
    assert walk.now.height.mean == pytest.approx(sees + step, abs=0.2)


def test_one_core_far_off_keeps_both_in_view() -> None:
    walk = Walkway(0.8)
    walk.core(3.2)
    assert 0.02 < walk.near(3.2) < 0.7
    assert walk.near(0.8) > 0.3
    assert not walk.now.good
    assert len(walk.now.height.intervals()) == 2


def test_what_two_cores_said_stands_however_long_the_sensor_says_otherwise() -> None:
    """A sensor that looks through dispersed sludge: time alone does not withdraw what people found."""
    walk = Walkway(0.8)
    for _ in range(2):
        walk.core(3.4)
        walk.minutes([0.8] * 10)
    walk.minutes([0.8] * (2 * 1440))
    high = walk.now.height.interval(0.8)[1]
    assert high > 3.0
    assert sum(w for w, mean, *_ in walk.tracker.bank.heights() if mean < 2.0) < 0.05


def test_a_core_that_shows_two_surfaces_says_why_the_sensor_does_not_see_the_upper_one() -> None:
    """The sensor agrees with the compact surface: the dispersed one is believed at once, until it may have gone."""
    walk = Walkway(0.6)
    walk.core(0.55, fluff=3.2)
    assert walk.near(3.2) > 0.9
    walk.minutes([0.6] * 10)
    assert walk.now.rate > 0.1  # it came up within hours, and may be rising still
    walk.minutes([0.6] * 50)
    assert 0.5 < walk.now.height.above(2.5) < 0.9
    assert walk.near(0.6) > 0.1
    walk.minutes([0.6] * (20 * 60))
    assert walk.near(0.6) > 0.8


def test_the_next_core_without_a_dispersed_surface_takes_it_back() -> None:
    walk = Walkway(0.6)
    walk.core(0.55, fluff=3.2)
    walk.minutes([0.6] * 4)
    walk.core(0.6)
    assert walk.near(0.6) > 0.95


def test_a_core_that_shows_two_surfaces_and_fits_the_sensor_with_neither_keeps_both_in_view() -> None:
    walk = Walkway(0.6)
    walk.core(1.9, fluff=3.2)
    assert 0.02 < walk.near(3.2) < 0.7


def test_a_new_sensor_may_foul_and_hourly_cores_tell() -> None:
    """Nobody knows yet how steady it is: the band goes with it. [0.9 m/d]"""
    walk = Walkway(1.0)
    for hour in range(10):
        height = 1.0 + 0.2 * hour
        walk.minutes([height - 0.0375 * hour - 0.0375 * m / 60.0 + 0.2 * m / 60.0 for m in range(60)])
        walk.core(height + 0.2)
        low, high = walk.now.height.interval()
        assert low <= height + 0.2 <= high, hour
    walk.minutes([3.0 - 0.375 - 0.0375 * m / 60.0 for m in range(50)])
    low, high = walk.now.height.interval()
    assert low <= 3.0 <= high
    assert walk.now.height.mean > 2.88


def test_a_lasting_jump_is_not_taken_for_the_blanket_and_its_end_is_believed_in_minutes() -> None:
    walk = Walkway(1.0)
    walk.minutes([2.5] * 120)
    assert walk.seen(AWAY) > 0.5
    assert walk.near(1.0, 0.4) > 0.6
    assert not walk.now.good
    walk.minutes([1.0] * 10)
    assert walk.near(1.0) > 0.9


@pytest.mark.parametrize("rate", [1.5, 0.9, -2.0])
def test_a_fast_real_movement_is_followed_within_minutes(rate: float) -> None:
    start = 0.8 if rate > 0 else 3.2
    walk = Walkway(start)
    for stretch in range(12):
        path = [start + rate * (5 * stretch + m + 1) / 60.0 for m in range(5)]
        walk.minutes(path)
        if stretch >= 2:
            assert walk.now.height.mean == pytest.approx(path[-1], abs=0.12)
    assert walk.now.rate == pytest.approx(rate, abs=0.3)


def test_a_stray_sample_moves_nothing() -> None:
    walk = Walkway(1.0)
    walk.minutes([1.0, 3.7, 1.0])
    assert walk.now.height.mean == pytest.approx(1.0, abs=0.05)
    assert walk.now.good


def test_feet_for_metres_are_found_without_being_told() -> None:
    walk = Walkway(1.0)
    path = [1.0 + 0.001 * m for m in range(180)]
    walk.minutes([height / 0.3048 for height in path], noise=0.05)
    assert walk.seen(UNIT) > 0.5
    assert walk.now.height.mean == pytest.approx(1.18, abs=0.15)
    walk.minutes([1.18] * 10)
    assert walk.near(1.18) > 0.8


def test_nonsense_for_hours_beside_a_sound_sensor_is_not_taken_for_an_offset_of_three_tanks() -> None:
    walk = Walkway(1.2, sensors=2)
    for hour in range(12):
        nonsense = (14.2 + 0.05 * hour + walk.rng.normal(0.0, 0.25, 60)).tolist()
        walk.minutes(nonsense, [1.2 + 0.005 * hour] * 60)
        assert walk.near(1.2 + 0.005 * hour) > 0.9


def test_a_sensor_that_was_away_and_then_shows_the_height_in_feet_has_changed_its_unit() -> None:
    walk = Walkway(1.2, sensors=2)
    walk.minutes((14.2 + walk.rng.normal(0.0, 0.25, 60)).tolist(), [1.2] * 60)
    path = [1.2 + 0.15 * math.sin(m / 60.0) for m in range(480)]
    walk.minutes([height / 0.3048 + float(walk.rng.normal(0.0, 0.04)) for height in path], path)
    assert walk.seen(UNIT) > 0.5
    assert walk.near(path[-1]) > 0.9


@pytest.mark.parametrize("jitter", [0.0, 0.0003])
def test_a_sensor_that_shows_no_noise_any_more_is_stuck(jitter: float) -> None:
    walk = Walkway(1.0)
    walk.minutes([1.0] * 30, noise=jitter)
    assert walk.seen(STUCK) > 0.9
    walk.minutes([1.3] * 10)
    assert walk.near(1.3) > 0.8


def test_two_sensors_that_part_are_two_stories() -> None:
    """One goes up and one stays: either may be right, and neither is dropped."""
    walk = Walkway(0.8, sensors=2)
    up = [0.8 + 1.2 * m / 60.0 for m in range(100)]
    walk.minutes(up, [0.8] * 100)
    assert 0.05 < walk.near(up[-1]) < 0.95
    assert 0.05 < walk.near(0.8) < 0.95
    assert not walk.now.good


def test_a_mixture_of_two_humps_says_both() -> None:
    mixture = Mixture((Part(0.7, 0.8, 0.05), Part(0.3, 3.2, 0.1)))
    one, two = mixture.intervals()
    assert one[1] < 1.0
    assert two[0] > 2.9
    assert mixture.above(2.0) == pytest.approx(0.3)
    assert mixture.quantile(0.35) == pytest.approx(0.8, abs=1e-3)
    assert Mixture((Part(1.0, 2.0, 0.1),)).interval() == pytest.approx((2 - 0.196, 2 + 0.196), abs=1e-3)


def test_flow_lifts_the_water_a_depth_sensor_counts_from_or_a_storm_looks_lower() -> None:
    tank = replace(TANK, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=1))
    flow = Signal(tag="flow", kind=SignalKind.FLOW, tank="north", unit="m3/s")
    level = Signal(tag="level", kind=SignalKind.WATER_LEVEL, tank="north", unit="m")

    def seen(*before: Reading) -> float:
        tracker = Tracker(tank, (blanket_signal(measures=Measures.DEPTH),), (flow, level))
        noise = np.random.default_rng(3).normal(0.0, 0.015, 60).tolist()
        told = [Reading("north.level", START + timedelta(minutes=1 + i), 3.0 + by) for i, by in enumerate(noise)]
        return fold(tracker, [*before, *told])[-1][0]

    # 1.37 H^2.5 is the customary form of the 90° notch with Cd 0.58: 0.2 m of head.
    lifted = Reading("flow", START, 1.37 * 0.2**2.5)
    assert seen(lifted) - seen() == pytest.approx(0.2, abs=0.01)
    # And where the level itself is measured, by that, whatever the flow would make.
    assert seen(Reading("level", START, 4.1), lifted) - seen() == pytest.approx(0.1, abs=0.01)


def test_what_is_asked_of_a_later_time_carries_the_stories_there_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """A look at the alarms asks a silent tank for heights, rate and who follows: the bank goes ahead once, and again once something came."""
    walk = Walkway(1.0)
    walk.minutes([1.0] * 30)
    carried: list[float] = []
    usual = Bank.ahead

    def noted(bank: Bank, time: float) -> None:
        carried.append(time)
        usual(bank, time)

    monkeypatch.setattr(Bank, "ahead", noted)
    later = walk.tracker.time + 7200.0
    before = (walk.tracker.heights(later), walk.tracker.rate(later), walk.tracker.following(later))
    assert carried == [later]
    walk.core(2.0)
    assert walk.tracker.heights(later) != before[0]


def test_what_an_earlier_version_kept_begins_anew() -> None:
    """It knows nothing of what is kept now, and would end the estimate of its tank where it was taken up."""
    walk = Walkway(1.0)
    walk.minutes([1.0] * 10)
    kept = walk.tracker.to_json()
    assert walk.tracker.fits(kept)
    earlier = kept | {
        "version": 1,
        "bank": {name: value for name, value in kept["bank"].items() if name != "foul_rate"},
    }
    assert not walk.tracker.fits(earlier)
