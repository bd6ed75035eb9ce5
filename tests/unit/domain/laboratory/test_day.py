"""The day's figures against worked examples, and what they say where something is missing or old."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest

from service.domain.laboratory.day import (
    DayFigure,
    DaySheet,
    IndexKind,
    LaboratoryTerms,
    PlantFlows,
    day_sheet,
    sludge_indices,
)
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.plant.units import from_si, to_si

NOW = datetime(2026, 3, 14, 15, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
LIQUOR, RETURN, WASTE = (
    LaboratoryKind.MIXED_LIQUOR_SOLIDS,
    LaboratoryKind.RETURN_SOLIDS,
    LaboratoryKind.WASTE_SOLIDS,
)
SETTLED, EFFLUENT = LaboratoryKind.SETTLED_VOLUME, LaboratoryKind.EFFLUENT_SOLIDS


def value(kind: LaboratoryKind, typed: float, unit: str, ago: timedelta = HOUR, **more: Any) -> LaboratoryResult:
    at = NOW - ago
    return LaboratoryResult(
        id=uuid4(),
        kind=kind,
        tank=more.pop("tank", None),
        taken_at=at,
        recorded_at=at,
        value=to_si(typed, unit),
        **more,
    )


def settled(volume: float, minute: int = 30, **more: Any) -> LaboratoryResult:
    return value(SETTLED, volume, "mL/L", more.pop("ago", HOUR), minute=minute, **more)


def sheet(*results: LaboratoryResult, flows: PlantFlows | None = None, **terms: Any) -> DaySheet:
    return day_sheet(results, flows or PlantFlows(), LaboratoryTerms(**terms), None, NOW)


def figure(of: DaySheet, key: str) -> DayFigure:
    return next(f for f in of.figures if f.key == key)


@pytest.mark.parametrize(
    ("volume", "liquor", "published"),
    [
        (365.0, 2365.0, 154.3),  # operator handbook (Spellman), worked example 8.3
        (200.0, 3000.0, 66.7),  # operator page citing Metcalf & Eddy
    ],
)
def test_the_plain_index_is_that_of_the_worked_examples(volume: float, liquor: float, published: float) -> None:
    found = figure(sheet(settled(volume), value(LIQUOR, liquor, "mg/L")), "index_plain")
    assert found.value == pytest.approx(published, abs=0.05)


def test_the_three_cylinders_give_three_indices_and_none_stands_in_for_another() -> None:
    liquor = value(LIQUOR, 4000.0, "mg/L")
    cylinders = (settled(900.0), settled(250.0, dilution=2.0), settled(180.0, stirred=True))
    both = sheet(liquor, *cylinders)
    # By hand: 900/4, 250 x 2/4 and 180/4 mL/g.
    assert [figure(both, f"index_{k}").value for k in ("plain", "diluted", "stirred")] == [225.0, 125.0, 45.0]
    for kept, kind in zip(cylinders, IndexKind, strict=True):
        alone = sheet(liquor, kept)
        known = {k for k in IndexKind if figure(alone, f"index_{k.value}").value is not None}
        assert known == {kind}
        # What goes by the plain cylinder says nothing without it.
        for key in ("density_index", "thickens_to"):
            assert (figure(alone, key).value is not None) is (kind is IndexKind.PLAIN)
        assert figure(alone, "return_30").value is None  # no flow
    flows = PlantFlows(flow=0.2, return_flow=0.1)
    assert figure(sheet(liquor, settled(250.0, dilution=2.0), flows=flows), "return_30").value is None


def test_a_full_plain_cylinder_is_told_to_overstate() -> None:
    of = sheet(settled(251.0), value(LIQUOR, 2500, "mg/L"), flows=PlantFlows(flow=0.2))
    assert any("overstates the index" in r for r in figure(of, "index_plain").remarks)
    assert any("too much return" in r for r in figure(of, "return_30").remarks)
    of = sheet(settled(250.0), value(LIQUOR, 2500, "mg/L"), flows=PlantFlows(flow=0.2))
    assert not any("overstates" in r for r in figure(of, "index_plain").remarks)
    assert not any("too much return" in r for r in figure(of, "return_30").remarks)


@pytest.mark.parametrize("volume", [248.0, 249.0, 400.0, 999.0, 1000.0])
def test_no_volume_however_bad_stops_the_sheet(volume: float) -> None:
    of = sheet(
        settled(volume), settled(volume, 60), value(LIQUOR, 800, "mg/L"), flows=PlantFlows(flow=0.2, return_flow=0.1)
    )
    assert figure(of, "index_plain").value == pytest.approx(volume / 0.8)
    assert "bulking" in " ".join(figure(of, "index_plain").remarks)


def test_return_by_the_settling_tests() -> None:
    flows = PlantFlows(flow=to_si(4.0, "MGD"), return_flow=to_si(1.2, "MGD"))
    of = sheet(settled(250.0), settled(200.0, 60), flows=flows)
    # 250/(1000 - 250) of 4 MGD; SV30 of 250 gives a ratio of 0.3333 (both by hand).
    assert from_si(figure(of, "return_30").value or 0.0, "MGD") == pytest.approx(4.0 / 3.0)
    # (4 + 1.2) x 0.2, by hand.
    assert from_si(figure(of, "return_60").value or 0.0, "MGD") == pytest.approx(1.04)


SYSTEM = (
    value(LIQUOR, 2400, "mg/L"),
    value(WASTE, 8000, "mg/L"),
    value(EFFLUENT, 12, "mg/L"),
)


def test_solids_held_and_solids_age_by_the_trades_pounds() -> None:
    """By hand, 8.34 lb a gallon: 1.2 MG at 2,400 mg/L are 24,019 lb; out go 0.04 MGD at 8,000 and 4 MGD at 12 mg/L, 2,669 + 400 lb/d."""
    flows = PlantFlows(flow=to_si(4.0, "MGD"), waste_flow=to_si(0.04, "MGD"))
    of = sheet(*SYSTEM, flows=flows, basin_volume=to_si(1.2, "MG"))
    assert from_si(figure(of, "held").value or 0.0, "lb") == pytest.approx(1.2 * 2400 * 8.34, rel=1e-3)
    age = figure(of, "age").value
    assert age is not None
    assert age / 24.0 == pytest.approx(24019.2 / (2668.8 + 400.3), rel=1e-3)
    # In the settling tanks as much again: the convention is counted, and told where it is not known.
    twice = day_sheet(SYSTEM, flows, LaboratoryTerms(basin_volume=to_si(1.2, "MG")), to_si(24019.2, "lb"), NOW)
    assert (figure(twice, "age").value or 0.0) == pytest.approx(2 * age, rel=1e-3)
    assert any("settling tanks are not known" in r for r in figure(of, "age").remarks)
    assert not any("settling tanks" in r for r in figure(twice, "age").remarks)


def test_waste_to_the_target_age_goes_by_steps() -> None:
    """By hand: 24,019 lb over 9 d are 2,669 lb/d to leave; less 400 over the weir, at 8,000 mg/L: 0.0340 MGD."""
    terms = {"basin_volume": to_si(1.2, "MG"), "target_age": 9 * 24.0, "waste_step": 0.1}
    flows = PlantFlows(flow=to_si(4.0, "MGD"), waste_flow=to_si(0.05, "MGD"))
    of = sheet(*SYSTEM, flows=flows, **terms)
    assert from_si(figure(of, "waste_asked").value or 0.0, "MGD") == pytest.approx(
        (2668.8 - 400.3) / (8.34 * 8000), rel=2e-3
    )
    assert from_si(figure(of, "waste_next").value or 0.0, "MGD") == pytest.approx(0.045)
    near = sheet(*SYSTEM, flows=replace(flows, waste_flow=to_si(0.035, "MGD")), **terms)
    assert figure(near, "waste_next").value == figure(near, "waste_asked").value
    more = sheet(*SYSTEM, flows=replace(flows, waste_flow=to_si(0.02, "MGD")), **terms)
    assert from_si(figure(more, "waste_next").value or 0.0, "MGD") == pytest.approx(0.022)


def test_the_mean_age_takes_each_day_once() -> None:
    days = [value(LIQUOR, 2000 + 200 * d, "mg/L", timedelta(days=d, hours=1)) for d in range(5)]
    days += [value(LIQUOR, 2000, "mg/L", timedelta(hours=k)) for k in (1, 2, 3)]  # the last day, sampled four times
    flows = PlantFlows(waste_flow=to_si(0.04, "MGD"), waste_flow_week=to_si(0.04, "MGD"))
    of = sheet(*days, value(WASTE, 8000, "mg/L"), flows=flows, basin_volume=to_si(1.2, "MG"))
    # Mean of 2,000, 2,200, … 2,800 is 2,400: 1.2 x 2,400 / (0.04 x 8,000) = 9 d, by hand.
    assert (figure(of, "age_mean").value or 0.0) / 24.0 == pytest.approx(9.0)
    assert "5 days" in " ".join(figure(of, "age_mean").remarks)


def test_what_is_missing_is_said_with_who_can_mend_it() -> None:
    missing = {f.key: " ".join(f.missing) for f in sheet().figures}
    assert "whoever keeps the site file sets basin_volume under [laboratory]" in missing["held"]
    assert "sets target_age" in missing["waste_asked"]
    assert "enters it on the day's sheet" in missing["index_plain"]
    assert "technician connects its meter" in missing["return_30"]
    assert all(f.value is None and f.missing for f in sheet().figures)


def test_an_old_value_is_told_and_one_of_last_week_is_none() -> None:
    def at(ago: timedelta) -> DayFigure:
        return figure(sheet(settled(240.0, ago=ago), value(LIQUOR, 2400, "mg/L", ago)), "index_plain")

    assert not any("Old" in r for r in at(timedelta(hours=25)).remarks)
    assert any(r.startswith("Old: from values of 2 d") for r in at(timedelta(days=2)).remarks)
    assert at(timedelta(days=5)).value is None


def test_solids_of_another_time_or_another_tank_make_no_index() -> None:
    assert sludge_indices([settled(240.0), value(LIQUOR, 2400, "mg/L", timedelta(hours=9))]) == ()
    assert sludge_indices([settled(240.0, tank="east"), value(LIQUOR, 2400, "mg/L", tank="west")]) == ()
    [of_plant] = sludge_indices([settled(240.0, tank="east"), value(LIQUOR, 2400, "mg/L")])
    assert of_plant.value == pytest.approx(100.0)


def test_the_stirred_index_at_the_standard_concentration_needs_tests_on_both_sides() -> None:
    liquor = value(LIQUOR, 4500, "mg/L")
    one, two = settled(405.0, stirred=True), settled(87.5, stirred=True, dilution=1.8, ago=2 * HOUR)
    # 405/4.5 = 90 mL/g at 4.5 g/L; 87.5 x 1.8/4.5 = 35 at 2.5 g/L; half way at 3.5: 62.5, by hand.
    assert figure(sheet(liquor, one, two), "index_stirred_35").value == pytest.approx(62.5)
    assert figure(sheet(liquor, one), "index_stirred_35").value is None


@pytest.mark.parametrize(
    ("index", "word"), [(99.0, "dense"), (100.0, "ordinary"), (200.0, "ordinary"), (201.0, "light"), (251.0, "bulking")]
)
def test_the_class_goes_by_the_published_bands(index: float, word: str) -> None:
    """Below 100 old and dense, 100 to 200 ordinary, above 250 bulking: Spellman's handbook, worked-example page."""
    found = figure(sheet(settled(index), value(LIQUOR, 1000, "mg/L")), "index_plain")
    assert word in found.remarks[0]
