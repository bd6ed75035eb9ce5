"""The belief: averaging, coasting and lone cores."""

from __future__ import annotations

import math

import pytest

from service.domain.blanket.belief import CORE_SD, SHARED_CORRELATION, Belief, Voice, averaged

HOUR = 3600.0


def voice(height: float, sd: float) -> Voice:
    return Voice(height, sd * sd, 0.0, 0.01, 0.0)


def test_two_equal_voices_gain_less_than_independent_ones_would() -> None:
    both = averaged([voice(1.0, 0.1), voice(1.0, 0.1)])
    assert both.var == pytest.approx(0.01 * (1.0 + SHARED_CORRELATION) / 2.0)
    assert both.spread == 0.0


def test_disagreement_is_kept() -> None:
    both = averaged([voice(1.0, 0.05), voice(2.0, 0.05)])
    assert both.height == pytest.approx(1.5)
    assert both.spread == pytest.approx(0.25)


def test_the_surer_voice_counts_more() -> None:
    assert averaged([voice(1.0, 0.05), voice(2.0, 0.5)]).height == pytest.approx(1.0 + 1.0 / 101.0)


def test_coasting_follows_the_rate_for_a_while_then_rests() -> None:
    belief = Belief(time=0.0, height=1.0, rate=0.4, var=0.01, rate_var=0.0025)
    soon, _, rate, _ = belief.coasted(0.1 * HOUR, 4.0)
    assert soon == pytest.approx(1.04, abs=0.002)
    assert rate < 0.4
    assert belief.coasted(24 * HOUR, 4.0)[0] == pytest.approx(1.0 + 0.4 * 1.5)


def test_the_deviation_grows_but_not_beyond_the_tank() -> None:
    belief = Belief(time=0.0, height=1.0, var=0.01, rate_var=0.01, usual_rate_var=0.09)
    grown = [math.sqrt(belief.coasted(h * HOUR, 4.0)[1]) for h in (0, 1, 4, 24, 2400)]
    assert grown == sorted(grown)
    assert grown[-1] == pytest.approx(4.0 / 3.0)


def test_a_calm_tank_coasts_longer_than_a_restless_one() -> None:
    calm, restless = Belief(time=0.0), Belief(time=0.0)
    for i in range(1, 3000):
        calm.take(60.0 * i, Voice(1.0, 0.001, 0.02, 0.01, 0.0))
        restless.take(60.0 * i, Voice(1.0, 0.001, 0.6 * math.sin(i / 30.0), 0.01, 0.0))
    end = 60.0 * 3000 + 6 * HOUR
    assert calm.coasted(end, 4.0)[1] < 0.3 * restless.coasted(end, 4.0)[1]


def test_a_first_core_is_the_belief() -> None:
    belief = Belief()
    belief.take_core(0.0, 1.3, 4.0)
    assert belief.height == 1.3
    assert belief.var == pytest.approx(CORE_SD**2)


def test_a_core_far_off_a_sure_belief_widens_it() -> None:
    belief = Belief(time=0.0, height=1.0, var=0.0025, rate_var=0.0)
    belief.take_core(60.0, 2.0, 4.0)
    assert belief.height > 1.8
    close = Belief(time=0.0, height=1.0, var=0.0025, rate_var=0.0)
    close.take_core(60.0, 1.1, 4.0)
    assert close.height == pytest.approx(1.0 + 0.1 * 0.2, abs=0.01)
    assert close.var < belief.var
