"""Slips of the unit in laboratory values are asked about; only what cannot be is refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import pytest

from service.domain.cores.check import CoreSeverity
from service.domain.laboratory.check import check_result
from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult, units_of
from service.domain.plant.units import UNITS, to_si

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)


def result(kind: LaboratoryKind, typed: float, unit: str, **more: Any) -> LaboratoryResult:
    given: dict[str, Any] = {"id": uuid4(), "tank": None, "taken_at": NOW, "recorded_at": NOW} | more
    return LaboratoryResult(kind=kind, value=to_si(typed, unit), **given)


@pytest.mark.parametrize(
    ("kind", "typed", "unit", "says"),
    [
        # 2.7 g/L typed where mg/L is read, and the other way round.
        (LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2.7, "mg/L", "As 2.70 g/L it would fit"),
        (LaboratoryKind.RETURN_SOLIDS, 0.8, "mg/L", "As 0.800 % solids it would fit"),
        (LaboratoryKind.TEMPERATURE, 59.0, "degC", "As 59.0 °F it would fit"),
        # 44.3 mg/L of nitrate are 10 of nitrogen (62.0049 / 14.0067, atomic weights).
        (LaboratoryKind.NITRATE, 44.3, "mg/L", "As nitrogen it is 10.0 mg/L"),
    ],
)
def test_a_slip_of_the_unit_is_asked_about_with_the_unit_that_fits(
    kind: LaboratoryKind, typed: float, unit: str, says: str
) -> None:
    [finding] = check_result(result(kind, typed, unit), unit, (), NOW)
    assert finding.severity is CoreSeverity.CONFIRM
    assert says in finding.sentence


def test_the_plants_own_recent_values_are_asked_before_the_trades() -> None:
    before = [
        result(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 1100, "mg/L", taken_at=NOW - timedelta(days=day))
        for day in (1, 2, 3)
    ]
    usual_elsewhere = result(LaboratoryKind.MIXED_LIQUOR_SOLIDS, 5000, "mg/L")
    assert check_result(usual_elsewhere, "mg/L", (), NOW) == ()
    [finding] = check_result(usual_elsewhere, "mg/L", before, NOW)
    assert "about 1,100 mg/L was usual of late" in finding.sentence
    # And those of another test say nothing: a volume after five minutes is not one after thirty.
    other = [
        result(LaboratoryKind.SETTLED_VOLUME, 900, "mL/L", minute=5, taken_at=NOW - timedelta(days=d))
        for d in (1, 2, 3)
    ]
    assert check_result(result(LaboratoryKind.SETTLED_VOLUME, 220, "mL/L", minute=30), "mL/L", other, NOW) == ()


@pytest.mark.parametrize(
    ("made", "problem"),
    [
        (result(LaboratoryKind.SETTLED_VOLUME, 1001, "mL/L", minute=30), "impossible"),
        (result(LaboratoryKind.SETTLED_VOLUME, 250, "mL/L"), "no such minute"),
        (result(LaboratoryKind.SETTLED_VOLUME, 250, "mL/L", minute=30, dilution=0.5), "dilution"),
        (result(LaboratoryKind.NITRATE, 8, "mg/L", minute=30), "not a settling test"),
        (result(LaboratoryKind.NITRATE, 8, "mg/L", taken_at=NOW + timedelta(hours=1)), "in the future"),
        (result(LaboratoryKind.NITRATE, float("nan"), "mg/L"), "not a number"),
    ],
)
def test_what_cannot_be_is_refused(made: LaboratoryResult, problem: str) -> None:
    findings = check_result(made, "mg/L", (), NOW)
    assert [(f.problem, f.severity) for f in findings] == [(problem, CoreSeverity.REFUSE)]


def test_what_is_refused_says_which_unit_would_fit() -> None:
    [finding] = check_result(result(LaboratoryKind.TEMPERATURE, 15.0, "degF"), "degF", (), NOW)  # ice, at -9 °C
    assert finding.severity is CoreSeverity.REFUSE
    assert finding.sentence.endswith("As 15.0 °C it would fit.")


def test_every_kind_can_be_typed_in_units_of_its_dimension_and_its_ranges_nest() -> None:
    for kind, traits in TRAITS.items():
        assert {UNITS[u].dimension for u in units_of(kind, "us")} == {traits.dimension}
        assert traits.possible[0] <= traits.usual[0] < traits.usual[1] <= traits.possible[1]
    assert set(TRAITS) == set(LaboratoryKind)


def test_a_test_is_named_with_what_sets_it_apart() -> None:
    stirred = LaboratoryResult(
        id=UUID(int=1), kind=LaboratoryKind.SETTLED_VOLUME, tank=None, taken_at=NOW, recorded_at=NOW, value=200.0,
        minute=30, stirred=True,
    )  # fmt: skip
    assert stirred.name == "settled volume after 30 min, stirred"
