"""Checks of a hand core before it is kept."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.cores.check import (
    CORE_SD,
    CoreFinding,
    CoreProblem,
    CoreSeverity,
    ExpectedCore,
    check_core,
    expected_from_cores,
    refused,
)
from service.domain.cores.core import Core
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import UnitSystem

NOW = datetime(2026, 3, 14, 22, 0, tzinfo=UTC)
TANK = Tank(
    key="east",
    label="East tank",
    kind=TankKind.SECONDARY,
    shape=TankShape.CIRCULAR,
    side_water_depth=4.0,
    floor_slope=1 / 12,
    diameter=30.0,
)
CORE = Core(
    id=UUID(int=1), tank="east", taken_at=NOW, recorded_at=NOW, thickness=1.2, distance_from_wall=6.0
)  # floor 0.5 m below datum there: height 0.7 m
EXPECTED = ExpectedCore(height=0.7, sd=0.1)


def check(
    core: Core, *, expected: ExpectedCore | None = EXPECTED, typed_unit: str = "m", units: UnitSystem = "si"
) -> tuple[CoreFinding, ...]:
    return check_core(core, TANK, now=NOW, units=units, typed_unit=typed_unit, expected=expected)


def only(findings: tuple[CoreFinding, ...]) -> CoreFinding:
    assert len(findings) == 1, findings
    return findings[0]


def test_a_core_that_agrees_passes_without_a_word() -> None:
    assert check(CORE) == ()
    assert check(CORE, expected=None) == ()


def test_a_tank_is_as_deep_as_its_floor_lies_where_the_sampler_stood() -> None:
    # 4.0 m at the wall, 0.5 m more where the sampler stood.
    assert check(replace(CORE, thickness=4.4), expected=None) == ()
    finding = only(check(replace(CORE, thickness=4.7), expected=None))
    assert (finding.problem, finding.severity) == (CoreProblem.DEEPER_THAN_TANK, CoreSeverity.REFUSE)
    assert "4.50 m of water" in finding.sentence
    at_the_wall = replace(CORE, thickness=4.4, distance_from_wall=0.0)
    assert only(check(at_the_wall, expected=None)).problem is CoreProblem.DEEPER_THAN_TANK


def test_fluff_needs_room_too() -> None:
    assert check(replace(CORE, thickness=3.0, fluff=4.0), expected=None) == ()
    finding = only(check(replace(CORE, thickness=3.0, fluff=5.0), expected=None))
    assert finding.problem is CoreProblem.DEEPER_THAN_TANK
    assert "5.00 m of fluff" in finding.sentence


def test_fluff_is_its_top_and_lies_above_the_sludge() -> None:
    assert check(replace(CORE, thickness=3.0, fluff=3.0), expected=None) == ()
    finding = only(check(replace(CORE, thickness=3.0, fluff=0.5), expected=None))
    assert (finding.problem, finding.severity) == (CoreProblem.FLUFF_BELOW_SLUDGE, CoreSeverity.CONFIRM)
    assert "write 3.50 m" in finding.sentence


def test_what_is_too_deep_says_in_which_unit_it_would_fit() -> None:
    finding = only(check(replace(CORE, thickness=8.0), expected=None))
    assert "it would fit as 8 cm (0.08 m) or 8.0 ft (2.44 m) or 8 in (0.20 m)" in finding.sentence
    finding = only(check(replace(CORE, thickness=50.0), expected=None))
    assert "it would fit as 50 cm (0.50 m) or 50 in (1.27 m)" in finding.sentence
    assert "Check the number and its unit." in only(check(replace(CORE, thickness=9999.0), expected=None)).sentence


def test_the_future_is_refused_but_for_a_small_clock_difference() -> None:
    assert check(replace(CORE, taken_at=NOW + timedelta(minutes=4))) == ()
    finding = only(check(replace(CORE, taken_at=NOW + timedelta(hours=3))))
    assert (finding.problem, finding.severity) == (CoreProblem.IN_THE_FUTURE, CoreSeverity.REFUSE)
    assert "3 h" in finding.sentence


@pytest.mark.parametrize(
    ("changes", "problem"),
    [
        ({"thickness": -0.1}, CoreProblem.NEGATIVE),
        ({"fluff": -0.1}, CoreProblem.NEGATIVE),
        ({"thickness": math.nan}, CoreProblem.NOT_A_NUMBER),
        ({"distance_from_wall": math.inf}, CoreProblem.NOT_A_NUMBER),
        ({"distance_from_wall": 15.1}, CoreProblem.OUTSIDE_THE_TANK),
        ({"distance_from_wall": -0.1}, CoreProblem.OUTSIDE_THE_TANK),
        ({"arm_position": 400.0}, CoreProblem.OUTSIDE_THE_TANK),
        ({"replicate": 0}, CoreProblem.NO_SUCH_REPLICATE),
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, float], problem: CoreProblem) -> None:
    findings = check(replace(CORE, **changes))  # type: ignore[arg-type]
    assert refused(findings)
    assert only(findings).problem is problem


# Ratios of units that samplers are marked in: exact, NIST SP 811 (2008) appendix B.
@pytest.mark.parametrize(
    ("typed", "typed_unit", "meant", "ratio"),
    [
        (3.937, "m", "ft", 3.2808),  # feet typed as metres: 3.28 times too much
        (1.2, "ft", "m", 1 / 3.2808),  # metres typed as feet
        (3.937, "in", "ft", 1 / 12),  # feet typed as inches: 12 times too little
        (120.0, "in", "cm", 2.54),  # centimetres typed as inches: 2.54 times too much
    ],
)
def test_a_unit_slip_is_suspected_when_the_number_fits_in_another_unit(
    typed: float, typed_unit: str, meant: str, ratio: float
) -> None:
    as_typed = 1.2 * ratio
    finding = only(check(replace(CORE, thickness=as_typed), typed_unit=typed_unit))
    assert (finding.problem, finding.severity) == (CoreProblem.UNIT_SLIP, CoreSeverity.CONFIRM)
    assert f" {meant} (1.20 m) would fit" in finding.sentence
    assert finding.sentence.startswith(f"{typed:.{ {'m': 2, 'ft': 1}.get(typed_unit, 0) }f} {typed_unit} is far")


def test_sentences_speak_the_sites_units() -> None:
    finding = only(check(replace(CORE, thickness=3.6), typed_unit="m", units="us"))
    assert "(3.6 ft) would fit" in finding.sentence
    assert "about 3.9 ft (± 1.2 ft) was expected" in finding.sentence


def test_a_core_far_from_the_estimate_is_asked_about_and_never_refused() -> None:
    finding = only(check(replace(CORE, thickness=2.4)))
    assert (finding.problem, finding.severity) == (CoreProblem.FAR_FROM_ESTIMATE, CoreSeverity.CONFIRM)
    assert "much more than the estimate" in finding.sentence
    assert "much less" in only(check(replace(CORE, thickness=0.0))).sentence


def test_far_means_three_standard_deviations_of_both_together() -> None:
    limit = 3.0 * math.hypot(0.1, CORE_SD)
    assert check(replace(CORE, thickness=1.2 + limit - 0.001)) == ()
    assert check(replace(CORE, thickness=1.2 + limit + 0.001)) != ()
    assert check(replace(CORE, thickness=2.4), expected=ExpectedCore(0.7, 1.0)) == (), "an unsure estimate asks nobody"


@given(
    thickness=st.floats(0.0, 4.5),
    height=st.floats(-1.25, 4.0),
    sd=st.floats(0.0, 2.0),
    unit=st.sampled_from(["m", "ft"]),
)
def test_a_possible_core_is_never_refused_whatever_the_estimate_says(
    thickness: float, height: float, sd: float, unit: str
) -> None:
    findings = check(replace(CORE, thickness=thickness), expected=ExpectedCore(height, sd), typed_unit=unit)
    assert not refused(findings)
    assert len(findings) <= 1


def test_recent_cores_stand_in_for_an_estimate() -> None:
    def taken(days_ago: float, thickness: float) -> Core:
        return replace(CORE, taken_at=NOW - timedelta(days=days_ago), thickness=thickness)

    recent = [taken(0.0, 1.3), taken(1.0, 1.2), taken(2.0, 1.1), taken(3.0, 3.0), taken(-1.0, 4.0)]
    expected = expected_from_cores(recent, TANK, NOW)
    assert expected is not None
    assert expected.height == pytest.approx(0.7), "median of the last three: 1.2 m, less the 0.5 m of floor"
    assert expected.sd == pytest.approx(math.hypot(CORE_SD, 0.1))
    a_day_on = expected_from_cores(recent[:1], TANK, NOW + timedelta(days=1))
    assert a_day_on is not None
    assert a_day_on.sd == pytest.approx(math.hypot(CORE_SD, 0.5))
    assert expected_from_cores([taken(20.0, 1.0)], TANK, NOW) is None
    two = expected_from_cores([taken(0.0, 1.0), taken(1.0, 1.2)], TANK, NOW)
    assert two is not None
    assert two.height == pytest.approx(0.6)


def test_a_core_in_a_rectangular_tank_counts_along_it_from_where_the_floor_is_highest() -> None:
    """A 1:100 floor, 30 of 40 m along: 0.3 m deeper there than at the datum."""
    long = replace(TANK, shape=TankShape.RECTANGULAR, diameter=None, length=40.0, width=8.0, floor_slope=0.01)
    assert long.height_from_thickness(1.2, 30.0) == pytest.approx(0.9)
    assert long.lowest_height == pytest.approx(-0.4)
    (found,) = check_core(replace(CORE, distance_from_wall=41.0), long, now=NOW, units="si", typed_unit="m")
    assert found.problem is CoreProblem.OUTSIDE_THE_TANK
    assert "41.00 m from the end wall where the floor is highest is outside East tank" in found.sentence
    assert "the far end is 40.00 m from it" in found.sentence
