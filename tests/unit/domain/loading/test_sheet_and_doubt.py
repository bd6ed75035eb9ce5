"""Loading figures and doubtful cores at their bounds: what keeps a limit, what may be used, and which slip explains a core."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.domain.blanket.estimate import TankSetup
from service.domain.blanket.past_work import PastWork
from service.domain.cores.blunders import CoreFault, core_doubt
from service.domain.forecast.tracker import first_heading
from service.domain.loading.balance import Conditions
from service.domain.loading.inputs import InputStatus, LoadInput, Origin, load_inputs
from service.domain.loading.inventory import blanket_solids, blanket_volume, sludge_detention, solids_retention_time
from service.domain.loading.limits import LoadingLimit, LoadTerms, Quantity
from service.domain.loading.settling import Vesilind
from service.domain.loading.sheet import Figure, input_name, input_words, load_figures, restoring_words, verdict_words
from service.domain.loading.state_point import Limit, StatePoint, StatePointVerdict, state_point
from service.domain.loading.tank_load import TankLoad, tank_load
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import NotchedWeir, Tank, TankKind, TankShape
from service.domain.plant.units import Dimension
from service.domain.plant.weir import head_over_weir

NOW = datetime(2026, 3, 14, 3, 10, tzinfo=UTC)
K = SignalKind
near: Any = pytest.approx
TANK = Tank(
    key="t",
    label="T",
    kind=TankKind.SECONDARY,
    shape=TankShape.RECTANGULAR,
    length=40.0,
    width=9.0,
    side_water_depth=4.0,
)


# --- figures ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "lower", "kept"),
    [(1.0, False, True), (1.0 + 1e-8, False, False), (0.9, False, True), (1.0, True, True), (1.0 - 1e-8, True, False), (1.1, True, True), (None, True, None)],
)  # fmt: skip
def test_exactly_at_its_limit_a_figure_keeps_it(value: float | None, lower: bool, kept: bool | None) -> None:
    limit = LoadingLimit(quantity=Quantity.OVERFLOW_RATE, value=1.0, source="x", lower=lower)
    figure = Figure(key="k", name="n", dimension=Dimension.OVERFLOW_RATE, value=value, limit=limit)
    assert figure.kept is kept
    assert figure.limit_shown("si") == f"{'at least' if lower else 'at most'} 1.00 m3/m2.h"
    free = replace(figure, limit=None)
    assert (free.kept, free.limit_shown("si")) == (None, "")


@pytest.mark.parametrize(
    ("value", "shown", "number"), [(None, "not known", None), (math.inf, "no end: nothing is drawn", None), (0.675, "398 gpd/ft2", 397.58)]
)  # fmt: skip
def test_a_figure_is_a_number_only_where_there_is_one(value: float | None, shown: str, number: float | None) -> None:
    figure = Figure(key="k", name="n", dimension=Dimension.OVERFLOW_RATE, value=value)
    assert figure.shown("us") == shown
    assert figure.in_unit("us") == (None if number is None else near(number, rel=1e-3), "gpd/ft2")


#: key: value for 0.1 + 0.05 m³/s, 3 and 9 kg/m³ on 360 m² of 4 m, a blanket of 1 m, 300 mL/L; by hand.
FIGURES = {
    "overflow_rate": 1.0, "solids_loading": 4.5, "weir_loading": 0.1 * 86_400 / 20, "underflow_rate": 0.5,
    "detention": 360 * 4 / 540, "nominal_detention": 4.0, "return_ratio": 0.5, "asked_return_ratio": 300 / 700,
    "balanced_return_ratio": 3.0 / (9.0 - 3.0), "sludge_index": 100.0, "held": 360 * 6.0, "sludge_detention": 360 * 6.0 / (0.05 * 9.0 * 3600),
    "blanket_share": 0.25, "side_water_depth": 4.0,
}  # fmt: skip


def test_every_figure_is_what_a_hand_calculation_gives() -> None:
    tank = replace(TANK, weir_length=20.0, notched_weir=NotchedWeir(notch_angle=90.0, notch_count=100))
    given = Conditions(flow=0.1, return_flow=0.05, feed_solids=3.0, return_solids=9.0)
    found = {
        f.key: f.value
        for f in load_figures(tank, tank_load(tank, given, height=1.0, settled_volume=300.0), LoadTerms())
    }
    assert set(found) == {*FIGURES, "weir_head"}
    assert {key: found[key] for key in FIGURES} == {key: near(value) for key, value in FIGURES.items()}
    assert tank.notched_weir is not None
    assert found["weir_head"] == near(head_over_weir(0.1, tank.notched_weir))
    bare = {f.key: f.value for f in load_figures(TANK, tank_load(TANK, Conditions()), LoadTerms())}
    assert {key for key, value in bare.items() if value is not None} == {"side_water_depth"}


def test_a_primarys_sludge_weighs_seven_tenths_of_what_is_drawn_and_it_needs_no_return() -> None:
    primary = replace(TANK, kind=TankKind.PRIMARY)
    load = tank_load(primary, Conditions(flow=0.1, feed_solids=0.2, return_solids=40.0), height=1.0)
    assert (load.solids_loading, load.held) == (near(0.2), near(360 * 28.0))
    assert load.balanced_return_ratio is None
    assert tank_load(TANK, Conditions(flow=0.1, feed_solids=3.0)).solids_loading is None
    assert tank_load(primary, Conditions(flow=0.0, return_flow=0.1)).detention is None
    below = tank_load(primary, Conditions(), height=-0.5)
    assert below.blanket_share == 0.0


@pytest.mark.parametrize(
    ("volume", "known"), [(0.0, False), (-1.0, False), (1.0, True), (1000.0, True), (1001.0, False)]
)
def test_a_settled_volume_no_test_gives_is_left_out(volume: float, known: bool) -> None:
    load = tank_load(TANK, Conditions(feed_solids=3.0), settled_volume=volume)
    assert (load.sludge_index is not None) is known
    assert (load.asked_return_ratio is not None) is (known and volume < 1000.0)


def point(
    verdict: StatePointVerdict, margin: float, nearer: Limit = Limit.THICKENING, under: float = 0.5
) -> StatePoint:
    real = state_point(500 / 3600, 250 / 3600, 3.5, 1000.0, Vesilind(6.5, 0.4035))
    return replace(
        real, verdict=verdict, thickening_load=1.0 - margin, clarification_load=0.0, nearer=nearer, underflow_rate=under
    )


def test_a_state_point_in_words() -> None:
    assert (
        verdict_words(point(StatePointVerdict.SAFE, 0.28))
        == "safe: 10 % of what a real tank stands (thickening) is still free"
    )
    assert verdict_words(point(StatePointVerdict.CRITICAL, 0.1)) == (
        "critical: 90 % of its limit by theory (thickening); real tanks often fail at 80 %"
    )
    assert verdict_words(point(StatePointVerdict.OVERLOADED, -0.25)) == "overloaded: 25 % over its limit (thickening)"
    nothing = point(StatePointVerdict.OVERLOADED, -math.inf, under=0.0)
    assert verdict_words(nothing) == "overloaded: nothing is drawn off, so no solids get out"
    for hardly in (
        point(StatePointVerdict.OVERLOADED, -math.inf),
        point(StatePointVerdict.OVERLOADED, -math.inf, Limit.CLARIFICATION, 0.0),
    ):
        assert verdict_words(hardly).startswith("overloaded: the sludge hardly settles at all")
    assert restoring_words(TankLoad(), "si") == ""


# --- inputs -----------------------------------------------------------------------------------------------------------


def signal(tag: str, kind: SignalKind, tank: str | None = None, minutes: int = 30) -> Signal:
    return Signal(tag=tag, kind=kind, tank=tank, unit="m3/h", stale_after=timedelta(minutes=minutes))


def inputs(
    *others: Signal, kind: TankKind = TankKind.SECONDARY, share: float = 0.5, **values: tuple[float, float]
) -> dict[SignalKind, LoadInput]:
    setup = TankSetup(tank=replace(TANK, kind=kind), blankets=(), others=others, share_of_plant=share)
    heading = first_heading(setup)
    heading.latest = {tag: (NOW.timestamp() - 60.0 * minutes, value) for tag, (minutes, value) in values.items()}
    return {found.kind: found for found in load_inputs(setup, heading, NOW)}


def test_an_input_counts_to_the_last_second_of_its_time() -> None:
    q = signal("q", K.FLOW, "t")
    assert inputs(q, q=(30, 0.1))[K.FLOW].standing is InputStatus.USED
    late = inputs(q, q=(30.02, 0.1))[K.FLOW]
    assert (late.standing, late.missing, late.value) == (InputStatus.TOO_OLD, True, 0.1)


def test_fresh_meters_add_up_and_of_old_ones_the_newest_time_is_told() -> None:
    a, b, x, y = (
        signal("a", K.FLOW, "t"),
        signal("b", K.FLOW, "t", 60),
        signal("x", K.FEED_SOLIDS),
        signal("y", K.FEED_SOLIDS),
    )
    found = inputs(a, b, x, y, a=(1, 0.1), b=(2, 0.2), x=(1, 3.0), y=(5, 4.0))
    assert (found[K.FLOW].value, found[K.FLOW].usable_for) == (near(0.3), timedelta(minutes=60))
    assert (found[K.FEED_SOLIDS].value, found[K.FEED_SOLIDS].origin) == (3.5, Origin.PLANT)
    assert found[K.FEED_SOLIDS].at == NOW - timedelta(minutes=1)
    assert inputs(a, b, a=(40, 0.1), b=(50, 0.2))[K.FLOW].value == near(0.2)
    old = inputs(a, b, a=(70, 0.1), b=(80, 0.2))[K.FLOW]
    assert (old.value, old.at) == (near(0.3), NOW - timedelta(minutes=70))


def test_only_a_tank_among_others_has_a_share() -> None:
    plant = signal("Q", K.FLOW)
    assert inputs(plant, Q=(1, 0.4))[K.FLOW].origin is Origin.SHARE
    whole = inputs(plant, share=1.0, Q=(1, 0.4))[K.FLOW]
    assert (whole.origin, whole.value) == (Origin.PLANT, 0.4)
    # An own meter that is too old is told before one of the plant that was never heard.
    own = inputs(signal("q", K.FLOW, "t"), plant, q=(90, 0.1))[K.FLOW]
    assert (own.standing, own.origin) == (InputStatus.TOO_OLD, Origin.TANK)
    never = inputs(signal("q", K.FLOW, "t"), plant, Q=(90, 0.4))[K.FLOW]
    assert (never.standing, never.origin, never.value) == (InputStatus.TOO_OLD, Origin.SHARE, 0.2)


def test_an_input_in_words() -> None:
    used = inputs(signal("Q", K.FLOW), Q=(5, 0.2))[K.FLOW]
    assert input_words(used, "si", NOW) == "360 m3/h (this tank's part of the plant, by surface), 5 min ago"
    assert input_words(inputs(signal("q", K.FLOW, "t"), q=(5, 0.1))[K.FLOW], "si", NOW) == "360 m3/h, 5 min ago"
    assert input_words(inputs()[K.FLOW], "si", NOW) == "missing: no signal of that kind in the site file"
    assert input_name(used) == "flow"


# --- solids held ------------------------------------------------------------------------------------------------------


def test_a_sloping_floor_holds_a_cone_or_a_wedge() -> None:
    wedge, cone = (
        replace(TANK, floor_slope=0.05),
        replace(TANK, shape=TankShape.CIRCULAR, diameter=30.0, floor_slope=0.1),
    )
    area = math.pi * 225.0
    assert blanket_volume(wedge, 0.0) == near(360.0 * 2.0 / 2.0)
    assert blanket_volume(wedge, -1.0) == near(
        360.0 * 2.0 / 2.0 * 0.25
    )  # half the drop: half the length, half the height
    assert blanket_volume(cone, 0.5) == near(area * 1.5 / 3.0 + area * 0.5)
    assert blanket_volume(cone, -0.75) == near(area * 1.5 / 3.0 / 8.0)
    assert (blanket_volume(cone, -1.5), blanket_volume(cone, -2.0)) == (0.0, 0.0)
    assert blanket_solids(TANK, 1.0, 6.0, 0.01) == near(360 * 6.0 + 3.0 * 360 * 0.01)
    assert blanket_solids(TANK, 5.0, 6.0, 0.01) == near(5.0 * 360 * 6.0)


def test_time_is_endless_where_nothing_leaves() -> None:
    assert sludge_detention(100.0, 0.0, 9.0) == math.inf
    assert solids_retention_time(1000.0, 3.0, 0.0, 8.0) == math.inf
    # (1000·3 + 500)/(0.001·8·3600 + 0.1·0.01·3600) h
    assert solids_retention_time(1000.0, 3.0, 0.001, 8.0, 0.1, 0.01, 500.0) == near(3500.0 / 32.4)


# --- doubtful cores ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("thickness", "fault", "words"),
    [
        (1.2 + 0.3048, CoreFault.MISREAD, "off by one foot mark"), (1.2 - 0.3048, CoreFault.MISREAD, "off by one foot mark"),
        (1.7, CoreFault.MISREAD, "off by half a metre"), (2.2, CoreFault.MISREAD, "off by one metre"), (1.8096, CoreFault.MISREAD, "off by two foot marks"),
        (1.2 + 0.3048 - 0.041, CoreFault.UNKNOWN, "fits no usual mistake"), (1.2 + 0.3048 - 0.039, CoreFault.MISREAD, "off by one foot mark"),
    ],
)  # fmt: skip
def test_a_slip_explains_a_core_within_two_deviations(thickness: float, fault: CoreFault, words: str) -> None:
    found = core_doubt(thickness, 1.2, 0.02)
    assert (found.fault, found.explanation) == (fault, words)


def test_the_deviation_told_is_that_from_what_the_fault_predicts() -> None:
    unit = core_doubt(1.2 / 0.3048 + 0.1, 1.2, 0.05)
    assert unit.deviation == near(0.1 / (0.05 / 0.3048))
    small = core_doubt(0.1 + 0.01, 1.2, 0.05)
    assert (small.explanation, small.deviation) == ("feet logged as inches", near(0.01 / (0.05 * 0.3)))
    other = core_doubt(2.9, 1.2, 0.03, others={"south": (2.86, 0.04)})
    assert (other.fault, other.deviation) == (CoreFault.TANK, near(0.04 / 0.05))
    time = core_doubt(2.9, 1.2, 0.03, earlier=[("a day", 2.86, 0.04)])
    assert (time.fault, time.deviation) == (CoreFault.TIME, near(0.04 / 0.05))


def test_what_predicts_almost_the_same_explains_nothing() -> None:
    for there, fault in ((1.2 + 0.399, CoreFault.UNKNOWN), (1.2 + 0.401, CoreFault.TANK)):
        found = core_doubt(1.9, 1.2, 0.2, others={"south": (there, 0.2)}, earlier=[])
        assert (found.fault is CoreFault.TANK) is (fault is CoreFault.TANK)
        again = core_doubt(1.9, 1.2, 0.2, earlier=[("a day", there, 0.2)])
        assert (again.fault is CoreFault.TIME) is (fault is CoreFault.TANK)


def test_of_several_faults_the_usual_order_decides_and_of_one_kind_the_nearest() -> None:
    both = core_doubt(2.2, 1.2, 0.03, others={"south": (2.21, 0.01)}, earlier=[("a day", 2.2, 0.01)])
    assert both.fault is CoreFault.TANK
    nearest = core_doubt(2.2, 1.2, 0.03, others={"a": (2.24, 0.0), "b": (2.21, 0.0)})
    assert nearest.explanation == "fits b"


# --- the past estimated again -----------------------------------------------------------------------------------------


def test_how_much_of_the_past_is_done_and_left() -> None:
    def work(reached: float, minutes: float = 10.0) -> PastWork:
        since = NOW - timedelta(days=10)
        return PastWork(
            since=since, reached=since + timedelta(days=reached), began_at=NOW - timedelta(minutes=minutes), at=NOW
        )

    assert [work(days).share for days in (-1.0, 0.0, 4.0, 10.0, 11.0)] == [0.0, 0.0, 0.4, 1.0, 1.0]
    assert work(4.0).left == timedelta(minutes=15)
    assert work(0.1).left is not None
    assert work(0.09).left is None
    assert PastWork(since=NOW, reached=NOW, began_at=NOW, at=NOW).share == 1.0


def test_no_limit_of_now_is_called_kept_while_the_effluent_is_over_its_own_or_beside_one_that_is_broken() -> None:
    calm = Conditions(flow=0.05, return_flow=0.04, feed_solids=2.5, return_solids=6.0)
    load = tank_load(TANK, calm, height=0.5, settled_volume=250.0)
    for over in (False, True):
        figures = load_figures(TANK, load, LoadTerms(), effluent_over=over)
        kept = {f.key: f.kept for f in figures if f.limit is not None and f.value is not None}
        assert kept.pop("side_water_depth") is True
        assert set(kept.values()) == {None if over else True}
    own = LoadTerms(limits={Quantity.OVERFLOW_RATE: 0.01})
    figures = load_figures(TANK, tank_load(TANK, calm, height=0.5, settled_volume=250.0, terms=own), own)
    found = {f.key: (f.kept, f.denied_by) for f in figures}
    assert found["overflow_rate"] == (False, "")
    assert found["solids_loading"] == (None, "not with the surface overflow rate over its limit")


def test_no_limit_on_capacity_is_called_kept_beside_what_denies_it() -> None:
    """Bulking sludge, a state point beyond what real tanks stand, or an old input: the number alone would reassure falsely."""

    def kept(load: TankLoad, *inputs: LoadInput) -> tuple[bool | None, str]:
        found = next(f for f in load_figures(TANK, load, LoadTerms(), inputs) if f.key == "solids_loading")
        return found.kept, found.denied_by

    calm = Conditions(flow=0.05, return_flow=0.04, feed_solids=2.5, return_solids=6.0)
    assert kept(tank_load(TANK, calm, height=0.5, settled_volume=250.0)) == (True, "")
    assert kept(tank_load(TANK, calm, height=0.5, settled_volume=700.0)) == (None, "not with this sludge index")
    critical = tank_load(TANK, replace(calm, flow=0.12, feed_solids=3.1), height=0.5, settled_volume=420.0)
    assert critical.state is not None
    assert critical.state.verdict is not StatePointVerdict.SAFE
    assert kept(critical) == (None, f"state point {critical.state.verdict.value}")
    old = LoadInput(kind=SignalKind.SETTLED_VOLUME, standing=InputStatus.TOO_OLD)
    assert kept(tank_load(TANK, calm, height=0.5), old) == (None, "settled volume, 30 min too old")
    over = tank_load(TANK, replace(calm, feed_solids=20.0), height=0.5)
    assert kept(over, old)[0] is False  # what is broken is said whatever else is


def test_a_quarter_is_a_quarter_where_the_core_is_taken() -> None:
    """A 1:12 floor, cored 5 m from the wall: 0.4167 m deeper there, so a quarter of 4.4167 m is 1.1042 m of sludge, 0.6875 m at the wall."""
    sloped = replace(TANK, floor_slope=1 / 12, core_distance_from_wall=5.0)
    assert tank_load(sloped, Conditions(), height=0.6875).blanket_share == near(0.25)
    assert sloped.thickness_from_height(0.6875, 5.0) == near(0.25 * (4.0 + 5.0 / 12))
    assert sloped.height_of_share(0.25) == near(0.6875)
    assert sloped.share_at_core(-2.0) == 0.0
