"""A tank's own limits, return capacity and settling correlation in the site file."""

from __future__ import annotations

import pytest

from service.domain.loading.limits import LoadTerms, Quantity, limits_for
from service.domain.plant.units import to_si
from service.site import check_site
from service.site.site import parse_site
from tests.unit.site.test_example import TEXT

PLACE = 'key = "west"\n'


def _with(line: str) -> str:
    return TEXT.replace(PLACE, f"{PLACE}{line}\n", 1)


def _terms(text: str) -> LoadTerms:
    return next(setup.terms for setup in parse_site(text).setups() if setup.tank.key == "west")


def test_nothing_said_is_nothing_of_its_own() -> None:
    assert _terms(TEXT) == LoadTerms()


def test_limits_are_read_in_the_unit_of_what_they_limit() -> None:
    terms = _terms(
        _with(
            'limits = { overflow_rate = 1000, solids_loading = "5 kg/m2.h", blanket_share = "30 %" }\n'
            'return_capacity = 3\nsettling = "pitman-1984"'
        )
    )
    assert terms.limits == {
        Quantity.OVERFLOW_RATE: pytest.approx(to_si(1000.0, "gpd/ft2")),
        Quantity.SOLIDS_LOADING: 5.0,
        Quantity.BLANKET_SHARE: 0.3,
    }
    assert terms.return_capacity == pytest.approx(to_si(3.0, "MGD"))
    assert terms.correlation == "pitman-1984"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('limits = { overflow_rate = "10 ft" }', "ft measures length"),
        ("limits = { weir_loading = 0 }", "not above zero"),
        ("limits = { wier_loading = 20000 }", "weir_loading"),
        ('settling = "pitmann-1984"', "pitman-1984"),
        ("return_capacity = -1", "not above zero"),
    ],
)
def test_each_mistake_is_told_once_on_its_line(line: str, words: str) -> None:
    text = _with(line)
    [finding] = [f for f in check_site(text) if f.severity == "error"]
    assert text.splitlines()[finding.line - 1] == line
    assert words in f"{finding.problem} {finding.remedy}"


def _source(text: str, quantity: Quantity) -> tuple[float, str]:
    site = parse_site(text)
    setup = next(one for one in site.setups() if one.tank.key == "west")
    found = next(
        one for one in limits_for(setup.tank, setup.terms.limits, setup.terms.design) if one.quantity is quantity
    )
    return found.value, found.source


def test_published_limits_go_by_process_and_size() -> None:
    """Ten States Standards ch. 70, from memory: 1200 and 40 conventional, 1000 and 35 nitrifying; weirs 20 000 up to 1 MGD."""
    assert _source(TEXT, Quantity.OVERFLOW_RATE)[0] == pytest.approx(to_si(1200.0, "gpd/ft2"))
    nitrifying = _with('process = "nitrifying"')
    assert _source(nitrifying, Quantity.OVERFLOW_RATE)[0] == pytest.approx(to_si(1000.0, "gpd/ft2"))
    value, source = _source(nitrifying, Quantity.SOLIDS_LOADING)
    assert value == pytest.approx(to_si(35.0, "lb/d.ft2"))
    assert "nitrification" in source
    assert _source(TEXT, Quantity.WEIR_LOADING)[0] == pytest.approx(to_si(30_000.0, "gpd/ft"))
    for flow, weir in ((1.0, 20_000.0), (1.01, 30_000.0)):
        small = TEXT.replace("\n[[tank]]", f"\ndesign_flow = {flow}\n\n[[tank]]", 1)
        assert _source(small, Quantity.WEIR_LOADING)[0] == pytest.approx(to_si(weir, "gpd/ft"))


def test_a_thickener_has_limits_of_its_own_by_its_sludge() -> None:
    """Metcalf & Eddy, gravity thickeners, from memory: up to 40 kg/(m²·d) of waste activated sludge, 80 mixed, 150 primary."""
    text = TEXT.replace(f'{PLACE}label = "West clarifier"\nkind = "secondary"', f'{PLACE}kind = "thickener"', 1)
    for process, limit in (("mixed sludge", 80.0), ("waste activated sludge", 40.0), ("primary sludge", 150.0)):
        written = text.replace(PLACE, f'{PLACE}process = "{process}"\n', 1)
        assert _source(written, Quantity.SOLIDS_LOADING)[0] == pytest.approx(to_si(limit, "kg/m2.d"))
    assert _source(text, Quantity.SOLIDS_LOADING)[0] == pytest.approx(to_si(80.0, "kg/m2.d"))


def test_a_process_that_does_not_fit_the_tank_is_told() -> None:
    [finding] = [f for f in check_site(_with('process = "primary sludge"')) if f.severity == "error"]
    assert "does not fit a secondary tank" in finding.problem
    assert '"nitrifying"' in finding.remedy
