"""Numbers that come from outside, or are stored for good, written down a second time: published limits, codes of reasons."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from service.domain.blanket.level import RATE_SD, LevelTracker
from service.domain.blanket.pairing import Pair
from service.domain.forecast.inflow import FlowHabit
from service.domain.loading.balance import Conditions
from service.domain.loading.limits import (
    DIMENSION_OF_QUANTITY,
    Quantity,
    limits_for,
    loading_warnings,
    published_limits,
)
from service.domain.loading.settling import Vesilind
from service.domain.loading.state_point import failing_solids
from service.domain.loading.tank_load import tank_load
from service.domain.plant.reading import Quality, ReadingReason
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import Dimension, from_si, to_si
from service.domain.sensors.drift_history import PairInHindsight
from service.domain.sensors.work_proof import LEAST_CORES, work_proof

FT, GAL, LB = 0.3048, 0.003785411784, 0.45359237

#: kind: {quantity: (limit [SI], bounds from below, a word of its source)}.
PUBLISHED = {
    TankKind.SECONDARY: {
        # Ten States Standards chapter 70 (from memory): 1200 gpd/ft², 40 lb/d·ft², 30 000 gpd/ft, 12 ft.
        Quantity.OVERFLOW_RATE: (1200 * GAL / FT**2 / 24, False, "Ten States"),
        Quantity.SOLIDS_LOADING: (40 * LB / FT**2 / 24, False, "Ten States"),
        Quantity.WEIR_LOADING: (30_000 * GAL / FT, False, "Ten States"),
        Quantity.SIDE_WATER_DEPTH: (12 * FT, True, "Ten States"),
        # TPO study guide, August 2019: never above a quarter; Spellman: bulking above 250 mL/g.
        Quantity.BLANKET_SHARE: (0.25, False, "Treatment Plant Operator"),
        Quantity.SLUDGE_INDEX: (250.0, False, "Spellman"),
    },
    # 30 TAC chapter 217: 30 000 gpd/ft at peak; Ten States Standards 72.1: 10 ft.
    TankKind.PRIMARY: {
        Quantity.WEIR_LOADING: (30_000 * GAL / FT, False, "30 TAC"),
        Quantity.SIDE_WATER_DEPTH: (10 * FT, True, "Ten States"),
    },
    # Metcalf & Eddy, gravity thickeners (from memory): mixed sludge up to 12 m³/(m²·d) and 80 kg/(m²·d).
    TankKind.THICKENER: {
        Quantity.OVERFLOW_RATE: (12.0 / 24.0, False, "Metcalf"),
        Quantity.SOLIDS_LOADING: (80.0 / 24.0, False, "Metcalf"),
    },
}


@pytest.mark.parametrize("kind", list(TankKind))
def test_limits_are_the_published_ones_or_a_tank_is_called_overloaded_that_is_not(kind: TankKind) -> None:
    found = {limit.quantity: limit for limit in published_limits(kind)}
    assert set(found) == set(PUBLISHED[kind])
    for quantity, (value, lower, source) in PUBLISHED[kind].items():
        assert found[quantity].value == pytest.approx(value, rel=1e-12)
        assert found[quantity].lower is lower
        assert source in found[quantity].source


def tank(depth: float) -> Tank:
    return Tank(
        key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=24.0, side_water_depth=depth
    )


def test_a_site_that_sets_its_own_limit_replaces_the_published_one_and_depth_still_bounds_from_below() -> None:
    own = {Quantity.SIDE_WATER_DEPTH: 3.0, Quantity.SLUDGE_INDEX: 120.0}
    held = {limit.quantity: limit for limit in limits_for(tank(4.0), own)}
    assert len(held) == 6
    assert (held[Quantity.SIDE_WATER_DEPTH].value, held[Quantity.SIDE_WATER_DEPTH].lower) == (3.0, True)
    assert (held[Quantity.SLUDGE_INDEX].value, held[Quantity.SLUDGE_INDEX].lower) == (120.0, False)
    assert {limit.source for q, limit in held.items() if q in own} == {"set by the site"}


def test_exactly_at_a_limit_is_within_it() -> None:
    at: dict[Quantity, float] = {
        q: value for q, (value, *_) in PUBLISHED[TankKind.SECONDARY].items() if q is not Quantity.SIDE_WATER_DEPTH
    }
    assert loading_warnings(tank(12 * FT), at) == ()


def test_what_a_limit_is_on_has_its_dimension() -> None:
    assert DIMENSION_OF_QUANTITY == {
        Quantity.OVERFLOW_RATE: Dimension.OVERFLOW_RATE,
        Quantity.SOLIDS_LOADING: Dimension.SOLIDS_LOADING,
        Quantity.WEIR_LOADING: Dimension.WEIR_LOADING,
        Quantity.SIDE_WATER_DEPTH: Dimension.LENGTH,
        Quantity.BLANKET_SHARE: Dimension.RATIO,
        Quantity.SLUDGE_INDEX: Dimension.SLUDGE_INDEX,
    }


#: What is stored beside every reading and assessment; another number would give history another meaning.
CODES = {
    "NONE": 0, "SOURCE_UNCERTAIN": 1, "SOURCE_BAD": 2, "UNDER_RANGE": 3, "OVER_RANGE": 4, "LOOP_FAULT_LOW": 5, "LOOP_FAULT_HIGH": 6,
    "NOT_A_NUMBER": 7, "INSTRUMENT_FAULT": 8, "NO_COMMUNICATION": 9, "MANUAL_HOLD": 10, "OUT_OF_RANGE": 100, "STALE": 101, "FLAT": 102,
    "ARM_PASS": 103, "IMPLAUSIBLE_JUMP": 104, "ECHO_LOST": 105, "SURFACE_ECHO": 106, "FLUFF_LOCK": 107, "NOISY": 108, "SPIKE": 109,
    "READS_HIGH_UNCONFIRMED": 110, "OUT_OF_SERVICE": 111,
}  # fmt: skip


def test_stored_codes_never_change_their_meaning() -> None:
    found = {reason.name: reason.value for reason in ReadingReason}
    assert found | CODES == found, "a code that was stored has another number, or none"
    assert len(set(found.values())) == len(found)
    # OPC 10000-4 section 7.39: severity in the top two bits, 00 good, 01 uncertain, 10 bad.
    assert {quality.name: quality.value for quality in Quality} == {"GOOD": 0, "UNCERTAIN": 1, "BAD": 2}


def test_a_tank_whose_overflow_carries_everything_away_holds_no_solids_at_all() -> None:
    sludge = Vesilind(6.5, 0.4035)  # settles at 6.5 m/h at most
    assert failing_solids(6.5 * 1000.0 / 3600, 0.05, 1000.0, sludge) == 0.0
    assert failing_solids(6.4 * 1000.0 / 3600, 0.05, 1000.0, sludge) > 0.0


def test_a_tracker_begun_anew_knows_nothing_of_the_rate() -> None:
    tracker = LevelTracker()
    tracker.rate, tracker.p01, tracker.p11 = 0.7, 0.2, 9.0
    tracker.restart(60.0, 1.5, variance=0.04)
    assert (tracker.time, tracker.level, tracker.rate, tracker.samples) == (60.0, 1.5, 0.0, 1)
    assert (tracker.p00, tracker.p01) == (0.04, 0.0)
    assert tracker.p11 == pytest.approx(RATE_SD * RATE_SD)


def test_a_surge_teaches_how_long_surges_last_and_a_usual_hour_does_not() -> None:
    def taught(factor: float) -> FlowHabit:
        habit = FlowHabit()
        for quarter in range(14 * 96):
            habit.learn(quarter * 900.0, 1.0, 1.0)
        habit.learn(14 * 86_400.0, factor, factor)
        return habit

    usual = taught(1.0).persistence.mean[0]
    assert taught(1.1).persistence.mean[0] == usual  # below 0.15 nothing is learned
    assert taught(0.9).persistence.mean[0] == usual
    assert taught(1.5).persistence.mean[0] > usual
    assert taught(0.5).persistence.mean[0] > usual


WORK = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)


def core(days: float, error: float) -> PairInHindsight:
    pair = Pair(
        tag="a", core=UUID(int=1), time=WORK + timedelta(days=days), sensor=1.0 + error, core_height=1.0, thickness=1.0,
        extra_var=0.0, height=1.0, foretold=0.0, foretold_sd=0.1, sound=1.0, wrong=0.0, stepped=0.0, offset=0.0, offset_sd=0.1,
    )  # fmt: skip
    return PairInHindsight(pair, 0.0, 0.0, error, 0.1, error, 0.1, error, 0.0)


@pytest.mark.parametrize(("cores", "enough"), [(LEAST_CORES - 1, False), (LEAST_CORES, True)])
def test_three_cores_on_a_side_prove_work_and_two_do_not(cores: int, enough: bool) -> None:
    assert LEAST_CORES == 3
    points = [
        *(core(-day - 1, -0.3 - 0.01 * day) for day in range(5)),
        *(core(day + 1, 0.01 * day) for day in range(cores)),
    ]
    proof = work_proof(points, WORK)
    assert (proof.after.interval is not None) is enough
    assert (proof.change is not None) is enough


def test_worked_examples_of_loading_by_hand() -> None:
    """A gravity thickener of 1,000 m³/d at 1 % and 40 kg/(m²·d): 10,000 kg/d on 250 m², 17.8 m across (handbook example, by hand).

    An 80 ft tank with 4 and 1.2 MGD at 2,700 mg/L: 5.2 x 8.34 x 2,700 lb/d on 5,027 ft² are 23.3 lb/d.ft² (by hand).
    """
    across = (4.0 * (1000.0 * 10.0 / 40.0) / math.pi) ** 0.5
    assert across == pytest.approx(17.84, abs=0.01)
    thickener = Tank(
        key="g", label="G", kind=TankKind.THICKENER, shape=TankShape.CIRCULAR, diameter=across, side_water_depth=3.5
    )
    load = tank_load(thickener, Conditions(flow=to_si(1000.0, "m3/d"), feed_solids=10.0))
    assert from_si(load.solids_loading or 0.0, "kg/m2.d") == pytest.approx(40.0)
    clarifier = Tank(
        key="c",
        label="C",
        kind=TankKind.SECONDARY,
        shape=TankShape.CIRCULAR,
        diameter=80.0 * FT,
        side_water_depth=14.0 * FT,
    )
    given = Conditions(flow=to_si(4.0, "MGD"), return_flow=to_si(1.2, "MGD"), feed_solids=to_si(2700.0, "mg/L"))
    assert from_si(tank_load(clarifier, given).solids_loading or 0.0, "lb/d.ft2") == pytest.approx(23.3, abs=0.05)
