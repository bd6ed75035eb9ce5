"""Flows and solids of a tank from its own signals, or its share of the plant's."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.conditions import conditions_at
from service.domain.reading import Quality, Reading
from service.domain.signal import Signal, SignalKind
from service.domain.tank import Tank, TankKind, TankShape

NOW = datetime(2031, 5, 4, 3, 0, tzinfo=UTC)


def tank(key: str, diameter: float = 20.0, kind: TankKind = TankKind.SECONDARY) -> Tank:
    return Tank(key=key, label=key, kind=kind, shape=TankShape.CIRCULAR, diameter=diameter, side_water_depth=4.0)


def signal(tag: str, kind: SignalKind, of: str | None) -> Signal:
    return Signal(tag=tag, kind=kind, tank=of, unit="m3/h")


def read(tag: str, value: float, minutes: float = 1.0, quality: Quality = Quality.GOOD) -> tuple[str, Reading]:
    return tag, Reading(tag, NOW - timedelta(minutes=minutes), value, quality)


def test_own_signals_come_first() -> None:
    signals = [
        signal("qa", SignalKind.FLOW, "a"), signal("q", SignalKind.FLOW, None), signal("x", SignalKind.FEED_SOLIDS, None)
    ]  # fmt: skip
    found = conditions_at(
        tank("a"), [tank("a"), tank("b")], signals, dict([read("qa", 0.1), read("q", 0.3), read("x", 3.0)]), NOW
    )
    assert (found.flow, found.plant_flow, found.feed_solids) == (0.1, 0.3, 3.0)
    assert found.return_flow is None


def test_share_of_the_plant_goes_by_surface() -> None:
    signals = [signal("q", SignalKind.FLOW, None)]
    both = [tank("a", 20.0), tank("b", 40.0)]
    latest = dict([read("q", 0.5)])
    assert conditions_at(both[0], both, signals, latest, NOW).flow == pytest.approx(0.1)
    assert conditions_at(both[1], both, signals, latest, NOW).flow == pytest.approx(0.4)
    assert conditions_at(both[0], both[:1], signals, latest, NOW).flow == pytest.approx(0.5)
    assert conditions_at(both[0], both[1:], signals, latest, NOW).flow is None  # out of service


def test_plant_flow_is_the_sum_only_if_every_tank_is_known() -> None:
    both = [tank("a"), tank("b")]
    signals = [signal("qa", SignalKind.FLOW, "a"), signal("qb", SignalKind.FLOW, "b")]
    assert conditions_at(
        both[0], both, signals, dict([read("qa", 0.1), read("qb", 0.2)]), NOW
    ).plant_flow == pytest.approx(0.3)
    assert conditions_at(both[0], both, signals, dict([read("qa", 0.1)]), NOW).plant_flow is None


@pytest.mark.parametrize(
    "reading",
    [read("qa", 0.1, minutes=30.0), read("qa", 0.1, quality=Quality.BAD), read("qa", math.nan), read("qa", -0.2)],
)
def test_stale_bad_and_impossible_readings_are_not_known(reading: tuple[str, Reading]) -> None:
    signals = [signal("qa", SignalKind.FLOW, "a")]
    assert conditions_at(tank("a"), [tank("a")], signals, dict([reading]), NOW).flow is None


def test_sludge_pumped_from_a_primary_tank_is_what_is_drawn() -> None:
    signals = [signal("w", SignalKind.WASTE_FLOW, "a")]
    latest = dict([read("w", 0.01)])
    primary, secondary = tank("a", kind=TankKind.PRIMARY), tank("a")
    assert conditions_at(primary, [primary], signals, latest, NOW).return_flow == 0.01
    assert conditions_at(secondary, [secondary], signals, latest, NOW).return_flow is None
