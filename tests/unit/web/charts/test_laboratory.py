"""A trend of the laboratory's values: one kind, one place, never two tests in one line."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest

from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.web.charts.laboratory import TRENDS, kinds_of, trend_plot
from service.web.charts.plot import Plot

END = datetime(2026, 3, 31, tzinfo=UTC)
ZONE = ZoneInfo("UTC")


def value(days_ago: float, kind: LaboratoryKind, amount: float, tank: str | None = None, **more: object) -> LaboratoryResult:  # fmt: skip
    at = END - timedelta(days=days_ago)
    return LaboratoryResult(id=uuid4(), kind=kind, tank=tank, taken_at=at, recorded_at=at, value=amount, **more)  # type: ignore[arg-type]


def drawn(trend: str, *results: LaboratoryResult, tank: str | None = None) -> Plot | None:
    return trend_plot(trend, results, tank, (END - timedelta(days=31), END), "us", ZONE)


def test_each_cylinder_has_its_own_index() -> None:
    day = (
        value(1.0, LaboratoryKind.MIXED_LIQUOR_SOLIDS, 2.4),
        value(1.0, LaboratoryKind.SETTLED_VOLUME, 240.0, minute=30),
        value(1.0, LaboratoryKind.SETTLED_VOLUME, 120.0, minute=30, dilution=2.5),
        value(1.0, LaboratoryKind.SETTLED_VOLUME, 620.0, minute=5),
    )
    # By hand: 240/2.4, and 120 x 2.5/2.4.
    for trend, said in (("index_plain", "100"), ("index_diluted", "125")):
        plot = drawn(trend, *day)
        assert plot is not None
        assert plot.words.endswith(f"1 values, from {said} to {said} mL/g"), plot.words
        assert len(plot.marks) == 1
    assert drawn("index_stirred", *day) is None


def test_a_tanks_values_are_full_marks_and_the_plants_open_ones() -> None:
    liquor = LaboratoryKind.MIXED_LIQUOR_SOLIDS
    results = (value(20.0, liquor, 2.0), value(5.0, liquor, 3.0, "east"), value(4.0, liquor, 9.0, "west"), value(2.0, liquor, 3.2, "east"))  # fmt: skip
    plot = drawn(liquor.value, *results, tank="east")
    assert plot is not None
    assert [m.name for m in plot.marks] == ["past", "now", "now"]
    assert plot.y_name == "mixed-liquor solids (mg/L)"
    assert "from 2000 to 3200 mg/L" in plot.words
    whole = drawn(liquor.value, *results)
    assert whole is not None
    assert len(whole.marks) == 1


def test_no_line_over_weeks_nobody_measured() -> None:
    plot = drawn("temperature", *(value(d, LaboratoryKind.TEMPERATURE, 15.0) for d in (30.0, 29.0, 3.0, 2.0)))
    assert plot is not None
    assert [line.points.count(",") for line in plot.lines] == [2, 2]
    assert "59" in plot.words


@pytest.mark.parametrize("trend", TRENDS)
def test_every_trend_can_be_drawn(trend: str) -> None:
    volume = LaboratoryKind.SETTLED_VOLUME
    cylinders = (
        value(2.0, volume, 200.0, minute=30, stirred=s, dilution=d)
        for s, d in ((False, 1.0), (False, 2.0), (True, 1.0))
    )
    others = (value(2.0, kind, 0.5) for kind in kinds_of(trend) if kind is not volume)
    assert drawn(trend, *cylinders, *others) is not None
