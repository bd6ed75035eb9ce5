"""A tank's own limits, return capacity and settling correlation in the site file."""

from __future__ import annotations

import pytest

from service.domain.loading.limits import LoadTerms, Quantity
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
