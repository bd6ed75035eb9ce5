"""The rules: fail towards telling."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import pytest

from service.alarms.definition import AlarmDefinition, AlarmKind, SystemWatch
from service.alarms.observations import Contradiction, EffluentSeen, FluffSeen
from service.alarms.rules import (
    Condition,
    ConnectorSeen,
    DeliverySeen,
    PermitSeen,
    RuleInput,
    RuleReason,
    UnrulySeen,
    judge,
)
from service.domain.blanket.estimate import EstimateReason, Trust
from service.domain.blanket.mixture import Part
from service.domain.cores.core import Surface
from service.domain.plant.reading import ReadingReason
from service.domain.plant.signal import SignalKind
from tests.unit.alarms.cases import T0, situation

HOUR = timedelta(hours=1)


def define(kind: AlarmKind, **more: Any) -> AlarmDefinition:
    return AlarmDefinition(**{"key": "k", "kind": kind, "tank": "east", "limit": 0.6, "deadband": 0.1, **more})


DANGER = define(AlarmKind.HIGH_HIGH)


@pytest.mark.parametrize(
    ("height", "condition", "reason"),
    [
        (3.41, Condition.ABNORMAL, RuleReason.BEYOND_LIMIT),
        (3.40, Condition.DEADBAND, RuleReason.IN_DEADBAND),
        (3.31, Condition.DEADBAND, RuleReason.IN_DEADBAND),
        (3.30, Condition.NORMAL, RuleReason.WITHIN_LIMIT),
        (4.20, Condition.ABNORMAL, RuleReason.BEYOND_LIMIT),
    ],
)
@pytest.mark.parametrize("kind", [AlarmKind.HIGH, AlarmKind.HIGH_HIGH])
def test_clearance_against_limit_and_deadband(
    kind: AlarmKind, height: float, condition: Condition, reason: RuleReason
) -> None:
    verdict = judge(define(kind), situation(height=height))
    assert (verdict.condition, verdict.reason) == (condition, reason)
    assert verdict.value == pytest.approx(4.0 - height)
    assert verdict.abnormal is {Condition.ABNORMAL: True, Condition.NORMAL: False}.get(condition)


class TestHandCore:
    """A hand core beyond a limit counts whatever the sensor says."""

    @pytest.mark.parametrize("trust", list(Trust))
    def test_alarms_against_a_sensor_that_says_all_is_well(self, trust: Trust) -> None:
        verdict = judge(DANGER, situation(height=1.0, trust=trust, core_height=3.6, core_age=timedelta(minutes=5)))
        assert (verdict.condition, verdict.reason) == (Condition.ABNORMAL, RuleReason.CORE_BEYOND_LIMIT)
        assert verdict.value == pytest.approx(0.4)

    def test_alarms_alone(self) -> None:
        alone = situation(height=None, sample_age=None, core_height=3.6, core_age=timedelta(0))
        assert judge(DANGER, alone).reason is RuleReason.CORE_BEYOND_LIMIT

    def test_the_higher_of_core_and_belief_is_told_unless_the_belief_is_blind(self) -> None:
        above = situation(height=3.8, core_height=3.6)
        assert judge(DANGER, above).value == pytest.approx(0.2)
        assert judge(DANGER, situation(height=3.8, trust=Trust.BLIND, core_height=3.6)).value == pytest.approx(0.4)

    def test_at_the_limit_it_is_not_beyond(self) -> None:
        at = situation(height=1.0, core_height=3.4)
        assert judge(DANGER, at).condition is Condition.DEADBAND
        assert at.core is not None
        fluffy = replace(at.core, fluff_height=3.5)
        assert judge(DANGER, replace(at, core=fluffy)).reason is RuleReason.FLUFF_BEYOND_LIMIT

    def test_contradicted_it_holds_nothing_in_the_deadband_and_fluff_far_below_frees_no_core(self) -> None:
        near = situation(height=1.0, core_height=3.35)
        assert near.core is not None
        taken_back = replace(near.core, contradicted=Contradiction(at=T0, by=("LT-1", "LT-2")))
        assert judge(DANGER, replace(near, core=taken_back)).condition is Condition.NORMAL
        low = (FluffSeen(tag="FL-1", at=T0, height=1.0),)
        assert judge(DANGER, replace(near, fluff=low)).condition is Condition.DEADBAND

    def test_stands_while_the_sensor_is_blind(self) -> None:
        blind = situation(height=3.0, trust=Trust.BLIND, core_height=3.6, core_age=timedelta(hours=9))
        assert judge(DANGER, blind).condition is Condition.ABNORMAL

    @pytest.mark.parametrize("hours", [0.1, 1, 12, 72])
    def test_stands_for_any_time_beside_a_sensor_that_contradicts_it(self, hours: float) -> None:
        later = situation(height=1.0, core_height=3.6, core_age=timedelta(hours=hours))
        assert judge(DANGER, later).condition is Condition.ABNORMAL

    def test_two_instruments_take_it_back_but_not_the_fluff_it_saw(self) -> None:
        seen = situation(height=1.0, core_height=3.6, core_age=HOUR)
        assert seen.core is not None
        core = replace(seen.core, contradicted=Contradiction(at=T0, by=("LT-1", "LT-2")))
        assert judge(DANGER, replace(seen, core=core)).condition is Condition.NORMAL
        fluffy = replace(core, fluff_height=3.7)
        assert judge(DANGER, replace(seen, core=fluffy)).reason is RuleReason.FLUFF_BEYOND_LIMIT

    def test_within_the_deadband_it_clears_nothing(self) -> None:
        assert judge(DANGER, situation(height=1.0, core_height=3.35, core_age=HOUR)).condition is Condition.DEADBAND

    def test_fluff_counts_as_high_as_its_top(self) -> None:
        seen = situation(height=0.6, core_height=0.6)
        assert seen.core is not None
        verdict = judge(DANGER, replace(seen, core=replace(seen.core, fluff_height=3.5)))
        assert (verdict.condition, verdict.reason) == (Condition.ABNORMAL, RuleReason.FLUFF_BEYOND_LIMIT)
        by_instrument = replace(seen, fluff=(FluffSeen(tag="FL-1", at=T0, height=3.5),))
        assert judge(DANGER, by_instrument).detail == "FL-1"
        for height, condition in ((2.0, Condition.NORMAL), (3.35, Condition.DEADBAND), (3.4, Condition.DEADBAND)):
            assert (
                judge(DANGER, replace(seen, fluff=(FluffSeen(tag="FL-1", at=T0, height=height),))).condition
                is condition
            )
        two = tuple(FluffSeen(tag=tag, at=T0, height=height) for tag, height in (("FL-1", 3.5), ("FL-2", 3.6)))
        assert judge(DANGER, replace(seen, fluff=two)).detail == "FL-2"

    @pytest.mark.parametrize("word", [Surface.SOLIDS_OVER_WEIR, Surface.BLANKET_AT_SURFACE])
    def test_words_for_the_surface_raise_danger_whatever_the_tube_showed(self, word: Surface) -> None:
        seen = situation(height=0.6, core_height=0.6)
        assert seen.core is not None
        verdict = judge(DANGER, replace(seen, surface=replace(seen.core, surface=(word,))))
        assert (verdict.condition, verdict.reason) == (Condition.ABNORMAL, RuleReason.SEEN_AT_THE_WEIR)
        assert (verdict.detail, verdict.value) == (word, 0.0)  # at the weir, wherever the tube found the blanket
        other = replace(seen, surface=replace(seen.core, surface=(Surface.CLEAR,)))
        assert judge(DANGER, other).condition is Condition.NORMAL

    def test_does_not_silence_a_sensor(self) -> None:
        verdict = judge(DANGER, situation(height=3.6, core_height=1.0, core_age=timedelta(0)))
        assert verdict.condition is Condition.ABNORMAL


class TestNotKnowing:
    """Missing knowledge neither raises nor clears high; guesses may raise but never clear."""

    @pytest.mark.parametrize("height", [1.0, 3.9])
    def test_blind_keeps_the_state(self, height: float) -> None:
        verdict = judge(DANGER, situation(height=height, trust=Trust.BLIND))
        assert (verdict.condition, verdict.reason) == (Condition.UNKNOWN, RuleReason.BLIND)

    def test_no_estimate_keeps_the_state(self) -> None:
        assert judge(DANGER, situation(height=None)).reason is RuleReason.NO_ESTIMATE
        assert judge(DANGER, situation(height=math.nan, core_height=None)).reason is RuleReason.NO_ESTIMATE
        assert judge(DANGER, replace(situation(height=3.9), side_water_depth=None)).reason is RuleReason.NO_ESTIMATE

    @pytest.mark.parametrize("reason", [EstimateReason.COASTING, EstimateReason.READS_HIGH_UNCONFIRMED])
    def test_a_guess_may_raise_but_not_clear(self, reason: EstimateReason) -> None:
        assert judge(DANGER, situation(height=3.6, reason=reason)).condition is Condition.ABNORMAL
        for core_height in (1.0, None):
            guessed = situation(height=1.0, reason=reason, core_height=core_height)
            assert judge(DANGER, guessed).reason is RuleReason.NOT_MEASURED

    def test_a_doubtful_sensor_still_counts(self) -> None:
        assert judge(DANGER, situation(height=3.6, trust=Trust.DOUBTFUL)).condition is Condition.ABNORMAL
        assert judge(DANGER, situation(height=1.0, trust=Trust.DOUBTFUL)).condition is Condition.NORMAL

    @pytest.mark.parametrize(
        "kind", [k for k in AlarmKind if k not in (AlarmKind.SYSTEM, AlarmKind.BAD_MEASUREMENT, AlarmKind.READS_HIGH)]
    )
    def test_no_limit_decides_nothing(self, kind: AlarmKind) -> None:
        assert judge(define(kind, limit=None), situation()).reason is RuleReason.NO_LIMIT


MEASUREMENT = define(AlarmKind.BAD_MEASUREMENT, limit=None)


@pytest.mark.parametrize("verdict", list(ReadingReason))
def test_every_doubt_about_a_sample_is_told_somewhere(verdict: ReadingReason) -> None:
    seen = situation(verdict=verdict)
    told = {
        judge(MEASUREMENT, seen).condition,
        judge(define(AlarmKind.READS_HIGH, limit=None), seen).condition,
    }
    harmless = {
        ReadingReason.NONE,
        ReadingReason.ARM_PASS,
        ReadingReason.SPIKE,
        ReadingReason.SOURCE_UNCERTAIN,
        ReadingReason.OUT_OF_SERVICE,
    }
    assert (Condition.ABNORMAL in told) is (verdict not in harmless)


@pytest.mark.parametrize(
    ("seen", "condition", "reason"),
    [
        (situation(sample_age=timedelta(minutes=10)), Condition.NORMAL, RuleReason.SENSOR_GOOD),
        (situation(sample_age=timedelta(minutes=11)), Condition.ABNORMAL, RuleReason.STALE),
        (situation(sample_age=None), Condition.ABNORMAL, RuleReason.NO_SAMPLE),
        (situation(trust=Trust.BLIND), Condition.ABNORMAL, RuleReason.BLIND),
        (situation(verdict=ReadingReason.FLAT), Condition.ABNORMAL, RuleReason.FLAT),
        (situation(verdict=ReadingReason.ECHO_LOST), Condition.ABNORMAL, RuleReason.ECHO_LOST),
        (situation(verdict=ReadingReason.LOOP_FAULT_LOW), Condition.ABNORMAL, RuleReason.SENSOR_FAULT),
        (situation(verdict=ReadingReason.ARM_PASS), Condition.UNKNOWN, RuleReason.ARM_PASSING),
        (situation(sample_age=None, in_service=False), Condition.NORMAL, RuleReason.NOT_IN_SERVICE),
        (situation(sensors=(), trust=Trust.GOOD), Condition.NORMAL, RuleReason.SENSOR_GOOD),
    ],
)
def test_bad_measurement(seen: RuleInput, condition: Condition, reason: RuleReason) -> None:
    verdict = judge(MEASUREMENT, seen)
    assert (verdict.condition, verdict.reason) == (condition, reason)


def test_a_sensor_that_is_passed_by_the_arm_is_named_while_nobody_knows() -> None:
    passing = situation(verdict=ReadingReason.ARM_PASS)
    assert judge(MEASUREMENT, passing).detail == "LT-1"
    assert judge(MEASUREMENT, replace(passing, estimate=None)).reason is RuleReason.ARM_PASSING


def test_one_bad_sensor_of_two_is_named() -> None:
    good = situation().sensors[0]
    seen = situation(sensors=(good, replace(good, tag="LT-2", verdict=ReadingReason.FLAT)))
    assert judge(MEASUREMENT, seen).detail == "LT-2"


def test_reads_high_stays_while_the_sensor_says_nothing() -> None:
    rule = define(AlarmKind.READS_HIGH, limit=None)
    seen = situation(height=3.7, verdict=ReadingReason.READS_HIGH_UNCONFIRMED)
    high = judge(rule, seen)
    assert high.condition is Condition.ABNORMAL
    assert high.value == pytest.approx(0.3)
    assert judge(rule, situation(reason=EstimateReason.READS_HIGH_UNCONFIRMED)).condition is Condition.ABNORMAL
    assert judge(rule, situation(sample_age=HOUR)).condition is Condition.UNKNOWN
    assert judge(rule, situation()).condition is Condition.NORMAL
    raw = replace(seen.sensors[0], corrected=None)
    assert judge(rule, replace(seen, sensors=(raw,))).value == pytest.approx(0.3)
    assert judge(rule, replace(seen, side_water_depth=None)).condition is Condition.ABNORMAL
    # One of two good sensors is enough to know better.
    silent = replace(seen.sensors[0], verdict=ReadingReason.FLAT)
    assert judge(rule, situation(sensors=(silent, situation().sensors[0]))).condition is Condition.NORMAL


def test_rate_of_change() -> None:
    rule = define(AlarmKind.RATE, limit=0.5)
    assert judge(rule, situation(rate=0.51)).condition is Condition.ABNORMAL
    assert judge(rule, situation(rate=0.45)).condition is Condition.DEADBAND
    assert judge(rule, situation(rate=0.4)).condition is Condition.NORMAL
    assert judge(rule, situation(rate=-2.0)).condition is Condition.NORMAL
    assert judge(rule, situation(rate=2.0, trust=Trust.BLIND)).condition is Condition.UNKNOWN
    assert judge(rule, situation(rate=math.nan)).reason is RuleReason.NO_ESTIMATE


def test_deviation_tells_which_way() -> None:
    rule = define(AlarmKind.DEVIATION, limit=0.3, deadband=0.0)
    assert judge(rule, situation(height=2.0, core_height=1.6)).value == pytest.approx(0.4)
    low = judge(rule, situation(height=1.2, core_height=1.6))
    assert low.condition is Condition.ABNORMAL
    assert low.value == pytest.approx(-0.4)
    assert judge(rule, situation(height=1.6, core_height=1.5)).condition is Condition.NORMAL
    assert judge(rule, situation(core_height=None)).reason is RuleReason.NO_PAIR


def test_core_overdue() -> None:
    rule = define(AlarmKind.CORE_OVERDUE, limit=24.0)
    assert judge(rule, situation(core_age=24 * HOUR)).condition is Condition.NORMAL
    overdue = judge(rule, situation(core_age=25 * HOUR))
    assert (overdue.condition, overdue.value) == (Condition.ABNORMAL, 25.0)
    assert judge(rule, situation(core_height=None)).reason is RuleReason.NO_CORE
    assert judge(rule, situation(core_height=None, in_service=False)).condition is Condition.NORMAL


@pytest.mark.parametrize(
    ("known_for", "condition", "reason"),
    [
        (timedelta(0), Condition.NORMAL, RuleReason.CORE_NOT_DUE_YET),
        (24 * HOUR, Condition.NORMAL, RuleReason.CORE_NOT_DUE_YET),
        (24 * HOUR + timedelta(seconds=1), Condition.ABNORMAL, RuleReason.NO_CORE),
    ],
)
def test_the_first_core_has_the_sites_own_interval(
    known_for: timedelta, condition: Condition, reason: RuleReason
) -> None:
    seen = situation(core_height=None, known_since=T0 - known_for)
    verdict = judge(define(AlarmKind.CORE_OVERDUE, limit=24.0), seen)
    assert (verdict.condition, verdict.reason) == (condition, reason)


def test_time_to_danger() -> None:
    rule = define(AlarmKind.TIME_TO_DANGER, limit=3.0, deadband=0.5)
    assert judge(rule, situation(time_to_danger=2.9)).condition is Condition.ABNORMAL
    assert judge(rule, situation(time_to_danger=3.2)).condition is Condition.DEADBAND
    assert judge(rule, situation(time_to_danger=math.inf)).reason is RuleReason.NOT_RISING
    assert judge(rule, situation()).reason is RuleReason.NO_FORECAST


def test_solids_loading() -> None:
    rule = define(AlarmKind.SOLIDS_LOADING, limit=6.0, deadband=0.5)
    assert judge(rule, situation(solids_loading=6.1)).condition is Condition.ABNORMAL
    assert judge(rule, situation(solids_loading=5.4)).condition is Condition.NORMAL
    assert judge(rule, situation()).condition is Condition.UNKNOWN


class TestService:
    """The service watches itself."""

    def watch(self, watch: SystemWatch, limit: float | None, **seen: Any) -> tuple[Condition, RuleReason]:
        rule = define(AlarmKind.SYSTEM, tank=None, limit=limit, watch=watch, connector="drop")
        verdict = judge(rule, RuleInput(at=T0, **seen))
        return verdict.condition, verdict.reason

    @pytest.mark.parametrize(
        ("good", "started", "expected"),
        [
            (T0 - timedelta(minutes=15), T0 - HOUR, (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
            (T0 - timedelta(minutes=16), T0 - HOUR, (Condition.ABNORMAL, RuleReason.CONNECTOR_DOWN)),
            (None, T0 - timedelta(minutes=5), (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
            (None, T0 - HOUR, (Condition.ABNORMAL, RuleReason.CONNECTOR_NEVER_GOOD)),
            (None, None, (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
        ],
    )
    def test_connector(self, good: Any, started: Any, expected: tuple[Condition, RuleReason]) -> None:
        seen = ConnectorSeen(key="drop", last_good_at=good, started_at=started)
        another = ConnectorSeen(key="panel", last_good_at=T0 - timedelta(days=1))  # has an alarm of its own
        assert self.watch(SystemWatch.CONNECTOR, 0.25, connectors=(another, seen)) == expected

    def test_without_a_limit_nothing_is_allowed_to_last(self) -> None:
        late = DeliverySeen(waiting_since=T0 - timedelta(seconds=1))
        assert self.watch(SystemWatch.DELIVERY, None, delivery=late)[1] is RuleReason.DELIVERY_LATE

    def test_a_source_silent_for_several_tanks_at_once(self) -> None:
        def connector(silent: int) -> dict[str, Any]:
            names = tuple(f"Tank {number}" for number in range(silent))
            return {"connectors": (ConnectorSeen(key="drop", last_good_at=T0, silent=names),)}

        assert self.watch(SystemWatch.CONNECTOR, 0.25, **connector(2))[1] is RuleReason.CONNECTOR_WELL
        assert self.watch(SystemWatch.CONNECTOR, 0.25, **connector(3)) == (
            Condition.ABNORMAL,
            RuleReason.TANKS_SILENT,
        )

    def test_alarms_that_do_not_behave(self) -> None:
        long_ago = (("east.high", T0 - 25 * HOUR), ("west.high", T0 - HOUR))
        seen = UnrulySeen(chattering=("east.rate",), standing=long_ago)
        assert self.watch(SystemWatch.CHATTERING, 1, unruly=seen)[1] is RuleReason.ALARMS_CHATTER
        assert self.watch(SystemWatch.STALE, 24, unruly=seen)[1] is RuleReason.ALARMS_STALE
        assert self.watch(SystemWatch.STALE, 25, unruly=seen)[1] is RuleReason.ALARMS_IN_ORDER
        assert self.watch(SystemWatch.CHATTERING, 1, unruly=UnrulySeen())[1] is RuleReason.ALARMS_IN_ORDER

    @pytest.mark.parametrize(
        ("lost_at", "expected"),
        [
            (None, (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
            (T0 - timedelta(minutes=59), (Condition.ABNORMAL, RuleReason.SAMPLES_LOST)),
            (T0 - timedelta(minutes=61), (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
        ],
    )
    def test_lost_samples(self, lost_at: Any, expected: tuple[Condition, RuleReason]) -> None:
        seen = ConnectorSeen(key="drop", last_good_at=T0, started_at=T0 - HOUR, lost=7, lost_at=lost_at)
        assert self.watch(SystemWatch.CONNECTOR, 0.25, connectors=(seen,)) == expected

    @pytest.mark.parametrize(
        ("refused_at", "expected"),
        [
            (T0 - timedelta(minutes=60), (Condition.ABNORMAL, RuleReason.SAMPLES_REFUSED)),
            (T0 - timedelta(minutes=61), (Condition.NORMAL, RuleReason.CONNECTOR_WELL)),
        ],
    )
    def test_samples_set_aside(self, refused_at: datetime, expected: tuple[Condition, RuleReason]) -> None:
        seen = ConnectorSeen(key="drop", last_good_at=T0, started_at=T0 - HOUR, refused=1, refused_at=refused_at)
        assert self.watch(SystemWatch.CONNECTOR, 0.25, connectors=(seen,)) == expected

    @pytest.mark.parametrize(
        ("seen", "expected"),
        [
            (DeliverySeen(), (Condition.NORMAL, RuleReason.DELIVERING)),
            (DeliverySeen(waiting_since=T0 - timedelta(minutes=10)), (Condition.NORMAL, RuleReason.DELIVERING)),
            (DeliverySeen(waiting_since=T0 - timedelta(minutes=11)), (Condition.ABNORMAL, RuleReason.DELIVERY_LATE)),
            (DeliverySeen(refused_at=T0 - HOUR), (Condition.ABNORMAL, RuleReason.DELIVERY_REFUSED)),
            (DeliverySeen(refused_at=T0 - 2 * HOUR), (Condition.NORMAL, RuleReason.DELIVERING)),
        ],
    )
    def test_delivery(self, seen: DeliverySeen, expected: tuple[Condition, RuleReason]) -> None:
        assert self.watch(SystemWatch.DELIVERY, 10 / 60, delivery=seen) == expected

    @pytest.mark.parametrize(
        ("ahead", "expected"),
        [
            (timedelta(hours=-5), (Condition.NORMAL, RuleReason.CLOCK_AGREES)),
            (timedelta(minutes=2), (Condition.NORMAL, RuleReason.CLOCK_AGREES)),
            (timedelta(minutes=60), (Condition.ABNORMAL, RuleReason.CLOCK_DIFFERS)),
        ],
    )
    def test_clock(self, ahead: timedelta, expected: tuple[Condition, RuleReason]) -> None:
        assert self.watch(SystemWatch.CLOCK, 2 / 60, clock_ahead=ahead) == expected

    @pytest.mark.parametrize("watch", list(SystemWatch))
    def test_nothing_to_watch_decides_nothing(self, watch: SystemWatch) -> None:
        assert self.watch(watch, 1.0) == (Condition.UNKNOWN, RuleReason.NOTHING_WATCHED)


class TestPermit:
    """An average of the permit is near its limit, then over it; without a value nobody knows."""

    @pytest.mark.parametrize(
        ("share", "near", "over"),
        [
            (0.70, Condition.NORMAL, Condition.NORMAL),
            (0.79, Condition.DEADBAND, Condition.NORMAL),
            (0.85, Condition.ABNORMAL, Condition.NORMAL),
            (1.00, Condition.ABNORMAL, Condition.DEADBAND),
            (1.10, Condition.DEADBAND, Condition.ABNORMAL),  # over calls by itself
        ],
    )
    def test_near_and_over(self, share: float, near: Condition, over: Condition) -> None:
        seen = replace(situation(), permit=PermitSeen(share=share, words="this month's average"))
        found = judge(define(AlarmKind.PERMIT_NEAR, limit=0.8, deadband=0.02), seen)
        assert (found.condition, found.detail, found.value) == (near, "this month's average", share)
        assert judge(define(AlarmKind.PERMIT_OVER, limit=1.0, deadband=0.02), seen).condition is over

    def test_what_was_broken_is_held_and_not_called_anew(self) -> None:
        seen = replace(
            situation(), permit=PermitSeen(share=0.7, words="this week's average", broken="broken on the 9th")
        )
        held = judge(define(AlarmKind.PERMIT_OVER, limit=1.0, deadband=0.02), seen)
        assert (held.condition, held.detail) == (Condition.DEADBAND, "broken on the 9th")
        assert judge(define(AlarmKind.PERMIT_NEAR, limit=0.8, deadband=0.02), seen).condition is Condition.NORMAL

    def test_nothing_measured_clears_nothing(self) -> None:
        found = judge(define(AlarmKind.PERMIT_OVER, limit=1.0), situation())
        assert (found.condition, found.reason) == (Condition.UNKNOWN, RuleReason.EFFLUENT_NOT_MEASURED)


class TestEffluent:
    """Effluent beyond its limit raises an alarm of its own, and nothing about the blanket is over meanwhile."""

    @staticmethod
    def seen(value: float, **more: Any) -> EffluentSeen:
        return EffluentSeen(
            **{"tag": "TU-1", "kind": SignalKind.TURBIDITY, "at": T0, "value": value, "limit": 10.0, **more}
        )

    def test_raises(self) -> None:
        turbid = define(AlarmKind.TURBIDITY, limit=10.0, deadband=1.0)
        conditions = [
            judge(turbid, situation(effluent=(self.seen(value),))).condition for value in (30.0, 10.0, 9.5, 8.9)
        ]
        assert conditions == [Condition.ABNORMAL, Condition.DEADBAND, Condition.DEADBAND, Condition.NORMAL]
        silent = situation(effluent=(self.seen(30.0, fresh=False),))
        assert judge(turbid, silent).reason is RuleReason.EFFLUENT_NOT_MEASURED
        assert (
            judge(define(AlarmKind.EFFLUENT_SOLIDS), situation(effluent=(self.seen(30.0),))).condition
            is Condition.UNKNOWN
        )
        assert judge(turbid, situation(effluent=(self.seen(30.0),), in_service=False)).condition is Condition.NORMAL

    def test_of_several_meters_the_one_furthest_beyond_its_own_limit_decides(self) -> None:
        turbid = define(AlarmKind.TURBIDITY, limit=10.0, deadband=1.0)
        meters = (self.seen(12.0), self.seen(20.0, tag="TU-2", limit=30.0))
        for seen in (meters, meters[::-1]):
            assert judge(turbid, situation(effluent=seen)).detail == "TU-1"

    def test_takes_no_danger_back_and_ends_nothing_that_is_not_known(self) -> None:
        cloudy = situation(height=3.6, effluent=(self.seen(30.0),))
        assert judge(DANGER, cloudy).condition is Condition.ABNORMAL
        assert judge(DANGER, replace(cloudy, estimate=None, core=None)).condition is Condition.UNKNOWN

    def test_holds_neither_a_sensors_own_alarm_nor_a_tank_out_of_service(self) -> None:
        cloudy = situation(height=1.0, effluent=(self.seen(30.0),))
        assert judge(MEASUREMENT, cloudy).condition is Condition.NORMAL
        assert judge(DANGER, replace(cloudy, in_service=False)).condition is Condition.NORMAL

    def test_holds_what_else_would_be_over(self) -> None:
        for kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH):
            verdict = judge(define(kind), situation(height=1.0, effluent=(self.seen(30.0),)))
            assert (verdict.condition, verdict.reason) == (Condition.DEADBAND, RuleReason.EFFLUENT_BEYOND_LIMIT)
            assert judge(define(kind), situation(height=1.0, effluent=(self.seen(8.0),))).abnormal is False
            # A meter that fell silent has not taken back what it said.
            held = judge(define(kind), situation(height=1.0, effluent=(self.seen(30.0, fresh=False),)))
            assert held.condition is Condition.DEADBAND


@pytest.mark.parametrize(
    ("chance", "condition"),
    [(0.6, Condition.ABNORMAL), (0.3, Condition.DEADBAND), (0.07, Condition.DEADBAND), (0.04, Condition.NORMAL)],
)
def test_a_rival_story_beyond_the_limit_calls_when_likely_and_holds_while_it_is_possible(
    chance: float, condition: Condition
) -> None:
    given = situation(height=1.0)
    assert given.estimate is not None
    stories = (Part(1.0 - chance, 1.0, 0.05), Part(chance, 3.7, 0.05))
    found = judge(DANGER, replace(given, estimate=replace(given.estimate, stories=stories)))
    assert found.condition is condition
    assert (found.reason is RuleReason.MAY_BE_BEYOND) is (condition is not Condition.NORMAL)
    if condition is not Condition.NORMAL:
        assert found.value == pytest.approx(0.3)


@pytest.mark.parametrize(("chance", "condition"), [(0.4, Condition.ABNORMAL), (0.3, Condition.UNKNOWN)])
def test_a_tank_nobody_sees_calls_where_it_is_likely_enough_beyond_the_limit(
    chance: float, condition: Condition
) -> None:
    """No instrument and no core knows where the blanket is: that must not keep a likely danger from being called."""
    given = situation(height=1.0, trust=Trust.BLIND)
    assert given.estimate is not None
    stories = (Part(chance, 3.7, 0.05), Part(1.0 - chance, 1.0, 0.8))
    found = judge(DANGER, replace(given, estimate=replace(given.estimate, stories=stories)))
    assert found.condition is condition
    assert found.reason is (RuleReason.MAY_BE_BEYOND if condition is Condition.ABNORMAL else RuleReason.BLIND)
