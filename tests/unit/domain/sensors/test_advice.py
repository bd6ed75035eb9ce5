"""What to do about a sensor, at each of its bounds: chances against the normal distribution, settings against their inverse."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any, cast
from uuid import UUID

import pytest
from scipy.stats import norm

from service.domain.blanket.drift import Drift, DriftBank
from service.domain.blanket.pairing import Pair
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.sensors.advice import (
    AHEAD,
    TOLERANCE,
    Action,
    Decision,
    DriftCause,
    _cause,
    _hint,
    _unit_slip,
    _where,
    advise,
    core_beside,
    decide,
    setting_for,
)
from service.domain.sensors.drift_history import DriftHistory, PairInHindsight, StepFound

#: Untyped, as it stands within tuples and in the place of numbers.
near: Any = pytest.approx

DAY = 86_400.0
START = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0, side_water_depth=4.0,
    floor_slope=0.08, core_distance_from_wall=5.0,
)  # fmt: skip


def drift(offset: float = 0.0, sd: float = 0.02, trend: float = 0.0, trend_sd: float = 0.0, span: float = 0.0) -> Drift:
    return Drift(offset, trend, span, (sd**2, 0.0, 0.0, trend_sd**2, 0.0, 0.0), 0.0)


def bank(told: Drift, cores: float = 10.0, unsettled: float = 0.0, core_sd: float = 0.1) -> DriftBank:
    made = SimpleNamespace(
        now=lambda: told, cores=cores, unsettled=unsettled, time=0.0, learned=lambda: {"core_sd": core_sd, "span": 0.0}
    )
    return cast(DriftBank, made)


def decided(told: Drift, **more: float) -> Decision:
    return decide(bank(told, **more), 0.0, 0.0)


@pytest.mark.parametrize("error", [-0.25, -0.1, -0.03, 0.0, 0.08, 0.15])
@pytest.mark.parametrize("sd", [0.01, 0.05, 0.2])
def test_the_chance_of_an_error_beyond_the_tolerance_is_the_normal_distributions(error: float, sd: float) -> None:
    beyond = norm.sf(TOLERANCE, error, sd) + norm.cdf(-TOLERANCE, error, sd)
    assert decided(drift(error, sd)).beyond == near(beyond, rel=1e-9, abs=1e-15)


def offset_for(chance: float, sd: float) -> float:
    """The offset whose chance to lie beyond the tolerance is this, the other side left out as it is too far."""
    return TOLERANCE + sd * float(norm.ppf(chance))


@pytest.mark.parametrize(
    ("offset", "action"),
    [
        (offset_for(0.96, 0.02), Action.WORK),
        (offset_for(0.94, 0.02), Action.WATCH),
        (offset_for(0.51, 0.02), Action.WATCH),
        (offset_for(0.49, 0.02), Action.FINE),
        (-offset_for(0.96, 0.02), Action.WORK),
        (0.0, Action.FINE),
    ],
)
def test_nineteen_in_twenty_sends_a_technician_and_evens_has_it_watched(offset: float, action: Action) -> None:
    assert decided(drift(offset)).action is action


def test_nobody_is_sent_before_three_cores_or_while_the_latest_is_in_doubt() -> None:
    plain = drift(0.3)
    assert decided(plain, cores=3.0).action is Action.WORK
    assert decided(plain, cores=2.9).action is Action.MORE_CORES
    assert decided(plain, unsettled=0.3).action is Action.WORK
    assert decided(plain, unsettled=0.31).action is Action.MORE_CORES


def test_a_wide_interval_asks_for_cores_only_where_they_could_tell() -> None:
    assert decided(drift(0.05, 0.076)).action is Action.MORE_CORES
    assert decided(drift(0.05, 0.074)).action is Action.FINE
    # Sure enough already, wide as it is.
    assert decided(drift(0.4, 0.15)).action is Action.WORK


def test_a_trend_that_is_sure_and_leads_beyond_the_tolerance_is_watched() -> None:
    # The trend fades over 60 days: 30 days on it has carried 60·(1 − e^(−1/2)) = 23.6 days' worth.
    carried = 60.0 * -math.expm1(-AHEAD / 60.0)
    needed = 0.1 / carried
    assert decided(drift(0.0, 0.02, trend=1.05 * needed, trend_sd=1e-5)).action is Action.WATCH
    assert decided(drift(0.0, 0.02, trend=-1.05 * needed, trend_sd=1e-5)).action is Action.WATCH
    assert decided(drift(0.0, 0.02, trend=0.95 * needed, trend_sd=1e-5)).action is Action.FINE
    # Two standard deviations of the trend itself are asked for.
    assert decided(drift(0.0, 0.02, trend=2.1 * needed, trend_sd=needed)).action is Action.WATCH
    assert decided(drift(0.0, 0.02, trend=1.9 * needed, trend_sd=needed)).action is Action.FINE


def test_the_error_is_that_of_today_at_the_height_the_blanket_usually_has() -> None:
    told = Drift(0.1, 0.01, 0.2, (1e-4, 0.0, 0.0, 0.0, 0.0, 0.0), 0.0)
    found = decide(bank(told), 3 * DAY, 0.5)
    faded = 60.0 * -math.expm1(-3.0 / 60.0)
    assert found.error == near(0.1 + 0.01 * faded + 0.2 * 0.5)
    assert found.ahead == near(0.1 + 0.01 * 60.0 * -math.expm1(-33.0 / 60.0) + 0.2 * 0.5)
    # A clock that is behind the last core's makes nothing younger; without cores there is nothing to age.
    assert decide(bank(told), -3 * DAY, 0.5).error == near(0.2)
    assert decide(bank(told, cores=0.0), 3 * DAY, 0.5).error == near(0.2)


@pytest.mark.parametrize(
    ("error", "sd", "core_sd"), [(0.05, 0.1, 0.1), (0.16, 0.09, 0.1), (0.1, 0.08, 0.05), (0.3, 0.5, 0.3)]
)
def test_so_many_cores_are_asked_for_as_make_the_interval_narrow_enough(
    error: float, sd: float, core_sd: float
) -> None:
    found = decided(drift(error, sd), core_sd=core_sd, unsettled=0.5)
    wanted = max(abs(abs(error) - TOLERANCE) / 1.645, TOLERANCE / 4)

    def left(n: int) -> float:
        return math.sqrt(1.0 / (1.0 / sd**2 + n / core_sd**2))

    n = next(n for n in range(2, 31) if left(n) <= wanted or n == 30)
    assert found.more_cores == n
    assert decided(drift(error, sd), core_sd=5.0, unsettled=0.5).more_cores == 30


def test_at_least_the_cores_that_are_lacking_are_asked_for() -> None:
    sure = drift(0.5, 0.01)
    assert decided(sure, cores=0.0).more_cores == 3
    assert decided(sure, cores=1.4).more_cores == 2
    assert decided(sure, cores=2.5).more_cores == 1
    assert decided(sure, cores=2.5, unsettled=0.9).more_cores == 2
    assert decided(sure).more_cores == 0


@pytest.mark.parametrize(
    "mount",
    [None, Mount(measures=Measures.HEIGHT, zero_height=0.4), Mount(measures=Measures.DISTANCE, zero_height=4.3), Mount(measures=Measures.DEPTH)],
)  # fmt: skip
@pytest.mark.parametrize(("offset", "span"), [(0.2, 0.0), (-0.1, 0.15)])
def test_what_is_typed_in_undoes_the_error_in_the_sensors_own_frame(
    mount: Mount | None, offset: float, span: float
) -> None:
    signal = Signal(tag="a", kind=SignalKind.BLANKET, tank="t", unit="m", low=0.5, high=3.5, mount=mount)
    pivot = 1.2
    surface = 4.05
    found = setting_for(signal, surface, pivot, offset, span)
    up = mount is None or mount.measures is Measures.HEIGHT
    zero = 0.0 if mount is None else surface if mount.measures is Measures.DEPTH else mount.zero_height
    for truth in (0.3, 1.2, 2.6):
        wrong = truth + offset + span * (truth - pivot)  # as a blanket height
        reading, right = (wrong - zero, truth - zero) if up else (zero - wrong, zero - truth)
        assert found.multiply * reading + found.add == near(right)
    assert found.at_4_ma == near(found.multiply * 0.5 + found.add)
    assert found.at_20_ma == near(found.multiply * 3.5 + found.add)


def point(height: float, sensor: float, *, wrong: float = 0.0, days: float = 0.0, then: float = 0.0) -> PairInHindsight:
    pair = Pair(
        tag="a", core=UUID(int=1), time=START + timedelta(days=days), sensor=sensor, core_height=height, thickness=height,
        extra_var=0.0, height=height, foretold=0.0, foretold_sd=0.1, sound=1.0, wrong=wrong, stepped=0.0, offset=0.0, offset_sd=0.1,
    )  # fmt: skip
    return PairInHindsight(pair, wrong, 0.0, then, 0.1, then, 0.1, then, 0.0)


def history(
    points: list[PairInHindsight],
    *,
    core_sd: float = 0.1,
    steps: tuple[StepFound, ...] = (),
    last_work: datetime | None = None,
) -> DriftHistory:
    made = SimpleNamespace(points=tuple(points), steps=steps, last_work=last_work, fit=SimpleNamespace(core_sd=core_sd))
    return cast(DriftHistory, made)


def test_a_sensor_in_feet_or_in_metres_is_known_by_five_sound_cores() -> None:
    heights = [0.5, 1.0, 1.5, 2.0, 1.2]

    def slipped(factor: float, n: int = 5, **more: float) -> bool:
        return _unit_slip(history([point(h, factor * h, **more) for h in heights[:n]]))

    assert slipped(0.3048)
    assert slipped(1 / 0.3048)
    assert slipped(0.3048 * 1.11)
    assert not slipped(0.3048 * 1.13)
    assert not slipped(1.0)
    assert not slipped(0.3048, n=4)
    assert not slipped(0.3048, wrong=0.5)
    assert not _unit_slip(history([point(0.0, 0.1) for _ in range(5)]))  # nothing to be in proportion to


def test_cores_are_asked_for_where_none_were_taken() -> None:
    assert _where(history([point(1.0, 1.0, wrong=0.9)]), TANK, 1.3) is None
    # All at about one height: catch the blanket elsewhere, but where a tank holds one.
    low, high = _where(history([point(h, h) for h in (1.0, 1.4)]), TANK, 1.3) or (0.0, 0.0)
    assert (low, high) == (near(1.2 + 0.4), near(1.2 + 1.0))
    assert _where(history([point(1.2, 1.2)] * 3), TANK, 1.3) == (near(1.5), near(2.2))
    low, high = _where(history([point(2.6, 2.6)] * 3), TANK, 1.3) or (0.0, 0.0)
    assert high == near(0.8 * 4.0)
    # Spread out already, by more than 0.15 of the depth: where it usually stands.
    assert _where(history([point(h, h) for h in (0.39, 1.61)]), TANK, 1.3) == (near(1.1), near(1.5))
    assert _where(history([point(h, h) for h in (0.41, 1.59)]), TANK, 1.3) != (near(1.1), near(1.5))


def test_a_length_of_the_tank_is_named_only_where_the_error_is_surely_it() -> None:
    hung = Mount(measures=Measures.DISTANCE, zero_height=3.9, distance_from_wall=9.0)
    signal = Signal(tag="a", kind=SignalKind.BLANKET, tank="t", unit="m", mount=hung)
    bare = Signal(tag="a", kind=SignalKind.BLANKET, tank="t", unit="m")
    assert _hint(0.4, 0.03, TANK, signal) == "the floor's fall to where cores are taken"  # 5 m at 0.08
    assert _hint(-0.72, 0.03, TANK, signal) == "the floor's fall to where the sensor hangs"
    assert _hint(3.9, 0.03, TANK, signal) == "the height of the sensor's zero or face above the floor datum"
    assert _hint(1.2, 0.03, TANK, bare) == "the floor's whole fall"
    assert _hint(0.72, 0.03, TANK, bare) == ""
    assert _hint(0.4 + 0.059, 0.03, TANK, bare) == "the floor's fall to where cores are taken"
    assert _hint(0.4 + 0.061, 0.03, TANK, bare) == ""
    # A length within the doubt is no length that anybody left out.
    assert _hint(0.4, 0.21, TANK, bare) == ""


def test_the_cause_is_told_from_the_story_of_the_cores() -> None:
    def cause(
        told: DriftHistory, error: float, now: Drift | None = None, *, span_sure: bool = False, above: float = 0.0
    ) -> DriftCause:
        return _cause(told, now or drift(error), error, span_sure, above, TANK, TOLERANCE)

    steady = history([point(1.0 + 0.1 * i, 1.3 + 0.1 * i, days=i, then=0.3) for i in range(4)])
    assert cause(steady, 0.3) is DriftCause.DATUM
    assert cause(history(list(steady.points[:2])), 0.3) is DriftCause.NONE
    assert cause(history(list(steady.points[:3])), 0.3) is DriftCause.DATUM
    # A span error counts by what it makes at the blanket, or a quarter of the depth up: 1 m here.
    assert cause(steady, 0.3, drift(0.3, span=0.051), span_sure=True) is DriftCause.SPAN
    assert cause(steady, 0.3, drift(0.3, span=-0.051), span_sure=True) is DriftCause.SPAN
    assert cause(steady, 0.3, drift(0.3, span=0.049), span_sure=True) is DriftCause.DATUM
    assert cause(steady, 0.3, drift(0.3, span=0.026), span_sure=True, above=-2.0) is DriftCause.SPAN
    assert cause(steady, 0.3, drift(0.3, span=0.2)) is DriftCause.DATUM
    # Half the tolerance is no error; if the cores scatter, they are the trouble.
    assert cause(steady, 0.049) is DriftCause.NONE
    assert cause(steady, -0.051) is DriftCause.FOULING
    assert cause(history(list(steady.points), core_sd=0.21), 0.0) is DriftCause.NOISE
    assert cause(history(list(steady.points), core_sd=0.19), 0.0) is DriftCause.NONE
    # A step that makes up half of the error, since the last work.
    step = StepFound(START + timedelta(days=1), START + timedelta(days=2), 0.15, 0.03, 0.9)
    assert cause(history(list(steady.points), steps=(step,)), 0.3) is DriftCause.STEP
    assert cause(history(list(steady.points), steps=(step,)), -0.3) is DriftCause.STEP
    assert cause(history(list(steady.points), steps=(step,)), 0.31) is DriftCause.DATUM
    assert cause(history(list(steady.points), steps=(step, step)), 0.6) is DriftCause.STEP
    worked = history(list(steady.points), steps=(step,), last_work=step.after)
    assert cause(worked, 0.3) is DriftCause.STEP
    later = history(list(steady.points), steps=(step,), last_work=step.after + timedelta(seconds=1))
    assert cause(later, 0.3) is DriftCause.DATUM
    # A trend that is sure is fouling; an error that was there from the first core is not.
    assert cause(steady, 0.3, drift(0.3, trend=0.011, trend_sd=0.005)) is DriftCause.FOULING
    assert cause(steady, 0.3, drift(0.3, trend=0.009, trend_sd=0.005)) is DriftCause.DATUM
    grown = [point(1.0, 1.3, days=i, then=then) for i, then in enumerate((0.2, 0.25, 0.28, 0.3))]
    assert cause(history(grown), 0.3) is DriftCause.FOULING
    assert cause(history(grown), 0.28) is DriftCause.DATUM
    assert cause(steady, -0.3) is DriftCause.FOULING  # it began on the other side
    # Only what was seen since the work tells how it began.
    assert cause(history(grown, last_work=START + timedelta(days=2)), 0.3) is DriftCause.DATUM
    assert (
        cause(history(grown, last_work=START), 0.3) is DriftCause.FOULING
    )  # the core taken as the work ended is the first
    assert cause(history(grown, last_work=START + timedelta(days=9)), 0.3) is DriftCause.FOULING
    # Cores called wrong, from evens on, make no story.
    doubted = [point(1.0, 1.3, days=i, then=0.3, wrong=0.5) for i in range(4)]
    assert cause(history([*steady.points[:2], *doubted]), 0.3) is DriftCause.NONE


def test_an_interval_holds_the_truth_nineteen_times_in_twenty() -> None:
    told = Drift(0.3, 0.0, 0.1, (0.02**2, 0.0, 0.0, 0.0, 0.0, 0.03**2), 0.0)
    signal = Signal(tag="a", kind=SignalKind.BLANKET, tank="t", unit="m")
    found = advise(history([]), bank(told), 0.0, signal, TANK, 1.0, 1.0)
    for interval, mean, sd in (
        (found.error_interval, 0.3, 0.02),
        (found.offset_interval, 0.3, 0.02),
        (found.span_interval, 0.1, 0.03),
    ):
        assert interval == near(norm.interval(0.95, mean, sd), abs=1e-5)


@pytest.mark.parametrize(
    ("difference", "action", "agrees", "said"),
    [
        (0.05, Action.FINE, True, "LT agrees with this core (+0.2 ft). By the cores so far it is off by +0.2 ft (± 0.2 ft): fine"),
        (-0.24, Action.WATCH, True, "LT reads 0.8 ft lower than this core, within what one core repeats to (± 1.0 ft)"),
        (0.24, Action.WORK, False, "LT reads 0.8 ft higher than this core. By the cores so far it is off by"),
        (0.05, Action.WORK, False, "LT reads close to this core (+0.2 ft). By the cores so far it is off by +0.2 ft (± 0.2 ft): needs work"),
        (0.35, Action.MORE_CORES, False, "LT reads 1.1 ft higher than this core. There are not enough cores yet"),
    ],
)  # fmt: skip
def test_one_core_beside_a_sensor_is_judged_by_what_its_page_goes_by(
    difference: float, action: Action, agrees: bool, said: str
) -> None:
    found = core_beside("LT", difference, Decision(action, 0.05, 0.03, 0.1, 0.05, 0.03, 0), "us")
    assert found.agrees is agrees
    assert found.sentence.startswith(said)
