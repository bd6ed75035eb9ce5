"""What loading figures are made from, and what is said where something is missing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.domain.blanket.estimate import TankSetup
from service.domain.forecast.tracker import Heading, first_heading
from service.domain.loading.balance import Conditions
from service.domain.loading.inputs import InputStatus, LoadInput, Origin, load_inputs
from service.domain.loading.limits import LoadTerms, Quantity
from service.domain.loading.sheet import (
    abnormal_words,
    failing_words,
    input_words,
    load_figures,
    restoring_words,
    verdict_words,
)
from service.domain.loading.tank_load import tank_load
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import to_si

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
TANK = Tank(
    key="t", label="T", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=35.682482, side_water_depth=4.0
)  # fmt: skip
STORM = Conditions(flow=to_si(1000.0, "m3/h"), return_flow=to_si(250.0, "m3/h"), feed_solids=3.5)


def _signal(tag: str, kind: SignalKind, tank: str | None = None) -> Signal:
    return Signal(tag=tag, kind=kind, tank=tank, unit="m3/h", stale_after=timedelta(minutes=30))


def _setup(*others: Signal, kind: TankKind = TankKind.SECONDARY) -> TankSetup:
    tank = Tank(key="t", label="T", kind=kind, shape=TankShape.CIRCULAR, diameter=30.0, side_water_depth=4.0)
    return TankSetup(tank=tank, blankets=(), others=others, share_of_plant=0.5)


def _heard(setup: TankSetup, **values: tuple[float, float]) -> Heading:
    heading = first_heading(setup)
    heading.latest = {tag: (NOW.timestamp() - 60.0 * minutes, value) for tag, (minutes, value) in values.items()}
    return heading


def _by_kind(setup: TankSetup, heading: Heading) -> dict[SignalKind, LoadInput]:
    return {found.kind: found for found in load_inputs(setup, heading, NOW)}


def test_own_goes_before_the_plants_and_a_plants_flow_is_shared_out() -> None:
    setup = _setup(
        _signal("q", SignalKind.FLOW, "t"), _signal("Q", SignalKind.FLOW), _signal("R", SignalKind.RETURN_FLOW)
    )
    found = _by_kind(setup, _heard(setup, q=(1, 0.1), Q=(1, 0.3), R=(2, 0.2)))
    assert (found[SignalKind.FLOW].value, found[SignalKind.FLOW].origin) == (0.1, Origin.TANK)
    assert (found[SignalKind.RETURN_FLOW].value, found[SignalKind.RETURN_FLOW].origin) == (0.1, Origin.SHARE)
    # The tank's own meter has gone silent: its part of the plant's stands in, as for the forecast.
    found = _by_kind(setup, _heard(setup, q=(45, 0.1), Q=(1, 0.3), R=(2, 0.2)))
    assert (found[SignalKind.FLOW].value, found[SignalKind.FLOW].standing) == (0.15, InputStatus.USED)


def test_each_way_of_missing_is_told_apart() -> None:
    setup = _setup(_signal("q", SignalKind.FLOW, "t"), _signal("R", SignalKind.RETURN_FLOW))
    found = _by_kind(setup, _heard(setup, q=(45, 0.1)))
    assert found[SignalKind.FLOW].standing is InputStatus.TOO_OLD
    assert found[SignalKind.RETURN_FLOW].standing is InputStatus.NOTHING_HEARD
    assert found[SignalKind.FEED_SOLIDS].standing is InputStatus.NO_SIGNAL
    assert input_words(found[SignalKind.FLOW], "si", NOW) == "missing: last 360 m3/h 45 min ago, too old after 30 min"
    assert input_words(found[SignalKind.RETURN_FLOW], "si", NOW) == "missing: nothing heard yet"
    assert "state point" in found[SignalKind.FEED_SOLIDS].needed_for


def test_a_primary_tank_needs_no_settling_test_and_gives_up_its_waste_flow() -> None:
    setup = _setup(
        _signal("w", SignalKind.WASTE_FLOW, "t"), _signal("W", SignalKind.WASTE_FLOW), kind=TankKind.PRIMARY
    )  # fmt: skip
    found = _by_kind(setup, _heard(setup, W=(1, 0.3), w=(1, 0.004)))
    assert SignalKind.SETTLED_VOLUME not in found
    assert found[SignalKind.WASTE_FLOW].value == 0.004
    only_plant = _setup(_signal("W", SignalKind.WASTE_FLOW), kind=TankKind.PRIMARY)
    waste = _by_kind(only_plant, _heard(only_plant, W=(1, 0.3)))[SignalKind.WASTE_FLOW]
    assert waste.standing is InputStatus.NO_SIGNAL


def test_an_overload_is_told_with_what_would_help() -> None:
    terms = LoadTerms(return_capacity=to_si(500.0, "m3/h"))
    load = tank_load(TANK, STORM, height=0.8, settled_volume=525.0, terms=terms)
    assert load.state is not None
    assert verdict_words(load.state).startswith("overloaded: 2")
    assert failing_words(load, "si").startswith("today it fails above a flow of 777 m3/h")
    assert restoring_words(load, "si").startswith(
        "a return flow of 362 m3/h would bring it back; the pumps can give 500 m3/h"
    )
    unbound = tank_load(TANK, STORM, height=0.8, settled_volume=525.0)
    assert restoring_words(unbound, "si").endswith("; above 880 m3/h more return helps no further")
    [line] = abnormal_words(load, "us")
    assert "MGD would bring it back" in line
    short = tank_load(TANK, STORM, settled_volume=525.0, terms=LoadTerms(return_capacity=to_si(300.0, "m3/h")))
    assert "more than the pumps can give this tank (300 m3/h)" in restoring_words(short, "si")
    calm = tank_load(TANK, Conditions(flow=0.1, return_flow=0.07, feed_solids=3.5), height=0.8, settled_volume=525.0)
    assert abnormal_words(calm, "si") == ()
    assert restoring_words(calm, "si") == ""


def test_nothing_drawn_is_no_figure_but_words() -> None:
    standing = Conditions(flow=0.1, return_flow=0.0, feed_solids=3.5, return_solids=9.0)
    load = tank_load(TANK, standing, height=0.8, settled_volume=525.0)
    figures = {figure.key: figure for figure in load_figures(TANK, load, LoadTerms())}
    assert figures["sludge_detention"].shown("us") == "no end: nothing is drawn"
    assert load.state is not None
    assert verdict_words(load.state) == "overloaded: nothing is drawn off, so no solids get out"
    assert figures["asked_return_ratio"].value is not None


def test_own_limits_replace_published_ones_in_figures_too() -> None:
    load = tank_load(TANK, STORM, height=0.8)
    own = LoadTerms(limits={Quantity.OVERFLOW_RATE: 0.9})
    figures = {figure.key: figure for figure in load_figures(TANK, load, own)}
    assert figures["overflow_rate"].kept is False
    assert figures["overflow_rate"].limit_shown("si") == "at most 0.900 m3/m2.h"
    published = {figure.key: figure for figure in load_figures(TANK, load, LoadTerms())}
    assert published["overflow_rate"].kept is True
    assert published["side_water_depth"].limit_shown("us") == "at least 12.0 ft"


def test_an_index_belongs_to_the_solids_of_its_own_test() -> None:
    thinned = Conditions(flow=0.2, return_flow=0.07, feed_solids=2.0)
    assert tank_load(TANK, thinned, settled_volume=300.0).sludge_index == pytest.approx(150.0)
    assert tank_load(TANK, thinned, settled_volume=300.0, tested_solids=3.0).sludge_index == pytest.approx(100.0)
