"""Sludge indices and return flow from the settling test, against published examples."""

from __future__ import annotations

import pytest

from service.domain.loading.settleability import (
    diluted_index,
    return_flow_from_settled_volume_60,
    return_ratio_from_settled_volume,
    settled_solids,
    sludge_density_index,
    sludge_volume_index,
    stirred_index_at,
)
from service.domain.plant.units import to_si
from service.errors import DomainError


def test_index_of_the_operator_handbook() -> None:
    # Operator handbook (what-when-how.com, Wastewater Operators), example 8.3: 365 mL/L at 2365 mg/L gives 154.3.
    assert sludge_volume_index(365.0, to_si(2365.0, "mg/L")) == pytest.approx(154.3, abs=0.05)


def test_index_of_an_operator_page() -> None:  # page citing Metcalf & Eddy: 200 mL/L at 3000 mg/L gives 66.7
    assert sludge_volume_index(200.0, 3.0) == pytest.approx(66.7, abs=0.05)


def test_return_ratio_both_ways() -> None:
    # Two forms of one balance (from memory; the identity itself is algebra): SV 250 at 2.5 kg/m3 is SVI 100.
    assert sludge_volume_index(250.0, 2.5) == pytest.approx(100.0)
    thick = settled_solids(100.0)
    assert return_ratio_from_settled_volume(250.0) == pytest.approx(2.5 / (thick - 2.5))
    assert return_ratio_from_settled_volume(250.0) == pytest.approx(0.3333, abs=5e-5)


@pytest.mark.parametrize(
    ("percent", "index", "published"),
    [(0.20, 100.0, 25.0), (0.25, 100.0, 33.3), (0.20, 200.0, 66.7), (0.30, 150.0, 81.8)],
)
def test_return_ratio_as_the_control_manuals_print_it(percent: float, index: float, published: float) -> None:
    """100/(100/(P·SVI) - 1) in percent of the inflow, P the mixed liquor in %, as printed in EPA's process control manual.

    EPA 430/9-77-006, and Metcalf & Eddy; form and figures from memory: the manual's pages could not be read again.
    """
    volume = index * percent * 10.0  # mL/L
    assert 100.0 * return_ratio_from_settled_volume(volume) == pytest.approx(published, abs=0.05)
    assert to_si(percent, "%solids") / (settled_solids(index) - to_si(percent, "%solids")) == pytest.approx(
        published / 100.0, abs=5e-4
    )


def test_return_flow_from_the_hour_test_in_us_units() -> None:
    # Kerri et al. (2007), as quoted: return = (Q + present return) x settled share. Figures here are invented.
    flow = return_flow_from_settled_volume_60(to_si(4.0, "MGD"), to_si(1.5, "MGD"), 280.0)
    assert flow == pytest.approx(to_si(1.54, "MGD"))


def test_variants() -> None:
    assert sludge_density_index(80.0) == pytest.approx(1.25)
    assert diluted_index(190.0, 2.0, 2.8) == pytest.approx(135.714, abs=1e-3)
    assert stirred_index_at([2.0, 3.0, 4.0], [60.0, 70.0, 90.0]) == pytest.approx(80.0)


def test_impossible_tests_are_refused() -> None:
    with pytest.raises(DomainError):
        sludge_volume_index(1200.0, 3.0)
    with pytest.raises(DomainError):
        return_ratio_from_settled_volume(1000.0)
    with pytest.raises(DomainError, match="straddle"):
        stirred_index_at([2.0, 3.0], [60.0, 70.0])
    with pytest.raises(DomainError):
        diluted_index(200.0, 0.5, 3.0)
