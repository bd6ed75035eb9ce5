"""Whether work on a sensor helped: what is claimed, and what is left open."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.domain.blanket.pairing import Pair
from service.domain.sensors.drift_history import PairInHindsight
from service.domain.sensors.work_proof import MOST_CORES, WorkOutcome, work_proof

WORK = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
DAY = timedelta(days=1)


def point(days: float, error: float, wrong: float = 0.0) -> PairInHindsight:
    """A core so many days after the work beside a sensor that is off by so much."""
    pair = Pair(
        tag="a", core=UUID(int=1), time=WORK + days * DAY, sensor=1.0 + error, core_height=1.0, thickness=1.0,
        extra_var=0.0, height=1.0, foretold=0.0, foretold_sd=0.1, sound=1.0, wrong=0.0, stepped=0.0, offset=0.0,
        offset_sd=0.1,
    )  # fmt: skip
    return PairInHindsight(pair, wrong, 0.0, error, 0.1, error, 0.1, error, 0.0)


def row(first: float, errors: Sequence[float]) -> list[PairInHindsight]:
    return [point(first + n, error) for n, error in enumerate(errors)]


def test_the_change_has_welchs_interval() -> None:
    """Held against SciPy's own Welch test on the same numbers."""
    before, after = [-0.31, -0.24, -0.28, -0.33, -0.27], [0.02, -0.03, 0.05, 0.00]
    proof = work_proof([*row(-5.5, before), *row(0.5, after)], WORK)
    assert proof.outcome is WorkOutcome.BETTER
    assert proof.change == pytest.approx(0.296)
    told = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert proof.change_interval == pytest.approx((told.low, told.high))
    for side, errors in ((proof.before, before), (proof.after, after)):
        own = stats.ttest_1samp(errors, 0.0).confidence_interval(0.95)
        assert side.mean == pytest.approx(float(sum(errors)) / len(errors))
        assert side.interval == pytest.approx((own.low, own.high))
    alike = work_proof([*row(-3.5, [-0.3] * 3), *row(0.5, [0.0] * 3)], WORK)
    assert alike.outcome is WorkOutcome.BETTER
    assert alike.change_interval == pytest.approx((0.3, 0.3))


def test_two_cores_prove_nothing() -> None:
    proof = work_proof([*row(-5.5, [-0.3] * 5), *row(0.5, [0.0, 0.01])], WORK)
    assert proof.outcome is WorkOutcome.TOO_FEW
    assert (proof.before.missing, proof.after.missing) == (0, 1)
    assert proof.change is None
    assert proof.after.interval is None


def test_work_that_made_it_worse_is_called_so() -> None:
    proof = work_proof([*row(-4.5, [0.05, 0.0, 0.02, 0.03]), *row(0.5, [0.41, 0.39, 0.40])], WORK)
    assert proof.outcome is WorkOutcome.WORSE


def test_overshooting_by_as_much_is_not_better() -> None:
    """From 0.3 m low to 0.3 m high: a clear change, and no smaller an error."""
    proof = work_proof([*row(-4.5, [-0.31, -0.29, -0.30]), *row(0.5, [0.32, 0.30, 0.31])], WORK)
    assert proof.outcome is WorkOutcome.WORSE


def test_scatter_is_not_called_a_change() -> None:
    proof = work_proof([*row(-4.5, [-0.2, 0.1, 0.0]), *row(0.5, [0.1, -0.1, 0.05])], WORK)
    assert proof.outcome is WorkOutcome.NOT_CLEAR


def test_cores_called_wrong_too_far_away_or_beyond_other_work_do_not_count() -> None:
    points = [point(-40.0, 9.0), point(-3.0, 9.0), point(-1.0, -0.3), point(1.0, 0.0), point(2.0, 9.0, wrong=0.9)]
    points += [point(4.0, 9.0), point(31.0, 9.0)]
    proof = work_proof(points, WORK, [WORK - 2.0 * DAY, WORK, WORK + 3.0 * DAY])
    assert [p.pair.difference for p in proof.before.points] == [pytest.approx(-0.3)]
    assert [p.pair.difference for p in proof.after.points] == [pytest.approx(0.0)]


def test_cores_at_the_very_bounds_of_what_is_looked_at() -> None:
    """The core taken as the work began speaks of the time before it; of thirty days the last counts, the first does not."""
    points = [point(days, days / 100.0) for days in (-30.0, -29.9, 0.0, 0.1, 30.0, 30.1)]
    proof = work_proof(points, WORK)
    assert [p.pair.difference for p in proof.before.points] == pytest.approx([-0.299, 0.0])
    assert [p.pair.difference for p in proof.after.points] == pytest.approx([0.001, 0.3])
    other = work_proof(points, WORK, [WORK - 29.9 * DAY, WORK + 30.0 * DAY])
    assert [len(other.before.points), len(other.after.points)] == [1, 2]
    doubtful = work_proof([point(1.0, 0.1, wrong=0.5), point(2.0, 0.1, wrong=0.49)], WORK)
    assert len(doubtful.after.points) == 1  # called wrong from evens on


errors = st.lists(st.integers(-300, 300).map(lambda mm: mm / 1000.0), max_size=20)


@given(errors, errors)
def test_whatever_the_cores_a_claim_rests_on_enough_of_them(before: list[float], after: list[float]) -> None:
    proof = work_proof([*row(-25.0, before), *row(0.5, after)], WORK)
    assert len(proof.before.points) == min(len(before), MOST_CORES)
    assert len(proof.after.points) == min(len(after), MOST_CORES)
    if min(len(before), len(after)) < 3:
        assert proof.outcome is WorkOutcome.TOO_FEW
    else:
        assert proof.change is not None
        assert proof.change_interval is not None
        clear = not proof.change_interval[0] <= 0.0 <= proof.change_interval[1]
        assert (proof.outcome in (WorkOutcome.BETTER, WorkOutcome.WORSE)) == clear
