"""The permit in the site file: read in the site's units, every mistake told, and what follows for meters and alarms."""

from __future__ import annotations

import pytest

from service.alarms.definition import AlarmKind
from service.domain.effluent.permit import SECONDARY_TREATMENT, Measure, Term
from service.domain.plant.signal import SignalKind
from service.domain.plant.units import to_si
from service.site import check_site
from service.site.site import Site, parse_site
from tests.unit.site.test_example import TEXT

METER = """
[[signal]]
tag = "EFFLUENT_SOLIDS"
kind = "effluent_solids"
unit = "mg/L"

[[signal]]
tag = "EAST_SOLIDS"
kind = "effluent_solids"
tank = "east"
unit = "mg/L"
limit = 20
"""


def _text(permit: str) -> str:
    return f"{TEXT}\n{METER}\n[permit]\n{permit}\n"


def _site(permit: str) -> Site:
    return parse_site(_text(permit))


def test_limits_are_read_in_the_site_s_units() -> None:
    found = _site(
        'name = "P (invented)"\nsolids = { monthly_average = 30, weekly_average = 45 }\n'
        'load = { monthly_average = 1000 }\nturbidity = { daily_maximum = "10 NTU" }\nweek_starts = "monday"'
    ).permit
    assert found.limit(Measure.SOLIDS, Term.MONTHLY) == pytest.approx(0.030)
    assert found.limit(Measure.LOAD, Term.MONTHLY) == pytest.approx(to_si(1000.0, "lb/d"))
    assert found.limit(Measure.TURBIDITY, Term.DAILY) == pytest.approx(10.0)
    assert (found.week_starts, found.approaching, found.name) == (0, 0.8, "P (invented)")


def test_secondary_treatment_s_published_averages_are_thirty_and_forty_five() -> None:
    # 40 CFR 133.102(b)(1), (2), from memory: suspended solids 30 mg/L in 30 days, 45 mg/L in 7 days.
    assert (SECONDARY_TREATMENT.monthly, SECONDARY_TREATMENT.weekly) == (0.030, 0.045)


@pytest.mark.parametrize(
    ("permit", "words"),
    [
        ("name = 'empty'", "has no limit"),
        ("solids = { monthly_average = 45, weekly_average = 30 }", "above its weekly average"),
        ("solids = { daily_average = 30 }", "write daily_maximum"),
        ("solids = { monthly_average = 0 }", "not above zero"),
        ("solids = { montly_average = 30 }", "monthly_average"),
        ('solids = { monthly_average = "30 lb/d" }', "measures mass rate"),
        ("load = { instantaneous_maximum = 3 }", "no such key"),
        ('solids = { monthly_average = 30 }\nsampled_tanks = ["eest"]', 'did you mean "east"'),
        ("solids = { monthly_average = 30 }\napproaching = 1.5", "no share of a limit"),
    ],
)
def test_each_mistake_is_told_once_in_the_permit(permit: str, words: str) -> None:
    [finding] = [f for f in check_site(_text(permit)) if f.severity == "error"]
    assert finding.field.startswith("permit")
    assert words in f"{finding.problem} {finding.remedy}"


@pytest.mark.parametrize(
    ("permit", "words"),
    [
        ('solids = { monthly_average = "30 g/L" }', "not usual"),
        ("turbidity = { daily_maximum = 10 }", "laboratory values alone"),
    ],
)
def test_what_is_probably_not_meant_is_said(permit: str, words: str) -> None:
    assert any(words in finding.problem for finding in check_site(_text(permit)) if finding.severity == "warning")


def test_a_load_without_a_flow_cannot_be_judged() -> None:
    text = _text("load = { monthly_average = 1000 }").replace('kind = "flow"', 'kind = "waste_flow"')
    assert any("no flow is measured" in finding.problem for finding in check_site(text))


def test_its_day_s_limit_is_that_of_a_meter_and_a_lower_one_of_the_site_stays() -> None:
    signals = _site("solids = { monthly_average = 30, weekly_average = 45, daily_maximum = 60 }").signals()
    assert signals["EFFLUENT_SOLIDS"].limit == pytest.approx(0.060)
    assert signals["EAST_SOLIDS"].limit == pytest.approx(0.020)
    signals = _site("solids = { monthly_average = 10 }").signals()
    assert {signals[tag].limit for tag in ("EFFLUENT_SOLIDS", "EAST_SOLIDS")} == {0.010}


def test_a_moment_s_limit_is_known_of_every_tank_with_and_without_a_meter() -> None:
    site = parse_site(f'{TEXT}\n[permit]\nsolids = {{ daily_maximum = 60 }}\nsampled_tanks = ["east"]\n')
    assert site.permit.sampled_tanks == ("east",)
    assert {setup.tank.key: setup.terms.effluent for setup in site.setups()}["east"] == {
        SignalKind.EFFLUENT_SOLIDS: pytest.approx(0.060)
    }


def test_it_brings_alarms_near_its_averages_and_over_them() -> None:
    def kinds(site: Site) -> dict[AlarmKind, float | None]:
        return {d.kind: d.limit for d in site.alarm_definitions() if d.tank is None and d.kind is not AlarmKind.SYSTEM}

    assert kinds(parse_site(TEXT)) == {}
    found = kinds(_site('solids = { monthly_average = 30 }\napproaching = "75 %"'))
    assert found == {AlarmKind.EFFLUENT_SOLIDS: 0.030, AlarmKind.PERMIT_NEAR: 0.75, AlarmKind.PERMIT_OVER: 1.0}


def test_the_day_s_limit_goes_before_the_single_value_s_for_a_value_of_this_moment() -> None:
    found = _site("solids = { daily_maximum = 60, instantaneous_maximum = 100 }").permit
    live = found.live(Measure.SOLIDS)
    assert live is not None
    assert live.term is Term.DAILY
    assert live.value == pytest.approx(0.060)
