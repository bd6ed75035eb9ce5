"""What a tank's other signals say: whose word counts, how old it may be, and what is put on the tank."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.forecast.tracker import (
    Heading,
    conditions,
    first_heading,
    follow,
    heading_from_json,
    heading_to_json,
    outlook,
    solids_loading,
)
from service.domain.loading.balance import Conditions
from service.domain.plant.reading import Quality, Reading
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape

#: Untyped, as it stands within tuples and in the place of numbers.
near: Any = pytest.approx

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
K = SignalKind


def signal(tag: str, kind: SignalKind, tank: str | None = None) -> Signal:
    return Signal(tag=tag, kind=kind, tank=tank, unit="m3/h", stale_after=timedelta(minutes=30))


def setup(*others: Signal, kind: TankKind = TankKind.SECONDARY) -> TankSetup:
    tank = Tank(
        key="t", label="T", kind=kind, shape=TankShape.RECTANGULAR, length=40.0, width=9.0, side_water_depth=4.0
    )
    return TankSetup(tank=tank, blankets=(), others=others, share_of_plant=0.25)


def heard(of: TankSetup, **values: float) -> Heading:
    heading = first_heading(of)
    heading.latest = {tag: (NOW.timestamp(), value) for tag, value in values.items()}
    return heading


def seen(*others: Signal, kind: TankKind = TankKind.SECONDARY, **values: Any) -> Conditions:
    of = setup(*others, kind=kind)
    return conditions(of, heard(of, **values), NOW)


def test_flows_of_one_tank_add_up_and_solids_are_averaged() -> None:
    found = seen(
        signal("q1", K.FLOW, "t"), signal("q2", K.FLOW, "t"), signal("x1", K.FEED_SOLIDS), signal("x2", K.FEED_SOLIDS),
        signal("r", K.RETURN_SOLIDS, "t"), q1=0.1, q2=0.05, x1=3.0, x2=4.0, r=9.0,
    )  # fmt: skip
    assert found == Conditions(flow=near(0.15), feed_solids=3.5, return_solids=9.0)


def test_the_tanks_own_word_goes_before_the_plants_and_a_plants_flow_is_shared_out_but_not_its_solids() -> None:
    plant = (signal("Q", K.FLOW), signal("R", K.RETURN_FLOW), signal("X", K.FEED_SOLIDS), signal("U", K.RETURN_SOLIDS))
    all_of: dict[str, Any] = {"Q": 0.4, "R": 0.2, "X": 3.0, "U": 8.0}
    assert seen(*plant, **all_of) == Conditions(
        flow=0.1, return_flow=0.05, feed_solids=3.0, return_solids=8.0, plant_flow=0.4, plant_return=0.2
    )
    own = (signal("q", K.FLOW, "t"), signal("r", K.RETURN_FLOW, "t"), signal("x", K.FEED_SOLIDS, "t"), signal("u", K.RETURN_SOLIDS, "t"))  # fmt: skip
    found = seen(*plant, *own, **all_of, q=0.0, r=0.07, x=2.5, u=7.0)
    assert found == Conditions(
        flow=0.0, return_flow=0.07, feed_solids=2.5, return_solids=7.0, plant_flow=0.4, plant_return=0.2
    )


def test_another_tanks_word_says_nothing_here() -> None:
    assert seen(signal("q", K.FLOW, "other"), signal("Q", K.FLOW, "t"), q=0.3) == Conditions(plant_flow=0.3, flow=0.075)


@pytest.mark.parametrize("kind", [TankKind.PRIMARY, TankKind.THICKENER])
def test_what_a_primary_tank_gives_up_is_its_waste_and_a_secondarys_waste_is_not_drawn_twice(kind: TankKind) -> None:
    waste = signal("w", K.WASTE_FLOW, "t")
    assert seen(waste, kind=kind, w=0.004).return_flow == 0.004
    assert seen(waste, w=0.004).return_flow is None
    both = (waste, signal("r", K.RETURN_FLOW, "t"))
    assert seen(*both, kind=kind, w=0.004, r=0.01).return_flow == 0.01


@pytest.mark.parametrize("kind", [K.FLOW, K.RETURN_FLOW, K.FEED_SOLIDS, K.RETURN_SOLIDS])
def test_a_meter_a_little_under_nothing_says_nothing_flows(kind: SignalKind) -> None:
    found = seen(signal("a", kind, "t"), a=-0.01)
    assert 0.0 in (found.flow, found.return_flow, found.feed_solids, found.return_solids)


def test_a_value_counts_until_its_signal_is_stale_and_no_longer() -> None:
    of = setup(signal("q", K.FLOW, "t"))
    heading = heard(of, q=0.1)
    assert conditions(of, heading, NOW + timedelta(minutes=30)).flow == 0.1
    assert conditions(of, heading, NOW + timedelta(minutes=30, seconds=1)).flow is None


def test_solids_put_on_a_tank_need_its_flow_its_feed_and_a_secondarys_return() -> None:
    q, x, r = signal("q", K.FLOW, "t"), signal("x", K.FEED_SOLIDS, "t"), signal("r", K.RETURN_FLOW, "t")

    def loading(kind: TankKind, **values: float) -> float | None:
        of = setup(q, x, r, kind=kind)
        return solids_loading(of, heard(of, **values), NOW)

    # (flow + return)·solids/area: 0.15 m³/s·3600 s/h·3.5 kg/m³ over 360 m².
    assert loading(TankKind.SECONDARY, q=0.1, x=3.5, r=0.05) == near(5.25)
    assert loading(TankKind.PRIMARY, q=0.1, x=0.3, r=0.05) == near(0.3)
    assert loading(TankKind.PRIMARY, q=0.1, x=0.3) == near(0.3)
    assert loading(TankKind.SECONDARY, q=0.1, x=3.5) is None
    assert loading(TankKind.SECONDARY, x=3.5, r=0.05) is None
    assert loading(TankKind.SECONDARY, q=0.1, r=0.05) is None


def estimate(minutes: float, reason: EstimateReason = EstimateReason.SENSOR) -> Estimate:
    return Estimate(
        tank="t", time=NOW + timedelta(minutes=minutes), height=1.0, sd=0.05, rate=0.0, trust=Trust.GOOD, reason=reason
    )


def reading(minutes: float, value: float, tag: str = "q", quality: Quality = Quality.GOOD) -> Reading:
    return Reading(tag, NOW + timedelta(minutes=minutes), value, quality)


def test_an_estimate_is_seen_with_what_was_heard_by_then() -> None:
    of = setup(signal("q", K.FLOW, "t"))
    heading = first_heading(of)
    follow(of, heading, [reading(0, 0.1), reading(1, 0.2), reading(2, 9.0)], [estimate(0), estimate(1)])
    # Smoothed over 0.1 h: of the change at one minute 1 − e^(−1/6) is taken up; what came later is not.
    assert heading.memory.flow == near(0.1 + 0.1 * (1 - 0.846481724890614))
    assert heading.latest == {"q": ((NOW + timedelta(minutes=2)).timestamp(), 9.0)}


def test_what_is_bad_or_speaks_of_a_blanket_is_passed_over() -> None:
    of = setup(signal("q", K.FLOW, "t"))
    heading = first_heading(of)
    follow(of, heading, [reading(0, 0.1), reading(1, 0.9, quality=Quality.BAD), reading(2, 1.0, tag="level")], [])
    assert heading.latest == {"q": (NOW.timestamp(), 0.1)}
    follow(of, heading, [reading(3, 0.3, quality=Quality.UNCERTAIN)], [])
    assert heading.latest["q"][1] == 0.3


def test_no_data_is_no_height_to_foretell_from() -> None:
    of = setup()
    heading = first_heading(of)
    assert outlook(of, heading, NOW) is None
    follow(of, heading, [], [estimate(0, EstimateReason.NO_DATA)])
    assert outlook(of, heading, NOW) is None
    follow(of, heading, [], [estimate(0)])
    assert outlook(of, heading, NOW) is not None


def test_what_was_heard_survives_being_stored() -> None:
    of = setup(signal("q", K.FLOW, "t"))
    heading = heard(of, q=0.1)
    again = heading_from_json(heading_to_json(heading))
    assert again.latest == heading.latest
    assert again.memory.to_json() == heading.memory.to_json()
