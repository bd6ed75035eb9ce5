"""Bad nights whose cause is known: what judges the diagnosis of failure modes.

Hydraulic causes are run in the simulator, whose sludge settles by another curve than the rules assume; what one dimension
cannot show (gas, floc, drives, sensors, raw sludge) is written by hand in :mod:`tests.support.hand_nights`. Nothing is drawn from the
rules' likelihood ratios. Each night hides signals, ages the settling test, blurs the meters, and has a mild second trouble.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup, Trust
from service.domain.blanket.mixture import Part
from service.domain.cores.core import Core, Surface
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.gather import Known, Past, gather
from service.domain.diagnosis.modes import FailureMode
from service.domain.forecast.state import ForecastMemory
from service.domain.forecast.tracker import Heading, conditions
from service.domain.loading.inputs import load_inputs
from service.domain.loading.limits import LoadTerms
from service.domain.loading.tank_load import tank_load
from service.domain.plant.signal import DIMENSION_OF, Signal, SignalKind
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.units import Dimension

NIGHT = datetime(2031, 3, 15, 3, 10, tzinfo=UTC)
EARLIER = (timedelta(hours=3), timedelta(hours=24))


@dataclass
class World:
    """The true state of a plant at the moment of the call, and before it. SI; the first tank is the one that called."""

    mode: FailureMode
    seed: int
    kind: TankKind
    area: float
    depth: float
    flow: list[float]  #: per tank [m³/s]
    back: list[float]
    thick: list[float]  #: solids of what is drawn [kg/m³]
    feed: float
    index: float
    heights: list[float]
    rate: float = 0.0
    flow_before: tuple[list[float], list[float]] | None = None  #: 3 h and 24 h before
    back_before: tuple[list[float], list[float]] | None = None
    usual_feed: float | None = None
    usual_index: float | None = None
    effluent: float = 0.010
    turbidity: float = 5.0
    surface: tuple[Surface, ...] = ()
    fluff: float | None = None
    temperature: tuple[float, float] = (14.0, 14.0)  #: now and 3 h before
    nitrate: float | None = None
    torque: float | None = None
    chemical: tuple[float, float] | None = None  #: now and before
    arm_angles: tuple[float, ...] = ()
    believed_off: float = 0.0
    rivals: float = 0.0
    blind: bool = False
    core_age: float = 6.0
    core_true: bool = True
    correlation: str = "daigger-1995"
    return_harms: bool = False  #: whether raising the return would make it worse
    storm: bool = False
    essential: frozenset[str] = field(default_factory=frozenset)  #: what no distraction may hide

    @property
    def alike(self) -> bool:
        """Whether the sister tanks stand as high as this one."""
        return self.heights[0] - min(self.heights[1:]) < 0.3


@dataclass(frozen=True)
class Night:
    """One bad night as the rules see it, with the answer."""

    mode: FailureMode
    world: World
    evidence: Evidence


_SIGNALS: dict[str, tuple[SignalKind, bool, float]] = {
    "flow": (SignalKind.FLOW, True, 0.5),
    "back": (SignalKind.RETURN_FLOW, True, 0.5),
    "thick": (SignalKind.RETURN_SOLIDS, True, 2.0),
    "feed": (SignalKind.FEED_SOLIDS, False, 2.0),
    "test": (SignalKind.SETTLED_VOLUME, False, 48.0),
    "effluent": (SignalKind.EFFLUENT_SOLIDS, True, 12.0),
    "turbidity": (SignalKind.TURBIDITY, True, 0.5),
    "temperature": (SignalKind.TEMPERATURE, False, 1.0),
    "nitrate": (SignalKind.NITRATE, False, 2.0),
    "torque": (SignalKind.TORQUE, True, 0.5),
    "chemical": (SignalKind.CHEMICAL_FLOW, False, 0.5),
}


def night_of(world: World, hide: float = 0.15, *, anything: bool = False) -> Night:
    """The night as meters, people and the laboratory tell it.

    Parameters
    ----------
    hide : chance of each signal to be missing. [–]
    anything : also what the cause shows in, so that it cannot be known on some nights.
    """
    rng = np.random.default_rng([world.seed, 911, list(FailureMode).index(world.mode)])
    world = _second_trouble(world, rng)
    hidden = {name for name in (*_SIGNALS, "surface", "sisters", "before") if rng.random() < hide} - (
        set() if anything else world.essential
    )
    if "flow" not in world.essential and "flow" in hidden and rng.random() < 0.6:
        hidden.discard("flow")  # nearly every plant meters its flow
    setups = _setups(world, hidden)
    now = NIGHT
    latest = _latest(world, rng, now, scale=1.0)
    knowns = [
        Known(
            setup=setup,
            heading=Heading(ForecastMemory.for_tank(world.kind), latest),
            believed=_believed(world, tank, rng, now),
        )
        for tank, setup in enumerate(setups)
    ]
    own = knowns[0]
    seen = conditions(own.setup, own.heading, now)
    inputs = load_inputs(own.setup, own.heading, now)
    test = next((i for i in inputs if i.kind is SignalKind.SETTLED_VOLUME and not i.missing), None)
    beside = world.feed * rng.normal(1.0, 0.05)
    load = tank_load(
        own.setup.tank,
        seen,
        own.believed.height if own.believed else None,
        None if test is None else test.value,
        beside if world.kind is TankKind.SECONDARY else None,
        own.setup.terms,
    )
    past = _past(world, hidden, rng, now)
    cores = _cores(world, hidden, rng, now)
    sisters = [] if "sisters" in hidden else knowns[1:]
    return Night(world.mode, world, gather(own, sisters, load, inputs, cores, past, now))


def _second_trouble(world: World, rng: np.random.Generator) -> World:
    """Something mild beside it, as nights have: never enough by itself to call anybody, never against the cause."""
    mode, secondary = world.mode, world.kind is TankKind.SECONDARY
    count = len(world.flow)
    ways = {
        "scum": mode not in (FailureMode.SCUM, FailureMode.ALGAE) and "surface" in world.essential,
        "foam": mode is not FailureMode.SCUM and "surface" in world.essential,
        "turbid": mode not in (FailureMode.POOR_FLOC, FailureMode.CHEMICAL_LOST, FailureMode.DENSITY_CURRENT),
        "index": secondary and mode is not FailureMode.BULKING,
        "share": mode not in (FailureMode.UNEVEN, FailureMode.SOLIDS_OVERLOAD),
        "return": secondary and mode is not FailureMode.RETURN_LOST,
        "torque": mode is not FailureMode.MECHANICAL,
        "cold": mode is not FailureMode.DENSITY_CURRENT,
        "nitrate": secondary and mode is not FailureMode.GAS,
        "rivals": mode is not FailureMode.SENSOR,
    }
    open_ways = [way for way, possible in ways.items() if possible]
    if rng.random() < 0.3:
        return world
    match str(rng.choice(open_ways)):
        case "scum":
            return replace(world, surface=(*world.surface, Surface.SCUM))
        case "foam":
            return replace(world, surface=(*world.surface, Surface.FOAM))
        case "turbid":
            return replace(world, surface=(*world.surface, Surface.TURBID), turbidity=world.turbidity * 1.5)
        case "index":
            return replace(world, index=max(world.index, float(rng.uniform(165.0, 190.0))))
        case "share":
            more = float(rng.uniform(1.08, 1.16))
            return replace(
                world, flow=[world.flow[0] * more, *(f * (1.0 - (more - 1.0) / (count - 1)) for f in world.flow[1:])]
            )
        case "return":
            return replace(world, back=[world.back[0] * float(rng.uniform(0.75, 0.85)), *world.back[1:]])
        case "torque":
            return replace(world, torque=float(rng.uniform(0.5, 0.6)))
        case "cold":
            return replace(
                world, temperature=(world.temperature[0], world.temperature[0] + float(rng.uniform(0.7, 1.1)))
            )
        case "nitrate":
            return replace(world, nitrate=float(rng.uniform(0.007, 0.010)))
    return replace(world, rivals=0.15)


def _setups(world: World, hidden: set[str]) -> list[TankSetup]:
    count = len(world.flow)
    setups = []
    for tank in range(count):
        own = Tank(
            key=f"t{tank}", label=f"Tank {tank + 1}", kind=world.kind, shape=TankShape.CIRCULAR,
            diameter=2.0 * float(np.sqrt(world.area / np.pi)), side_water_depth=world.depth, floor_slope=1 / 12,
        )  # fmt: skip
        signals = []
        for name, (kind, per_tank, holds) in _SIGNALS.items():
            if name in hidden and (tank == 0 or not per_tank):
                continue
            real = (
                SignalKind.WASTE_FLOW
                if kind is SignalKind.RETURN_FLOW and world.kind is not TankKind.SECONDARY
                else kind
            )
            signals.append(
                Signal(
                    tag=f"t{tank}.{name}" if per_tank else name,
                    kind=real,
                    tank=own.key if per_tank else None,
                    unit={Dimension.FLOW: "m3/s"}.get(DIMENSION_OF[kind], "1"),
                    stale_after=timedelta(hours=holds),
                )
            )
        terms = LoadTerms(correlation=world.correlation)
        setups.append(TankSetup(tank=own, blankets=(), others=tuple(signals), share_of_plant=1.0 / count, terms=terms))
    return setups


def _latest(world: World, rng: np.random.Generator, at: datetime, scale: float) -> dict[str, tuple[float, float]]:
    found: dict[str, tuple[float, float]] = {}
    second = at.timestamp() - 60.0

    def put(tag: str, value: float | None, noise: float, age_h: float = 0.0) -> None:
        if value is not None:
            found[tag] = (second - 3600.0 * age_h, max(float(value * (1.0 + noise * rng.standard_normal())), 0.0))

    for tank in range(len(world.flow)):
        put(f"t{tank}.flow", world.flow[tank], 0.03)
        put(f"t{tank}.back", world.back[tank], 0.03)
        put(f"t{tank}.thick", world.thick[tank], 0.08)
    put("feed", world.feed, 0.06)
    age = float(rng.choice([4.0, 9.0, 18.0, 34.0]))
    drifted = world.index * (1.0 + (0.06 if age < 24.0 else 0.12) * rng.standard_normal())
    put("test", min(drifted * world.feed, 950.0), 0.03, age)
    put("t0.effluent", world.effluent, 0.15, float(rng.uniform(0.0, 6.0)))
    put("t0.turbidity", world.turbidity, 0.10)
    put("temperature", world.temperature[0], 0.003)
    put("nitrate", world.nitrate, 0.08)
    put("t0.torque", world.torque, 0.05)
    put("chemical", None if world.chemical is None else world.chemical[0], 0.03)
    return found


def _past(world: World, hidden: set[str], rng: np.random.Generator, now: datetime) -> Past:
    moments = []
    if "before" not in hidden:
        for n, back_by in enumerate(EARLIER):
            at = now - back_by
            seen: dict[str, tuple[float, float]] = {}
            for tank in range(len(world.flow)):
                if world.flow_before is not None:
                    seen[f"t{tank}.flow"] = (at.timestamp(), world.flow_before[n][tank] * float(rng.normal(1.0, 0.03)))
                if world.back_before is not None:
                    seen[f"t{tank}.back"] = (at.timestamp(), world.back_before[n][tank] * float(rng.normal(1.0, 0.03)))
            seen["temperature"] = (at.timestamp(), world.temperature[1] if n == 0 else world.temperature[1] + 0.2)
            if world.chemical is not None:
                seen["chemical"] = (at.timestamp(), world.chemical[1])
            moments.append((at, seen))
    tests: tuple[tuple[float, float], ...] = ()
    if world.usual_feed is not None and world.usual_index is not None:
        tests = tuple(
            (
                world.usual_index * world.usual_feed * float(rng.normal(1.0, 0.05)),
                world.usual_feed * float(rng.normal(1.0, 0.05)),
            )
            for _ in range(7)
        )
    drawn: tuple[float | None, float | None] = (None, None)
    if world.kind is not TankKind.SECONDARY and "back" not in hidden:
        drawn = world.back[0], None if world.back_before is None or "before" in hidden else world.back_before[1][0]
    return Past(latest=tuple(moments), tests=tests, drawn_means=drawn, arm_angles=world.arm_angles)


def _believed(world: World, tank: int, rng: np.random.Generator, now: datetime) -> Estimate | None:
    off = world.believed_off if tank == 0 else 0.0
    if tank == 0 and world.blind:
        trust, reason = Trust.BLIND, EstimateReason.BLIND
    else:
        trust, reason = (Trust.DOUBTFUL if tank == 0 and world.rivals > 0.05 else Trust.GOOD), EstimateReason.SENSOR
    height = world.heights[tank] + off + float(rng.normal(0.0, 0.08))
    stories: tuple[Part, ...] = ()
    if tank == 0 and world.rivals > 0.03:
        stories = (Part(1.0 - world.rivals, height, 0.1), Part(world.rivals, max(height - 1.0, 0.1), 0.3))
    return Estimate(
        tank=f"t{tank}", time=now - timedelta(minutes=1), height=height, sd=0.1,
        rate=(world.rate if tank == 0 else 0.0) * float(rng.normal(1.0, 0.15)), trust=trust, reason=reason, stories=stories,
    )  # fmt: skip


def _cores(world: World, hidden: set[str], rng: np.random.Generator, now: datetime) -> Sequence[Core]:
    """The last core; it saw the truth of its time, and the surface where a round wrote it down."""
    then = max(world.heights[0] - world.rate * min(world.core_age, 3.0), 0.1)
    cores = []
    if world.core_age <= 12.0:
        cores.append(_core(world, then + float(rng.normal(0.0, 0.08)), now - timedelta(hours=world.core_age)))
    if world.surface and "surface" not in hidden and cores:
        cores[-1] = replace(cores[-1], surface=world.surface)
    elif world.surface and "surface" not in hidden:
        cores.append(replace(_core(world, then, now - timedelta(hours=11.5)), surface=world.surface))
    return cores


def _core(world: World, height: float, at: datetime) -> Core:
    thickness = max(height + 4.0 / 12.0, 0.05)
    fluff = None if world.fluff is None else thickness + world.fluff
    return Core(
        id=UUID(int=world.seed + 1), tank="t0", taken_at=at, recorded_at=at, thickness=thickness, distance_from_wall=4.0, fluff=fluff,
    )  # fmt: skip
