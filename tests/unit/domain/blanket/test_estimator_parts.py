"""The parts of the estimate, each against a calculation of its own: tracker, belief, drift, what bounds a blanket, what work leaves."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from service.domain.blanket.belief import Belief, Voice, averaged
from service.domain.blanket.conditioning import Conditioner, Judged, World
from service.domain.blanket.drift import Drift, DriftBank
from service.domain.blanket.drift_priors import Priors
from service.domain.blanket.estimate import EstimateReason, TankSetup, Trust, advance, initial, project
from service.domain.blanket.fusion import Fold, Source
from service.domain.blanket.level import LevelTracker, damped_step
from service.domain.blanket.sensor_state import SensorMemory, first_sensor
from service.domain.blanket.state import State, first_state
from service.domain.blanket.story import AWAY
from service.domain.blanket.work_effect import after_work
from service.domain.cores.core import Calibration, CalibrationKind
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures, Mount, Signal, SignalKind
from service.domain.plant.weir import water_surface
from service.errors import DomainError
from tests.support.sensor_story import START, TANK, Story, blanket_signal

#: Untyped, as it stands within tuples and in the place of numbers.
near: Any = pytest.approx

HOUR, DAY = 3600.0, 86_400.0
T0 = START.timestamp()
Array = np.ndarray[tuple[int, ...], np.dtype[np.float64]]

# --- the tracker of one sensor's level --------------------------------------------------------------------------------


def tracker(**changes: float) -> LevelTracker:
    made = LevelTracker()
    made.restart(0.0, 1.0)
    for name, value in {"rate": 0.2, "p00": 0.01, "p01": 0.004, "p11": 0.05, **changes}.items():
        setattr(made, name, value)
    return made


def foretold(of: LevelTracker, seconds: float) -> tuple[Array, Array]:
    """Mean and covariance by the matrices of the textbook: x' = F x, P' = F P Fᵀ + Q."""
    step = damped_step(seconds / HOUR)
    f = np.array([[1.0, step.reach], [0.0, step.fade]])
    q = 0.35**2 * np.array([[step.q00, step.q01], [step.q01, step.q11]])
    p = np.array([[of.p00, of.p01], [of.p01, of.p11]])
    return f @ np.array([of.level, of.rate]), f @ p @ f.T + q


def test_the_tracker_looks_ahead_and_takes_a_sample_as_a_kalman_filter_does() -> None:
    made = tracker()
    x, p = foretold(made, 600.0)
    ahead = made.ahead(600.0)
    assert ahead == near((*x, p[0, 0], p[0, 1], p[1, 1]))
    gain = p[:, 0] / (p[0, 0] + 8.0 * made.noise_var)  # neighbours share their noise: weighed as an eighth of a sample
    made.take(600.0, 1.3, ahead)
    x, p = x + gain * (1.3 - x[0]), p - np.outer(gain, p[0])
    assert (made.level, made.rate, made.p00, made.p01, made.p11) == near((*x, p[0, 0], p[0, 1], p[1, 1]))
    assert (made.time, made.samples) == (600.0, 2)
    assert made.ahead(600.0) == (made.level, made.rate, made.p00, made.p01, made.p11)
    assert made.ahead(0.0) == made.ahead(600.0)


def test_noise_is_half_the_mean_square_of_differences_without_the_rise_between() -> None:
    made = tracker(rate=0.6)
    before = made.noise_var
    assert before == near(0.03**2)
    made.learn_noise(60.0, 1.05)
    square = (0.05 - 0.6 / 60.0) ** 2
    assert made.noise_var == near(before + (0.5 * square - before) / (1 + 20))
    wild = tracker(rate=0.0)
    wild.learn_noise(60.0, 9.0)  # held to three deviations of a difference: 3²·2·σ²
    assert wild.noise_var == near(before + (9.0 * before - before) / 21)
    old = tracker(rate=0.0)
    old.samples = 5000
    old.learn_noise(60.0, 1.05)
    assert old.noise_var == near(before + (0.5 * 0.05**2 - before) / 220)
    for gap, learned in ((1800.0, True), (1801.0, False), (0.0, False)):
        late = tracker(rate=0.0)
        late.learn_noise(gap, 1.05)
        assert (late.noise_var != before) is learned
        assert (late.last_value, late.last_value_time) == (1.05, gap)
    calm = tracker(rate=0.0)
    for i in range(1, 4000):
        calm.learn_noise(60.0 * i, 1.0)
    assert calm.noise_var == near(0.005**2)


def test_a_new_beginning_doubts_the_level_by_twice_the_noise() -> None:
    made = LevelTracker()
    made.restart(5.0, 2.0)
    assert (made.p00, made.p01, made.p11) == (near(4.0 * 0.03**2), 0.0, near(0.35**2))
    assert (made.last_value, made.last_value_time, made.samples) == (2.0, 5.0, 1)


# --- the belief -------------------------------------------------------------------------------------------------------


def test_several_voices_are_weighed_by_inverse_variance_with_errors_half_shared() -> None:
    voices = [Voice(1.0, 0.01, 0.1, 0.3, 0.0), Voice(1.4, 0.04, 0.6, 0.2, 0.0)]
    found = averaged(voices)
    w = np.array([0.8, 0.2])
    sd = np.array([0.1, 0.2])
    cov = np.array([[0.01, 0.5 * 0.02], [0.5 * 0.02, 0.04]])
    assert found.height == near(1.08)
    assert found.rate == near(0.2)
    assert found.var == near(w @ cov @ w)
    assert found.rate_var == 0.2
    assert found.spread == near(float(w @ (np.array([1.0, 1.4]) - 1.08) ** 2))
    assert sd.shape == w.shape


def test_a_belief_coasts_as_its_rate_dies_away() -> None:
    belief = Belief(time=0.0, height=1.0, rate=0.4, var=0.01, rate_var=0.02, usual_rate_var=0.09)
    step = damped_step(0.5)
    height, var, rate, rate_var = belief.coasted(0.5 * HOUR, 4.0)
    assert height == near(1.0 + step.reach * 0.4)
    assert var == near(0.01 + step.reach**2 * 0.02 + step.q00 * 0.09)
    assert rate == near(0.4 * step.fade)
    assert rate_var == near(step.fade**2 * 0.02 + step.q11 * 0.09)
    assert belief.coasted(0.0, 4.0) == (1.0, 0.01, 0.4, 0.02)
    wide = Belief(time=0.0, var=9.0)
    assert wide.coasted(DAY, 4.0)[1] == 9.0  # never surer for having heard nothing


def test_a_tanks_usual_rate_is_learned_over_a_day_and_never_believed_to_be_nothing() -> None:
    belief = Belief()
    belief.take(0.0, Voice(1.0, 0.01, 0.5, 0.02, 0.003))
    assert belief.usual_rate_var == 0.04  # no time has passed yet
    assert (belief.height, belief.var, belief.rate, belief.rate_var) == (1.0, near(0.013), 0.5, 0.02)
    belief.take(HOUR, Voice(1.0, 0.01, 0.5, 0.02, 0.0))
    assert belief.usual_rate_var == near(0.04 + HOUR / (HOUR + DAY) * (0.25 - 0.04))
    for i in range(2000):
        belief.take((2 + i) * HOUR, Voice(1.0, 0.01, 0.0, 0.02, 0.0))
    assert belief.usual_rate_var == near(0.05**2)


def test_a_lone_core_is_taken_as_a_kalman_filter_would_and_a_contradiction_widens() -> None:
    belief = Belief(time=0.0, height=1.0, var=0.04, rate_var=0.0, usual_rate_var=0.0)
    belief.take_core(60.0, 1.3, 4.0)  # gap of 0.3 m: within three deviations of √(0.04 + 0.01)
    assert belief.height == near(1.0 + 0.8 * 0.3)
    assert belief.var == near(0.2 * 0.04)
    assert (belief.time, belief.last_word, belief.last_core) == (60.0, 60.0, 60.0)
    for gap, contradicts in ((0.670, False), (0.672, True)):  # 3·√0.05 = 0.6708
        far = Belief(time=0.0, height=1.0, var=0.04, rate_var=0.0, usual_rate_var=0.0)
        far.take_core(0.0, 1.0 + gap, 4.0)
        before = 0.04 + gap * gap if contradicts else 0.04
        gain = before / (before + 0.01)
        assert far.height == near(1.0 + gain * gap)
        assert far.var == near((1.0 - gain) * before)
    first = Belief(usual_rate_var=0.09)
    first.take_core(60.0, 1.3, 4.0)
    assert (first.height, first.var, first.rate, first.rate_var) == (1.3, near(0.01), 0.0, 0.09)


# --- one sensor's drift -----------------------------------------------------------------------------------------------


def test_drift_ahead_is_that_of_its_linear_model() -> None:
    root = np.array([[0.2, 0.0, 0.0], [0.01, 0.005, 0.0], [0.03, 0.01, 0.06]])
    p = root @ root.T
    drift = Drift(0.1, 0.01, 0.2, (p[0, 0], p[0, 1], p[0, 2], p[1, 1], p[1, 2], p[2, 2]), 1e-4)
    days, above = 20.0, 0.7
    h = np.array([1.0, 60.0 * (1.0 - math.exp(-days / 60.0)), above])
    mean, var = drift.at(days, above)
    assert mean == near(float(h @ [0.1, 0.01, 0.2]))
    assert var == near(float(h @ p @ h) + 1e-4 * days)


def one_filter() -> DriftBank:
    """A bank of a single filter with trend and span."""
    return DriftBank(
        4.0,
        Priors(core_sds=(0.1,), walk_sds=(0.01,), trend_share=1.0 - 1e-12, span_share=1.0 - 1e-12),
    )


def moments(bank: DriftBank) -> tuple[Array, Array]:
    now = bank.now()
    oo, ot, os_, tt, ts, ss = now.cov
    return np.array([now.offset, now.trend, now.span]), np.array([[oo, ot, os_], [ot, tt, ts], [os_, ts, ss]])


def test_a_difference_known_from_elsewhere_moves_offset_trend_and_span_but_no_weights() -> None:
    bank = one_filter()
    bank.move(0.0)
    bank.move(10 * DAY)
    weights = bank.log_weight.copy()
    mean, cov = moments(bank)
    h = np.array([1.0, 0.0, 0.5])
    gain = cov @ h / (h @ cov @ h + 0.02)
    bank.observe(10 * DAY, 0.3, 0.5, 0.02)
    after, spread = moments(bank)
    assert after == near(mean + gain * (0.3 - h @ mean), abs=1e-9)
    assert spread == near(cov - np.outer(gain, h @ cov), abs=1e-9)
    assert np.array_equal(bank.log_weight, weights)


def test_time_carries_the_drift_by_its_matrices() -> None:
    bank, days = one_filter(), 15.0
    bank.move(0.0)
    bank.learn(0.0, 0.2, 0.5, 0.0004, 1.0)  # correlates offset and span
    bank.learn(5 * DAY, 0.3, 0.1, 0.0004, 1.0)
    bank.log_weight[:, 1:] = -np.inf
    bank._normalise()
    mean, cov = moments(bank)
    bank.move(20 * DAY)
    after, spread = moments(bank)
    fade = math.exp(-days / 60.0)
    f = np.array([[1.0, 60.0 * (1.0 - fade), 0.0], [0.0, fade, 0.0], [0.0, 0.0, 1.0]])
    walk = 0.001**2  # of the trend, integrated into the offset
    q = np.array(
        [
            [1e-4 * days + walk * days**3 / 3, walk * days**2 / 2, 0.0],
            [walk * days**2 / 2, walk * days, 0.0],
            [0.0, 0.0, 0.0],
        ]
    )
    assert after == near(f @ mean, rel=1e-6, abs=1e-10)
    assert spread == near(f @ cov @ f.T + q, rel=1e-5, abs=1e-9)
    bank.move(19 * DAY)  # time does not run back
    assert moments(bank)[0] == near(after)


def test_a_step_seen_in_the_signal_moves_the_offset_and_widens_it() -> None:
    bank = one_filter()
    mean, cov = moments(bank)
    bank.shift(0.3, 0.02)
    after, spread = moments(bank)
    assert after == near(mean + np.array([0.3, 0.0, 0.0]))
    assert spread[0, 0] == near(cov[0, 0] + 0.02)
    assert spread[1:, 1:] == near(cov[1:, 1:])


def test_the_three_hypotheses_have_the_chances_of_their_densities() -> None:
    priors = Priors(core_sds=(0.1,), walk_sds=(0.01,), trend_share=1e-12, span_share=1e-12)
    bank = DriftBank(4.0, priors)
    bank.move(0.0)
    found = bank.learn(0.0, 0.5, 0.0, 0.003, 10.0)
    plain = 0.25**2 + 0.1**2 + 0.003
    stepped = plain + 0.35**2
    step = 1.0 - math.exp(-10.0 / 200.0)

    def density(var: float) -> float:
        return math.exp(-0.5 * 0.5**2 / var) / math.sqrt(2.0 * math.pi * var)

    chances = np.array([0.97 * (1.0 - step) * density(plain), 0.03 / 4.0, 0.97 * step * density(stepped)])
    assert (found.sound, found.wrong, found.stepped) == near(tuple(chances / chances.sum()), rel=1e-6)
    assert (found.foretold, found.foretold_sd) == (near(0.0), near(math.sqrt(plain)))
    assert bank.cores == near(found.sound + found.stepped)
    assert bank.unsettled == near(found.wrong + found.stepped)
    # However long no core came, a step is at most as likely as none; and in an instant there may have been one.
    for days, chance in ((1e9, 0.5), (0.0, 1.0 - math.exp(-0.02 / 200.0))):
        other = DriftBank(4.0, priors)
        found = other.learn(0.0, 0.0, 0.0, 0.0, days)
        p = np.array([0.97 * (1 - chance) / math.sqrt(0.0725), 0.03 / 4.0 * math.sqrt(2 * math.pi), 0.97 * chance / math.sqrt(0.0725 + 0.35**2)])  # fmt: skip
        assert found.stepped == near(p[2] / p.sum(), rel=1e-6)


def test_work_starts_offset_and_trend_anew_and_keeps_the_span_it_did_not_touch() -> None:
    bank = one_filter()
    bank.learn(0.0, 0.3, 0.5, 0.0004, 1.0)
    before = bank.now()
    bank.restart(DAY, 0.1, 0.01, None, 0.0)
    after = bank.now()
    assert (after.offset, after.trend, after.span) == (
        near(0.1),
        near(0.0),
        near(before.span, rel=1e-6),
    )
    assert after.cov[0] == near(0.01)
    assert after.cov[3] == near(0.005**2)
    assert after.cov[5] == near(before.cov[5], rel=1e-3)
    assert (bank.cores, bank.time) == (0.0, DAY)
    bank.restart(2 * DAY, 0.0, 0.04, 0.05, 0.0004)
    assert (bank.now().span, bank.now().cov[5]) == (near(0.05), near(0.0004))


def calibration(kind: CalibrationKind, **left: float) -> Calibration:
    return Calibration(tag="a", at=START, kind=kind, **left)  # type: ignore[arg-type]


def test_what_work_leaves_behind_is_what_was_written_down_or_what_such_work_usually_does() -> None:
    priors = Priors()
    before = Drift(0.3, 0.01, 0.1, (0.0,) * 6, 0.0)
    written = after_work(calibration(CalibrationKind.CALIBRATION, as_left_offset=0.02), before, 5.0, priors)
    assert (written.offset, written.offset_var, written.span) == (0.02, near(0.06**2), None)
    unwritten = after_work(calibration(CalibrationKind.CALIBRATION), before, 5.0, priors)
    assert (unwritten.offset, unwritten.offset_var, unwritten.span) == (0.0, near(0.12**2), None)
    replaced = after_work(calibration(CalibrationKind.REPLACEMENT), before, 5.0, priors)
    assert (replaced.offset, replaced.offset_var) == (0.0, near(0.25**2))
    assert (replaced.span, replaced.span_var) == (0.0, near(0.08**2))
    cleaned = after_work(calibration(CalibrationKind.CLEANING), before, 5.0, priors)
    half = 0.5 * (0.3 + 0.01 * 60.0 * (1.0 - math.exp(-5.0 / 60.0)))
    assert (cleaned.offset, cleaned.offset_var) == (near(half), near(half**2 + 0.10**2))
    assert cleaned.span is None
    for kind in CalibrationKind:
        span = after_work(calibration(kind, as_left_span_error=0.03), before, 5.0, priors)
        assert (span.span, span.span_var) == (0.03, near(0.02**2))


# --- what one sensor says ---------------------------------------------------------------------------------------------


def sensor(**drift: float) -> SensorMemory:
    made = first_sensor(TANK)
    told = {"offset": 0.2, "trend": 0.0, "span": 0.1} | drift
    made.drift = Drift(told["offset"], told["trend"], told["span"], (0.01, 0.0, 0.0, 0.0, 0.0, 0.0004), 1e-4)
    made.bank.time = T0
    return made


def test_a_level_is_corrected_by_undoing_offset_and_span_about_the_pivot() -> None:
    made, pivot = sensor(), 1.2
    for truth in (0.4, 1.2, 2.5):
        seen = truth + 0.2 + 0.1 * (truth - pivot)
        height, var = made.corrected(seen, T0 + 2 * DAY, pivot)
        assert height == near(truth)
        assert var == near((0.01 + 0.0004 * (truth - pivot) ** 2 + 2e-4) / 1.1**2)
    made.suspect(0.3)  # a jump: four in five that the sensor shifted
    height, var = made.corrected(1.4 + 0.24, T0, 1.2)
    assert height == near(1.2)
    assert var == near((0.01 + 0.16 * 0.09) / 1.21)
    dull = sensor(span=-0.95)  # hardly follows at all: not divided by next to nothing
    assert dull.corrected(1.4 + 0.2 * 0.5, T0, 1.2)[0] == near(1.7)


def test_a_jump_back_clears_the_suspicion_and_a_second_jump_adds_to_it() -> None:
    made = sensor()
    made.suspect(0.2)
    made.suspect(0.1)
    assert (made.step_seen, made.step_mean) == (near(0.3), near(0.24))
    assert made.step_var == near(0.16 * (0.04 + 0.01))
    made.suspect(-0.24)  # 0.06 of 0.24 left: less than three tenths
    assert (made.step_seen, made.step_mean, made.step_var) == (0.0, 0.0, 0.0)
    made.suspect(0.3)
    made.suspect(-0.2)  # 0.1 of 0.2 left
    assert made.step_seen == near(0.1)


def test_a_suspected_step_is_handed_to_the_filters_once() -> None:
    made = first_sensor(TANK)
    made.bank.move(T0)
    made.suspect(0.25)
    assert made.settle_suspicion(T0) == 0.25
    assert made.drift.offset == near(0.2)
    assert made.drift.cov[0] == near(0.25**2 + 0.16 * 0.25**2)
    assert made.settle_suspicion(T0) == 0.0
    assert made.step_mean == 0.0


def test_a_sensor_speaks_while_it_is_heard_unlocked_and_not_just_worked_on() -> None:
    made = first_sensor(TANK)
    assert not made.speaks(T0, 600.0)
    made.conditioner.last_good = T0
    assert not made.speaks(T0, 600.0)  # a level it never had
    made.conditioner.tracker.restart(T0, 1.0)
    assert made.speaks(T0 + 600.0, 600.0)
    assert not made.speaks(T0 + 600.1, 600.0)
    made.conditioner.locked = True
    assert not made.speaks(T0, 600.0)
    made.conditioner.locked, made.bridge_time = False, T0
    assert not made.speaks(T0, 600.0)


def test_a_voice_joins_the_doubts_of_drift_noise_and_an_uneven_blanket() -> None:
    made = sensor(span=0.0)
    made.conditioner.tracker.restart(T0, 1.4)
    made.conditioner.tracker.p00, made.conditioner.tracker.p11 = 0.002, 0.03
    voice = made.voice(T0, 1.2)
    assert voice.height == near(1.2)
    assert voice.var == near(0.01 + 0.002 + 0.015**2)
    assert (voice.rate, voice.rate_var, voice.spread) == (0.0, 0.03, 0.0)


# --- verdicts on samples ----------------------------------------------------------------------------------------------

WIDE = World(lowest=-1.25, surface=4.0, fastest_rise=0.6, fluff_top=None)


def steady(noise_sd: float = 0.02, samples: int = 50, level: float = 1.0) -> Conditioner:
    made = Conditioner()
    made.tracker.restart(0.0, level)
    made.tracker.p00, made.tracker.p11, made.tracker.noise_var = 1e-6, 1e-6, noise_sd**2
    made.tracker.samples, made.usual_noise_var, made.last_good = samples, noise_sd**2, 0.0
    return made


def judged(
    of: Conditioner, seconds: float, height: float, *, world: World = WIDE, quality: Quality = Quality.GOOD,
    reason: ReadingReason = ReadingReason.NONE, signal: Signal | None = None,
) -> Judged:  # fmt: skip
    reading = Reading("north.level", START + timedelta(seconds=seconds), height, quality, reason)
    return of.judge(seconds, reading, height, signal or blanket_signal(low=-9.0, high=9.0), TANK, world)


@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_jump_is_four_and_a_half_deviations_of_the_innovation(side: float) -> None:
    foreseen_var = steady().tracker.ahead(10.0)[2] + 0.02**2
    bound = 4.5 * math.sqrt(foreseen_var)
    assert bound > 0.08 + 0.6 * 10 / HOUR
    assert judged(steady(), 10.0, 1.0 + side * 0.999 * bound).verdict is ReadingReason.NONE
    assert judged(steady(), 10.0, 1.0 + side * 1.001 * bound).verdict is ReadingReason.SPIKE


def test_what_the_water_can_carry_is_no_jump_however_quiet_the_sensor() -> None:
    for rise in (0.6, 6.0):
        world = WIDE._replace(fastest_rise=rise)
        bound = 0.08 + rise * 60.0 / HOUR
        assert judged(steady(0.005), 60.0, 1.0 + 0.99 * bound, world=world).verdict is ReadingReason.NONE
        assert judged(steady(0.005), 60.0, 1.0 + 1.01 * bound, world=world).verdict is ReadingReason.SPIKE


@pytest.mark.parametrize(
    ("height", "verdict"), [(-1.74, ReadingReason.SPIKE), (-1.76, ReadingReason.OUT_OF_RANGE), (4.49, ReadingReason.SPIKE), (4.51, ReadingReason.OUT_OF_RANGE)]
)  # fmt: skip
def test_half_a_metre_beyond_floor_and_water_is_no_blanket(height: float, verdict: ReadingReason) -> None:
    assert judged(steady(), 10.0, height).verdict is verdict


def test_at_the_ends_of_its_range_a_sensor_is_still_believed() -> None:
    signal = blanket_signal(low=0.9, high=1.1)
    for height, verdict in (
        (0.9, ReadingReason.NONE),
        (1.1, ReadingReason.NONE),
        (0.899, ReadingReason.OUT_OF_RANGE),
        (1.101, ReadingReason.OUT_OF_RANGE),
    ):
        found = judged(steady(0.1), 10.0, height, signal=replace(signal, mount=Mount(measures=Measures.DISTANCE)))
        assert found.verdict is verdict
        assert found.usable is (verdict is ReadingReason.NONE)


def test_what_its_source_calls_bad_or_is_no_number_is_not_used() -> None:
    assert judged(steady(), 10.0, 1.0, quality=Quality.BAD) == Judged(ReadingReason.SOURCE_BAD, False)
    assert judged(steady(), 10.0, 1.0, quality=Quality.BAD, reason=ReadingReason.FLAT) == Judged(
        ReadingReason.FLAT, False
    )
    assert judged(steady(), 10.0, math.nan) == Judged(ReadingReason.NOT_A_NUMBER, False)
    assert judged(steady(), 10.0, 1.0, quality=Quality.UNCERTAIN) == Judged(ReadingReason.SOURCE_UNCERTAIN, True)
    assert (
        judged(steady(), 10.0, 1.0, quality=Quality.UNCERTAIN, reason=ReadingReason.UNDER_RANGE).verdict
        is ReadingReason.UNDER_RANGE
    )


def test_an_excursion_has_come_back_when_it_is_half_the_way_back() -> None:
    for back, verdict in ((1.24, ReadingReason.NONE), (1.26, ReadingReason.IMPLAUSIBLE_JUMP)):
        made = steady(0.3, level=1.0)
        made.out_count, made.out_level, made.out_from, made.out_since, made.last_good = 2, 1.5, 1.0, 0.0, -60.0
        assert judged(made, 10.0, back).verdict is verdict


@pytest.mark.parametrize(
    ("jump", "verdict", "usable", "stepped"),
    [(0.09, ReadingReason.NONE, True, False), (0.11, ReadingReason.NONE, True, True), (0.39, ReadingReason.NONE, True, True),
     (0.41, ReadingReason.READS_HIGH_UNCONFIRMED, False, False), (-0.39, ReadingReason.NONE, True, True), (-0.41, ReadingReason.IMPLAUSIBLE_JUMP, False, False)],
)  # fmt: skip
def test_a_small_lasting_jump_is_taken_up_and_a_large_one_is_locked(
    jump: float, verdict: ReadingReason, usable: bool, stepped: bool
) -> None:
    made = steady(0.005)
    world = WIDE._replace(fastest_rise=0.0)
    early = [judged(made, 60.0 + 60.0 * i, 1.0 + jump, world=world) for i in range(10)]
    assert not any(one.usable for one in early)
    found = judged(made, 660.0, 1.0 + jump, world=world)  # ten minutes after it began
    assert (found.verdict, found.usable) == (verdict, usable)
    assert found.stepped == near(jump if stepped else 0.0)
    assert made.reads_high is (verdict is ReadingReason.READS_HIGH_UNCONFIRMED)


def test_a_young_tracker_takes_any_lasting_level_without_suspicion() -> None:
    for samples, taken in ((9, True), (10, False)):
        made = steady(0.005, samples=samples)
        found = [judged(made, 60.0 + 60.0 * i, 2.5) for i in range(11)][-1]
        assert found == (
            Judged(ReadingReason.NONE, True) if taken else Judged(ReadingReason.READS_HIGH_UNCONFIRMED, False)
        )


@pytest.mark.parametrize(
    ("height", "world", "verdict"),
    [(3.71, WIDE, ReadingReason.SURFACE_ECHO), (3.69, WIDE, ReadingReason.READS_HIGH_UNCONFIRMED),
     (2.19, WIDE._replace(fluff_top=2.0), ReadingReason.FLUFF_LOCK), (1.81, WIDE._replace(fluff_top=2.0), ReadingReason.FLUFF_LOCK),
     (2.21, WIDE._replace(fluff_top=2.0), ReadingReason.READS_HIGH_UNCONFIRMED), (-1.16, WIDE, ReadingReason.ECHO_LOST), (-1.14, WIDE, ReadingReason.IMPLAUSIBLE_JUMP)],
)  # fmt: skip
def test_what_a_locked_sensor_has_locked_on_to(height: float, world: World, verdict: ReadingReason) -> None:
    made = steady(0.005)
    assert [judged(made, 60.0 + 60.0 * i, height, world=world) for i in range(11)][-1].verdict is verdict


def test_noise_is_called_so_when_it_is_both_large_and_three_times_the_usual() -> None:
    for now, usual, noisy in ((0.081, 0.026, True), (0.079, 0.02, False), (0.081, 0.028, False)):
        made = steady(now, samples=500)
        made.usual_noise_var = usual**2
        made.tracker.last_value = math.sqrt(2.0) * now + 1.0  # a difference that leaves the noise as it is
        made.tracker.last_value_time = 0.0
        made.tracker.noise_var = now**2
        found = judged(made, 1e-9, 1.0)
        assert found == (Judged(ReadingReason.NOISY, True) if noisy else Judged(ReadingReason.NONE, True))


# --- the tank's fold --------------------------------------------------------------------------------------------------


def fold(*others: Signal, tank: object = None, share: float = 1.0, blankets: tuple[Signal, ...] | None = None) -> Fold:
    signals = (blanket_signal(),) if blankets is None else blankets
    return Fold(TANK, signals, others, first_state(TANK, signals), share)


def flow(tag: str, of: str | None) -> Signal:
    return Signal(tag=tag, kind=SignalKind.FLOW, tank=of, unit="m3/h")


def read(of: Fold, tag: str, seconds: float, value: float, quality: Quality = Quality.GOOD) -> None:
    of.reading(Reading(tag, START + timedelta(seconds=seconds), value, quality))


@pytest.mark.parametrize(
    ("per_hour", "rise"), [(0.3 / 2 * 0.9, 0.6), (0.5, 1.0), (2.9, 5.8), (3.1, 6.0), (0.0, 0.6)]
)  # fmt: skip
def test_a_blanket_rises_at_most_at_twice_the_upflow_within_bounds(per_hour: float, rise: float) -> None:
    made = fold(flow("q", "north"))
    assert made.world.fastest_rise == 3.0
    cubic = per_hour * TANK.area / HOUR
    read(made, "q", 0.0, cubic)
    assert made.world.fastest_rise == near(rise)
    assert made.world.surface == near(4.0 + water_surface(cubic, TANK))


def test_a_flow_holds_for_two_hours_and_fluff_for_a_day() -> None:
    fluff = Signal(
        tag="f", kind=SignalKind.FLUFF, tank="north", unit="m", mount=Mount(measures=Measures.HEIGHT, zero_height=0.5)
    )
    made = fold(flow("q", "north"), fluff)
    read(made, "q", 0.0, 0.1)
    read(made, "f", 0.0, 1.5)
    known = made.world
    assert known.fluff_top == 2.0
    read(made, "north.level", 7200.0, 1.0)
    assert made.world == known
    read(made, "north.level", 7201.0, 1.0)
    assert (made.world.fastest_rise, made.world.surface) == (3.0, 4.0)
    assert made.world.fluff_top == 2.0
    read(made, "north.level", DAY, 1.0)
    assert made.world.fluff_top == 2.0
    read(made, "north.level", DAY + 1.0, 1.0)
    assert made.world.fluff_top is None


def test_only_its_own_meters_or_the_plants_single_one_say_what_flows_through_a_tank() -> None:
    assert fold(flow("q1", "north"), flow("q2", "north"), flow("Q", None)).flow_shares == {"q1": 1.0, "q2": 1.0}
    assert fold(flow("Q", None), flow("s", "south"), share=0.25).flow_shares == {"Q": 0.25}
    assert fold(flow("Q", None), flow("P", None)).flow_shares == {}
    made = fold(flow("Q", None), share=0.25)
    read(made, "Q", 0.0, 0.4)
    assert (made.state.flow, made.state.flow_time) == (0.1, T0)
    read(made, "Q", 60.0, 9.0, Quality.BAD)
    read(made, "Q", 60.0, math.inf)
    assert made.state.flow == 0.1


def test_time_does_not_run_back_within_a_tank() -> None:
    made = fold()
    read(made, "north.level", 60.0, 1.0)
    read(made, "north.level", 60.0, 1.0)
    with pytest.raises(DomainError, match="already seen"):
        read(made, "north.level", 59.0, 1.0)


def test_a_belief_is_bounded_by_floor_and_water_surface() -> None:
    made = fold()
    made.state.belief = Belief(time=T0, height=9.0, var=0.01, last_word=T0)
    assert made.belief_at(T0).height == 4.0
    made.state.belief.height = -9.0
    assert made.belief_at(T0).height == TANK.lowest_height
    assert made.belief_at(T0).source is Source.COASTING
    assert fold().belief_at(T0)[:7] == near(
        (math.nan, math.inf, math.nan, Source.NOTHING, math.inf, True, False), nan_ok=True
    )


def test_a_sensor_off_upwards_reads_high_while_it_may_see_something_beside_the_blanket() -> None:
    made = fold()
    made.state.belief = Belief(time=T0, height=1.0, var=0.01, last_word=T0, last_core=T0)
    conditioner = made.state.sensors["north.level"].conditioner
    conditioner.locked, conditioner.out_level, conditioner.out_from = True, 2.5, 1.0
    assert not made.belief_at(T0).reads_high  # the stories are sure that it follows
    made.stories.bank.mode[0, 0] = AWAY
    assert made.belief_at(T0).reads_high
    conditioner.out_level = 0.2
    assert not made.belief_at(T0).reads_high


def state(**belief: float) -> State:
    made = first_state(TANK, (blanket_signal(),))
    values = {"time": T0, "height": 1.0, "var": 0.01, "last_word": T0, "last_core": T0, "usual_rate_var": 0.0} | belief
    made.belief, made.time = Belief(**values), T0
    return made


SETUP = TankSetup(tank=TANK, blankets=(blanket_signal(),))


@pytest.mark.parametrize(
    ("sd", "hours", "trust", "reason"),
    [(0.2, 1.0, Trust.DOUBTFUL, EstimateReason.COASTING), (0.59, 1.0, Trust.DOUBTFUL, EstimateReason.COASTING),
     (0.61, 1.0, Trust.BLIND, EstimateReason.BLIND), (0.2, 12.0, Trust.DOUBTFUL, EstimateReason.COASTING),
     (0.2, 12.01, Trust.BLIND, EstimateReason.BLIND)],
)  # fmt: skip
def test_a_tank_is_blind_beyond_six_tenths_of_a_metre_or_half_a_day(
    sd: float, hours: float, trust: Trust, reason: EstimateReason
) -> None:
    found = project(SETUP, state(var=sd * sd), START + timedelta(hours=hours))
    assert (found.trust, found.reason) == (trust, reason)


def test_a_look_from_before_the_last_word_is_the_last_word() -> None:
    found = project(SETUP, state(), START - timedelta(hours=1))
    assert (found.height, found.sd) == (1.0, near(0.1))
    assert found.time == START - timedelta(hours=1)
    assert project(SETUP, initial(SETUP), START).reason is EstimateReason.NO_DATA


@pytest.mark.parametrize(("sd", "trust"), [(0.1, Trust.GOOD), (0.102, Trust.DOUBTFUL)])
def test_a_number_that_is_a_foot_wrong_once_in_four_hundred_times_is_doubtful(sd: float, trust: Trust) -> None:
    made = state()
    sensor = made.sensors["north.level"]
    sensor.conditioner.tracker.restart(T0, 1.0)
    sensor.conditioner.last_good = T0
    sensor.bank.time = T0
    var = sd**2 - 0.015**2 - sensor.conditioner.tracker.p00
    sensor.drift = Drift(0.0, 0.0, 0.0, (var, 0.0, 0.0, 0.0, 0.0, 0.0), 0.0)
    found = project(SETUP, made, START)
    assert (found.trust, found.reason) == (trust, EstimateReason.SENSOR)


def test_two_events_at_one_time_give_one_estimate_the_later_in_order() -> None:
    story = Story(days=0.1, core_every=0)
    core = story.core(0, 1.0, 1.5)
    reading = Reading("north.level", story.at(1.0), 1.0)
    found = advance(story.setup, initial(story.setup), [reading, core])
    assert [estimate.reason for estimate in found.estimates] == [EstimateReason.CORE]
    other = replace(core, tank="south")
    assert advance(story.setup, initial(story.setup), [other]).estimates == ()
