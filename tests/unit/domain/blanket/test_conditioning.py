"""Each kind of nonsense gets its own verdict, and real blankets get none."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.domain.blanket.estimate import advance, initial
from service.domain.plant.reading import Quality, Reading, ReadingReason
from service.domain.plant.signal import Measures
from tests.support.sensor_story import Floats, Story, bad, blanket_signal


def verdicts(story: Story) -> list[ReadingReason]:
    return [a.verdict for a in advance(story.setup, initial(story.setup), story.events()).assessments]


def after_a_quiet_day(values: list[float], **changes: object) -> list[ReadingReason]:
    story = Story(days=1, signals=(blanket_signal(**changes),))  # type: ignore[arg-type]
    state = advance(story.setup, initial(story.setup), story.events()).state
    readings = [Reading("north.level", story.at(24 + i / 60), value) for i, value in enumerate(values)]
    return [a.verdict for a in advance(story.setup, state, readings).assessments]


def test_a_quiet_day_is_all_blanket() -> None:
    assert (
        Counter(verdicts(Story(days=3, noise=0.03)))[ReadingReason.NONE] >= 4315
    )  # of 4320; the rest five-sigma accidents


def test_the_source_is_believed_when_it_complains() -> None:
    story = Story(days=0.1)
    readings = [
        bad("north.level", story.at(0), ReadingReason.LOOP_FAULT_LOW),
        Reading("north.level", story.at(0.1), 1.0, Quality.UNCERTAIN),
    ]
    seen = advance(story.setup, initial(story.setup), readings).assessments
    assert [a.verdict for a in seen] == [ReadingReason.LOOP_FAULT_LOW, ReadingReason.SOURCE_UNCERTAIN]


@pytest.mark.parametrize("value", [-0.6, 4.6])
def test_beyond_the_signals_range(value: float) -> None:
    assert after_a_quiet_day([value]) == [ReadingReason.OUT_OF_RANGE]


def test_beyond_the_tank() -> None:
    assert after_a_quiet_day([5.5], high=9.0) == [ReadingReason.OUT_OF_RANGE]


def test_flat_line() -> None:
    seen = after_a_quiet_day([1.0] * 90, flat_after=timedelta(hours=1), flat_band=0.001)
    assert seen[:60] == [ReadingReason.NONE] * 60
    assert set(seen[60:]) == {ReadingReason.FLAT}


def test_who_set_no_time_is_told_of_a_sensor_that_stands_still_all_the_same() -> None:
    seen = after_a_quiet_day([1.0] * 120)
    assert ReadingReason.FLAT not in seen[:30]
    assert set(seen[60:]) == {ReadingReason.FLAT}


def test_a_sensor_that_always_rounds_to_the_centimetre_is_not_taken_for_stuck() -> None:
    story = Story(days=3, noise=0.002)
    rounded = [
        replace(event, value=round(event.value, 2)) if isinstance(event, Reading) else event for event in story.events()
    ]
    seen = advance(story.setup, initial(story.setup), rounded).assessments
    assert ReadingReason.FLAT not in {a.verdict for a in seen}


def test_a_lone_outlier_is_a_spike() -> None:
    seen = after_a_quiet_day([1.0, 1.0, 1.9, 1.0, 1.0])
    assert seen == [ReadingReason.NONE, ReadingReason.NONE, ReadingReason.SPIKE, ReadingReason.NONE, ReadingReason.NONE]


def test_a_jump_is_implausible_until_it_lasts() -> None:
    seen = after_a_quiet_day([1.9] * 15)
    assert seen[0] is ReadingReason.SPIKE
    assert set(seen[1:10]) == {ReadingReason.IMPLAUSIBLE_JUMP}
    assert set(seen[10:]) == {ReadingReason.READS_HIGH_UNCONFIRMED}


def test_a_lasting_drop_never_reads_high() -> None:
    seen = after_a_quiet_day([-0.3] * 30)
    assert ReadingReason.READS_HIGH_UNCONFIRMED not in seen
    assert seen[-1] is ReadingReason.IMPLAUSIBLE_JUMP


def test_an_echo_of_the_surface() -> None:
    assert after_a_quiet_day([3.85] * 15)[-1] is ReadingReason.SURFACE_ECHO


def test_an_echo_lost_at_the_end_of_the_range() -> None:
    story = Story(days=1, signals=(blanket_signal(measures=Measures.DISTANCE, high=4.2),))
    state = advance(story.setup, initial(story.setup), story.events()).state
    readings = [Reading("north.level", story.at(24 + i / 60), 4.2) for i in range(15)]
    seen = [a.verdict for a in advance(story.setup, state, readings).assessments]
    assert seen[0] is ReadingReason.ECHO_LOST
    assert seen[-1] is ReadingReason.ECHO_LOST


def test_a_lock_on_to_the_fluff_a_core_saw() -> None:
    story = Story(days=1, core_every=0)
    core = story.core(0, 23.9, 1.0)
    fluffy = replace(core, fluff=core.thickness + 0.9)  # the top of 0.9 m of fluff on the blanket
    state = advance(story.setup, initial(story.setup), [*story.events()[:1434], fluffy]).state
    readings = [Reading("north.level", story.at(24 + i / 60), 1.9) for i in range(15)]
    assert advance(story.setup, state, readings).assessments[-1].verdict is ReadingReason.FLUFF_LOCK


def test_a_locked_sensor_that_comes_back_is_believed_again() -> None:
    seen = after_a_quiet_day([2.8] * 30 + [1.0] * 10)
    assert seen[29] is ReadingReason.READS_HIGH_UNCONFIRMED
    assert set(seen[30:]) == {ReadingReason.NONE}


def test_passes_of_the_arm_are_named_once_the_period_is_known() -> None:
    def struck(hours: Floats) -> Floats:
        return np.asarray(0.5 * (np.arange(hours.size) % 34 < 2))

    story = Story(days=2, error=struck)
    seen = verdicts(story)
    late = seen[1440:]
    hits = [verdict for i, verdict in enumerate(late) if (1440 + i) % 34 < 2]
    assert set(hits) == {ReadingReason.ARM_PASS}
    assert sum(v is not ReadingReason.NONE for i, v in enumerate(late) if (1440 + i) % 34 >= 2) < 15


def test_growing_noise_is_noticed_and_outlived() -> None:
    rng = np.random.default_rng(8)
    seen = after_a_quiet_day([float(1.0 + 0.15 * rng.standard_normal()) for _ in range(600)])
    assert Counter(seen[300:])[ReadingReason.NOISY] > 200


def test_a_rise_the_water_can_carry_is_no_jump() -> None:
    rise = [1.0 + 1.5 / 60.0 * i for i in range(90)]  # 1.5 m/h
    assert set(after_a_quiet_day(rise)) == {ReadingReason.NONE}


def test_a_gap_allows_what_may_have_happened_in_it() -> None:
    story = Story(days=1)
    state = advance(story.setup, initial(story.setup), story.events()).state
    reading = Reading("north.level", story.at(30.0), 2.0)
    (seen,) = advance(story.setup, state, [reading]).assessments
    assert seen.verdict is ReadingReason.NONE
