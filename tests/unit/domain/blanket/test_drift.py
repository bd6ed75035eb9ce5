"""The bank of drift filters: against a plain filter, against known truth, and under wrong cores and steps."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import numpy as np
import pytest

from service.domain.blanket.drift import DriftBank
from service.domain.blanket.drift_priors import Priors
from service.domain.sensors.drift_fit import Fit, PairStretch
from service.domain.sensors.kalman import Model, kalman_filter
from service.errors import DomainError

DAY = 86_400.0


def one_model(**changes: float) -> Priors:
    """A grid of a single noise and walk, without trend, span, steps or wrong cores."""
    told: dict[str, object] = {
        "core_sds": (0.1,),
        "walk_sds": (0.01,),
        "trend_share": 1e-12,
        "span_share": 1e-12,
        "wrong_core_share": 1e-12,
        "days_between_steps": 1e12,
    }
    return Priors(**(told | changes))  # type: ignore[arg-type]


def fed(
    differences: list[float],
    every: float = 8.0,
    priors: Priors | None = None,
    above: Callable[[int], float] = lambda i: 0.0,
) -> DriftBank:
    bank = DriftBank(4.0, priors)
    for i, difference in enumerate(differences):
        bank.learn(i * every * 3600.0, difference, above(i), 0.0004, every / 24.0)
    return bank


def test_one_model_equals_the_plain_filter() -> None:
    rng = np.random.default_rng(3)
    differences = (0.2 + 0.1 * rng.standard_normal(50)).tolist()
    now = fed(differences, priors=one_model()).now()
    n = len(differences)
    one = np.ones((n, 1, 1))
    model = Model(
        one, 0.01**2 / 3.0 * one, np.ones((n, 1)), np.full(n, 0.1**2 + 0.0004), np.zeros(1), np.array([[0.25**2]])
    )
    plain = kalman_filter(model, np.array(differences))
    assert now.offset == pytest.approx(plain.mean[-1, 0], abs=1e-9)
    assert now.cov[0] == pytest.approx(plain.cov[-1, 0, 0], rel=1e-6)


def test_one_model_with_trend_and_span_equals_the_plain_filter() -> None:
    rng = np.random.default_rng(13)
    n = 40
    above = rng.uniform(-0.5, 0.5, n).tolist()
    differences = [0.1 + 0.003 * i + 0.1 * above[i] + 0.1 * float(rng.standard_normal()) for i in range(n)]
    priors = one_model(trend_share=1.0 - 1e-12, span_share=1.0 - 1e-12)
    bank = fed(differences, every=12.0, priors=priors, above=lambda i: above[i])
    stretch = PairStretch(
        days=np.append(np.full(n - 1, 0.5), 0.0), measured=np.array(differences), above=np.array(above),
        extra_var=np.full(n, 0.0004), jump_var=np.zeros(n), first_days=0.0,
        offset=0.0, offset_var=priors.offset_sd**2, span=0.0, span_var=priors.span_sd**2,
    )  # fmt: skip
    plain = kalman_filter(stretch.model(Fit(0.1, 0.01, True, True, 0.0), priors), np.array(differences))
    now = bank.now()
    assert (now.offset, now.trend, now.span) == pytest.approx(tuple(plain.mean[-1]), abs=1e-8)
    assert now.cov == pytest.approx(tuple(plain.cov[-1][np.triu_indices(3)]), rel=1e-6, abs=1e-12)


def test_intervals_hold_the_truth_over_many_lives() -> None:
    rng = np.random.default_rng(7)
    held, total = 0, 0
    for _ in range(40):
        core_sd, walk_sd, trend = rng.choice([0.05, 0.1, 0.15]), rng.choice([0.002, 0.01]), rng.choice([0.0, 0.005])
        truth = 0.2 * rng.standard_normal()
        bank = DriftBank(4.0)
        for i in range(60):
            truth += walk_sd * math.sqrt(1 / 3) * rng.standard_normal() + trend / 3
            bank.learn(i * DAY / 3, truth + core_sd * rng.standard_normal(), 0.0, 0.0, 1 / 3)
            if i >= 5:
                mean, var = bank.now().at(0.0, 0.0)
                held += abs(mean - truth) <= 1.96 * math.sqrt(var)
                total += 1
    assert 0.90 <= held / total <= 0.98


def test_noise_walk_and_trend_are_learned() -> None:
    rng = np.random.default_rng(1)
    loud, low = 0.16 * rng.standard_normal(120), 0.05 * rng.standard_normal(120)
    noisy, clean = fed(loud.tolist()).learned(), fed(low.tolist()).learned()
    # A pair's deviation is the core's own with the 0.02 m of the pair.
    assert noisy["core_sd"] == pytest.approx(float(np.sqrt(loud.var() - 0.0004)), rel=0.25)
    assert clean["core_sd"] == pytest.approx(float(np.sqrt(low.var() - 0.0004)), rel=0.25)
    assert clean["walk_sd"] < 0.006
    trending = fed([0.01 * i / 3 + 0.05 * float(rng.standard_normal()) for i in range(120)])
    assert trending.learned()["trend"] > 0.9
    assert trending.now().trend == pytest.approx(0.01, abs=0.003)


def test_a_span_error_is_found_when_the_blanket_moves() -> None:
    rng = np.random.default_rng(4)
    above = [float(x) for x in rng.uniform(-0.6, 0.8, 90)]
    bank = fed([0.1 + 0.15 * u + 0.05 * float(rng.standard_normal()) for u in above], above=lambda i: above[i])
    assert bank.learned()["span"] > 0.95
    assert bank.now().span == pytest.approx(0.15, abs=0.04)
    assert bank.now().at(0.0, 1.0)[0] == pytest.approx(0.25, abs=0.05)


def test_a_span_error_is_not_found_where_it_cannot_be() -> None:
    rng = np.random.default_rng(4)
    bank = fed((0.3 + 0.05 * rng.standard_normal(90)).tolist(), above=lambda i: 0.2)
    assert bank.learned()["span"] < 0.5


def test_a_wrong_core_is_passed_over_and_named_in_hindsight() -> None:
    rng = np.random.default_rng(5)
    bank = fed((0.1 + 0.06 * rng.standard_normal(20)).tolist())
    before = bank.now().offset
    wrong = bank.learn(20 * DAY / 3, 1.5, 0.0, 0.0, 1 / 3)
    assert wrong.wrong > 0.5
    assert bank.unsettled > 0.9
    assert abs(bank.now().offset - before) < 0.7  # drawn a little: it may yet prove a step
    nxt = bank.learn(21 * DAY / 3, 0.1, 0.0, 0.0, 1 / 3)
    assert nxt.hindsight[1] > 0.95
    assert bank.now().offset == pytest.approx(before, abs=0.03)


def test_a_step_is_believed_when_the_next_core_agrees() -> None:
    rng = np.random.default_rng(6)
    bank = fed((0.05 * rng.standard_normal(20)).tolist())
    bank.learn(20 * DAY / 3, 0.5, 0.0, 0.0, 1 / 3)
    settled = bank.learn(21 * DAY / 3, 0.48, 0.0, 0.0, 1 / 3)
    assert settled.hindsight[2] > 0.5
    assert bank.now().offset == pytest.approx(0.48, abs=0.08)


def test_a_long_time_without_cores_is_survived() -> None:
    bank = fed([0.1, 0.12, 0.09, 0.11])
    verdict = bank.learn(3000 * DAY, 0.2, 0.0, 0.0, 2998.0)
    assert verdict.sound + verdict.wrong + verdict.stepped == pytest.approx(1.0)
    assert math.isfinite(bank.now().offset)


def test_a_restart_forgets_the_offset_but_not_the_noise() -> None:
    rng = np.random.default_rng(8)
    bank = fed((0.4 + 0.16 * rng.standard_normal(100)).tolist())
    learned = bank.learned()
    bank.restart(40 * DAY, 0.0, 0.1**2, None, 0.0)
    assert bank.now().offset == 0.0
    assert bank.now().cov[0] == pytest.approx(0.01)
    assert bank.learned() == pytest.approx(learned)
    assert bank.cores == 0.0


def test_memory_is_exact() -> None:
    bank = fed([0.1, 0.2, 1.4, 0.15, 0.1])
    again = DriftBank.from_memory(json.loads(json.dumps(bank.to_memory())))
    for other in (bank, again):
        other.learn(3 * DAY, 0.3, 0.2, 0.001, 1.0)
    assert again.to_memory() == bank.to_memory()


def test_memory_of_another_grid_is_refused() -> None:
    with pytest.raises(DomainError):
        DriftBank.from_memory(DriftBank(4.0, one_model()).to_memory())


def test_a_copy_lives_on_its_own() -> None:
    bank = fed([0.1, 0.2])
    twin = bank.copy()
    twin.learn(DAY, 0.5, 0.0, 0.0, 1.0)
    twin.shift(1.0, 0.1)
    assert bank.now().offset == pytest.approx(fed([0.1, 0.2]).now().offset)


def test_covariances_stay_positive() -> None:
    rng = np.random.default_rng(9)
    bank = DriftBank(4.0)
    for i in range(300):
        bank.learn(i * DAY / 3, float(rng.standard_normal()), float(rng.uniform(-1, 2)), 0.0, 1 / 3)
    assert np.linalg.eigvalsh(bank.cov).min() > -1e-12
