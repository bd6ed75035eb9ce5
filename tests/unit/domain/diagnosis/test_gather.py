"""Evidence gathered: whose meters speak, what is too old, what was usual, and what a core still says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.blanket.mixture import Part
from service.domain.cores.core import Core, Surface
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.gather import Known, Past, arm_still, gather
from service.domain.forecast.state import ForecastMemory
from service.domain.forecast.tracker import Heading, conditions
from service.domain.loading.inputs import load_inputs
from service.domain.loading.tank_load import tank_load
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape

NOW = datetime(2031, 3, 15, 3, 10, tzinfo=UTC)
HOUR = timedelta(hours=1)


def signal(tag: str, kind: SignalKind, tank: str | None, limit: float | None = None) -> Signal:
    return Signal(tag=tag, kind=kind, tank=tank, unit="1", stale_after=HOUR, limit=limit)


def setup(key: str, *signals: Signal, kind: TankKind = TankKind.SECONDARY) -> TankSetup:
    tank = Tank(
        key=key, label=key.upper(), kind=kind, shape=TankShape.RECTANGULAR, length=50.0, width=20.0, side_water_depth=4.0, floor_slope=0.1
    )  # fmt: skip
    return TankSetup(tank=tank, blankets=(), others=signals, share_of_plant=0.5)


def believed(
    height: float = 2.0, trust: Trust = Trust.GOOD, reason: EstimateReason = EstimateReason.SENSOR
) -> Estimate:
    return Estimate(tank="a", time=NOW, height=height, sd=0.1, rate=0.2, trust=trust, reason=reason)


def core(hours_ago: float, thickness: float = 2.0, **more: object) -> Core:
    at = NOW - hours_ago * HOUR
    one = Core(id=UUID(int=1), tank="a", taken_at=at, recorded_at=at, thickness=thickness, distance_from_wall=5.0)
    return replace(one, **more)  # type: ignore[arg-type]


def evidence(
    own: TankSetup,
    latest: dict[str, float],
    *,
    sisters: tuple[TankSetup, ...] = (),
    past: Past | None = None,
    belief: Estimate | None = None,
    cores: tuple[Core, ...] = (),
    age: timedelta = timedelta(minutes=1),
) -> Evidence:
    values = {tag: ((NOW - age).timestamp(), value) for tag, value in latest.items()}
    heading = Heading(ForecastMemory.for_tank(own.tank.kind), values)
    load = tank_load(own.tank, conditions(own, heading, NOW), 2.0)
    return gather(
        Known(setup=own, heading=heading, believed=belief or believed()),
        [Known(setup=s, heading=heading) for s in sisters],
        load,
        load_inputs(own, heading, NOW),
        cores,
        past or Past(),
        NOW,
    )


A = setup(
    "a",
    signal("a.q", SignalKind.FLOW, "a"),
    signal("a.r", SignalKind.RETURN_FLOW, "a"),
    signal("r", SignalKind.RETURN_FLOW, None),
)
B = setup("b", signal("b.q", SignalKind.FLOW, "b"), signal("b.r", SignalKind.RETURN_FLOW, "b"))


def test_sister_tanks_are_held_against_each_other_by_their_own_meters_alone() -> None:
    found = evidence(A, {"a.q": 0.3, "b.q": 0.1, "a.r": 0.01, "b.r": 0.1}, sisters=(B,))
    assert found.flow_beside_sisters == pytest.approx(1.5)
    assert found.drawn_beside_sisters == pytest.approx(0.1)
    shared = setup("a", signal("q", SignalKind.FLOW, None))
    assert evidence(shared, {"q": 0.4, "b.q": 0.1}, sisters=(B,)).flow_beside_sisters is None


def test_a_sister_without_a_meter_has_what_the_plant_has_and_this_tank_has_not() -> None:
    found = evidence(A, {"a.r": 0.02, "r": 0.12}, sisters=(setup("b"),))
    assert found.sisters[0].return_flow == pytest.approx(0.10)
    assert found.drawn_beside_sisters == pytest.approx(0.2)


def test_what_is_old_is_not_used_and_is_named() -> None:
    found = evidence(A, {"a.q": 0.3, "a.r": 0.1}, age=2 * HOUR)
    assert found.streams.flow is None
    assert set(found.old) == {SignalKind.FLOW, SignalKind.RETURN_FLOW}


def test_usual_is_the_day_before_and_a_return_paced_by_the_flow_is_not_lost() -> None:
    past = Past(
        latest=((NOW - 3 * HOUR, at(3, {"a.q": 0.5, "a.r": 0.2})), (NOW - 24 * HOUR, at(24, {"a.q": 0.2, "a.r": 0.1})))
    )
    found = evidence(A, {"a.q": 0.4, "a.r": 0.05}, past=past)
    assert found.flow_ratio == pytest.approx(2.0)
    assert found.drawn_ratio == pytest.approx(0.25)
    paced = evidence(A, {"a.q": 0.1, "a.r": 0.1}, past=past)
    assert paced.drawn_ratio == pytest.approx(1.0)


def at(hours: float, values: dict[str, float]) -> dict[str, tuple[float, float]]:
    return {tag: ((NOW - hours * HOUR).timestamp(), value) for tag, value in values.items()}


def test_a_core_is_held_against_the_belief_in_one_frame_with_the_rise_since() -> None:
    # 2.0 m where the floor lies 0.5 m lower is 1.5 m; 0.2 m/h for an hour since: 1.7 m against a belief of 2.0 m.
    found = evidence(A, {}, cores=(core(9.0, fluff=3.0), core(1.0, surface=(Surface.CLEAR,), fluff=2.6)))
    assert found.core_off == pytest.approx(0.3)
    assert found.core_age == pytest.approx(1.0)
    assert found.fluff == pytest.approx(0.6)
    assert found.surface == (Surface.CLEAR,)
    assert evidence(A, {}, cores=(core(5.0, fluff=3.0),)).fluff is None


def test_how_sure_the_sensors_are() -> None:
    assert evidence(A, {}).rivals == 0.0
    assert evidence(A, {}, belief=believed(trust=Trust.BLIND)).blind
    assert evidence(A, {}, belief=believed(reason=EstimateReason.READS_HIGH_UNCONFIRMED)).rivals == 0.5
    two = replace(believed(trust=Trust.DOUBTFUL), stories=(Part(0.7, 2.0, 0.1), Part(0.3, 1.0, 0.1)))
    assert evidence(A, {}, belief=two).rivals == pytest.approx(0.3)
    assert evidence(A, {}, belief=believed(reason=EstimateReason.NO_DATA)).height is None


def test_water_drive_and_dosing() -> None:
    own = setup(
        "a",
        signal("t", SignalKind.TEMPERATURE, None),
        signal("c", SignalKind.CHEMICAL_FLOW, None),
        signal("n", SignalKind.NITRATE, None),
        signal("m", SignalKind.TORQUE, "a"),
        signal("e", SignalKind.EFFLUENT_SOLIDS, "a", limit=0.02),
    )
    past = Past(latest=((NOW - 3 * HOUR, at(3, {"t": 15.0, "c": 2.0})),), arm_angles=(359.5, 0.0, 1.0, 359.0))
    found = evidence(own, {"t": 12.0, "c": 0.5, "n": 0.009, "m": 0.9, "e": 0.03}, past=past)
    assert found.cooled == pytest.approx(3.0)
    assert found.chemical == pytest.approx(0.25)
    assert (found.nitrate, found.torque, found.arm_still) == (0.009, 0.9, True)
    assert found.effluent_over == pytest.approx(1.5)
    assert arm_still(()) is None


def test_a_pump_that_runs_in_cycles_is_judged_by_its_mean() -> None:
    own = setup(
        "a", signal("w", SignalKind.WASTE_FLOW, "a"), signal("s", SignalKind.RETURN_SOLIDS, "a"), kind=TankKind.PRIMARY
    )
    found = evidence(own, {"w": 0.0, "s": 30.0}, past=Past(drawn_means=(0.001, 0.004)))
    assert found.streams.return_flow == 0.001
    assert found.drawn_ratio == pytest.approx(0.25)
