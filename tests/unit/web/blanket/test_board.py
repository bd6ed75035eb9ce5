"""What a card says of the time left, and which tank stands first."""

from __future__ import annotations

import math

import pytest

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.forecast.outlook import TimeToDanger
from service.web.blanket.board import TankView
from tests.support.plant import NIGHT, tank


def view(
    clearance: float, *, rate: float = 0.0, trust: Trust = Trust.GOOD, forecast: TimeToDanger | None = None
) -> TankView:
    return TankView(
        setup=TankSetup(tank=tank(), blankets=()),
        estimate=Estimate(
            tank="east",
            time=NIGHT,
            height=4.0 - clearance,
            sd=0.1,
            rate=rate,
            trust=trust,
            reason=EstimateReason.SENSOR,
        ),
        heard_at=NIGHT,
        heard_late=False,
        samples=(),
        core=None,
        past=None,
        alarms=(),
        warning_limit=1.2,
        danger_limit=0.6,
        forecast=forecast,
    )


def ahead(likely: float, early: float) -> TimeToDanger:
    return TimeToDanger(likely=likely, early=early, late=math.inf, cautious=early)


@pytest.mark.parametrize(
    ("clearance", "level"),
    [(2.0, "normal"), (1.21, "normal"), (1.19, "warning"), (0.61, "warning"), (0.59, "danger"), (-0.1, "danger")],
)
def test_the_level_follows_the_limits(clearance: float, level: str) -> None:
    assert view(clearance).level == level


def test_without_a_forecast_the_rate_is_followed_while_it_means_something() -> None:
    assert view(1.6, rate=0.5).to_danger == pytest.approx(2.0)
    assert view(1.6, rate=-0.5).to_danger is None
    assert view(1.6, rate=0.01).to_danger is None  # a hundred hours: nobody foresees that
    assert view(1.6, rate=0.5, trust=Trust.BLIND).to_danger is None
    assert view(0.5, rate=0.5).to_danger is None  # it is there already
    assert view(0.5, rate=0.5).to_weir == pytest.approx(1.0)


def test_a_forecast_stands_above_the_rate_also_when_it_sees_no_danger() -> None:
    soon = view(1.6, rate=0.5, forecast=ahead(3.0, 1.5))
    assert (soon.to_danger, soon.early) == (3.0, 1.5)
    never = view(1.6, rate=0.5, forecast=ahead(math.inf, math.inf))
    assert (never.to_danger, never.early) == (None, None)


def test_the_least_clear_water_stands_first_within_a_level_and_danger_before_all() -> None:
    tanks = [view(2.0), view(0.7), view(0.5), view(1.5), view(1.1)]
    assert [t.clearance for t in sorted(tanks, key=lambda t: t.order)] == pytest.approx([0.5, 0.7, 1.1, 1.5, 2.0])
