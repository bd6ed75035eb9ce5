"""Settling velocities and their correlations."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.loading.settling import (
    CORRELATIONS,
    Correlation,
    Vesilind,
    daigger_1995,
    daigger_roper_1985,
    hartel_popel_1992,
    pitman_1984,
    settling_at,
    wahlberg_keinath_1988,
)
from service.domain.plant.units import from_si
from service.errors import DomainError


# Values recomputed from the published formulas; coefficients of Daigger & Roper and of Härtel & Pöpel are from memory.
@pytest.mark.parametrize(
    ("svi", "roper_k", "daigger_k", "hartel_v0", "hartel_k"),
    [
        (100.0, 0.3580, 0.3240, 9.55178, 0.492946),
        (150.0, 0.4630, 0.4035, 7.12563, 0.631621),
        (200.0, 0.5680, 0.4830, 5.74670, 0.735334),
        (300.0, 0.7780, 0.6420, 4.51753, 0.870910),
    ],
)
def test_unstirred_correlations(
    svi: float, roper_k: float, daigger_k: float, hartel_v0: float, hartel_k: float
) -> None:
    assert daigger_roper_1985(svi).k == pytest.approx(roper_k)
    assert daigger_1995(svi).k == pytest.approx(daigger_k)
    assert hartel_popel_1992(svi).v0 == pytest.approx(hartel_v0, abs=1e-5)
    assert hartel_popel_1992(svi).k == pytest.approx(hartel_k, abs=1e-6)


def test_daigger_1995_as_quoted_in_feet() -> None:
    # A secondary source quotes 21.3 ft/h and 0.165 + 0.001586 SVI.
    assert from_si(daigger_1995(120.0).v0, "ft/h") == pytest.approx(21.3, abs=0.05)
    assert daigger_1995(120.0).k == pytest.approx(0.165 + 0.001586 * 120.0, rel=2e-3)


@pytest.mark.parametrize(
    ("ssvi", "pitman_k", "pitman_v0", "wahlberg_v0", "wahlberg_k"),
    [
        (60.0, 0.323926, 8.42156, 11.610, 0.391080),
        (80.0, 0.378543, 7.14641, 10.380, 0.466320),
        (100.0, 0.433160, 5.93809, 9.150, 0.585000),
        (120.0, 0.487776, 4.85563, 7.920, 0.747120),
    ],
)
def test_stirred_correlations(
    ssvi: float, pitman_k: float, pitman_v0: float, wahlberg_v0: float, wahlberg_k: float
) -> None:
    assert pitman_1984(ssvi).k == pytest.approx(pitman_k, abs=1e-6)
    assert pitman_1984(ssvi).v0 == pytest.approx(pitman_v0, abs=1e-5)
    assert wahlberg_keinath_1988(ssvi).v0 == pytest.approx(wahlberg_v0)
    assert wahlberg_keinath_1988(ssvi).k == pytest.approx(wahlberg_k)


@pytest.mark.parametrize("correlation", CORRELATIONS.values(), ids=CORRELATIONS.keys())
def test_worse_index_settles_slower(correlation: Correlation) -> None:
    speeds = [correlation.formula(index).speed(4.0) for index in (60.0, 90.0, 120.0, 150.0)]
    assert speeds == sorted(speeds, reverse=True)


@pytest.mark.parametrize("name", CORRELATIONS)
def test_however_bad_the_sludge_its_settling_is_answered_and_never_gets_better(name: str) -> None:
    speeds = [settling_at(name, float(index)).sludge.speed(3.0) for index in (150, 219, 221, 249, 310, 600, 1000, 5000)]
    assert speeds == sorted(speeds, reverse=True)
    assert all(speed >= 0.0 for speed in speeds)


def test_flux_peaks_where_it_should() -> None:
    sludge = Vesilind(6.5, 0.4)
    grid = np.linspace(0.1, 10.0, 100_001)
    flux = grid * 6.5 * np.exp(-0.4 * grid)
    assert sludge.peak_solids == pytest.approx(grid[flux.argmax()], abs=1e-3)
    assert sludge.peak_flux == pytest.approx(flux.max())


@pytest.mark.parametrize("bad", [0.0, -3.0, 2000.0, float("nan")])
def test_impossible_indices_are_refused(bad: float) -> None:
    with pytest.raises(DomainError):
        daigger_1995(bad)
    with pytest.raises(DomainError):
        Vesilind(-1.0, 0.4)
    with pytest.raises(DomainError):
        wahlberg_keinath_1988(300.0)  # its speed would be negative


@pytest.mark.parametrize(("index", "outside"), [(34.9, True), (35.0, False), (220.0, False), (220.1, True)])
def test_a_sludge_at_the_ends_of_what_a_correlation_was_fitted_to_is_inside(index: float, outside: bool) -> None:
    # Daigger 1995: indices from 35 to 220 mL/g.
    assert settling_at("daigger-1995", index).outside_fit is outside
