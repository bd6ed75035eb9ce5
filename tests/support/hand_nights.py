"""Nights whose cause one dimension cannot show, written by hand: gas, floc, drives, sensors, cold rain, raw and thick sludge.

Every number is a plant that could be (common practice, no source), drawn wide; none comes from the rules' ratios.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from service.domain.cores.core import Surface
from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.tank import TankKind
from tests.support.mode_nights import World

_Uniform = Callable[[float, float], float]


def hand_worlds(seeds: tuple[int, ...]) -> list[World]:
    """One world a case and seed."""
    return [make(seed) for make in CASES.values() for seed in seeds]


def _rng(mode: FailureMode, kind: TankKind, seed: int) -> tuple[np.random.Generator, _Uniform]:
    rng = np.random.default_rng([seed, 41, list(FailureMode).index(mode), list(TankKind).index(kind)])
    return rng, lambda low, high: float(rng.uniform(low, high))


def _secondary(mode: FailureMode, seed: int) -> tuple[World, np.random.Generator, _Uniform]:
    """An ordinary secondary tank on an ordinary night, somewhat loaded, to which the trouble is added."""
    rng, u = _rng(mode, TankKind.SECONDARY, seed)
    count, area, depth = int(rng.choice([2, 3, 4])), u(300.0, 700.0), u(3.6, 4.8)
    over, under, feed = u(0.4, 0.75), u(0.25, 0.45), u(2.2, 3.4)
    usual = over * u(0.9, 1.1)
    wet = u(1.2, 1.5) if rng.random() < 0.25 else 1.0  # a mild second trouble
    flow = [area * over * wet / 3600.0 * u(0.97, 1.03)] * count
    back = [area * under / 3600.0 * u(0.97, 1.03)] * count
    low = u(0.06, 0.2) * depth
    world = World(
        mode=mode,
        seed=seed,
        kind=TankKind.SECONDARY,
        area=area,
        depth=depth,
        flow=flow,
        back=back,
        thick=[feed * (1.0 + over / under) * u(0.9, 1.05) for _ in range(count)],
        feed=feed,
        index=u(95.0, 165.0),
        heights=[low + u(-0.1, 0.1) for _ in range(count)],
        rate=u(-0.02, 0.05),
        flow_before=([area * usual / 3600.0] * count, [area * usual / 3600.0] * count),
        back_before=(back, back),
        usual_feed=feed * u(0.92, 1.1) if rng.random() < 0.7 else None,
        usual_index=u(95.0, 150.0),
        effluent=u(0.006, 0.014),
        turbidity=u(2.0, 6.0),
        temperature=(t := u(9.0, 22.0), t + u(-0.1, 0.3)),
        nitrate=u(0.002, 0.006) if rng.random() < 0.5 else None,
        torque=u(0.12, 0.45) if rng.random() < 0.5 else None,
        chemical=(1.0, u(0.9, 1.1)) if rng.random() < 0.4 else None,
        rivals=float(rng.choice([0.0, 0.0, 0.08])),
        core_age=u(0.5, 11.0),
        correlation=str(rng.choice(["daigger-1995", "hartel-popel-1992"])),
        essential=frozenset({"surface"}),
    )
    return world, rng, u


def _gas(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.GAS, seed)
    warm = u(17.0, 26.0)
    own = u(0.25, 0.5) * world.depth
    words = [(Surface.CLUMPS,), (Surface.BUBBLES,), (Surface.CLUMPS, Surface.BUBBLES), (Surface.CLUMPS, Surface.SCUM)]
    return replace(
        world,
        heights=[own, *(own - u(-0.1, 0.6) for _ in world.heights[1:])],
        surface=words[int(rng.integers(4))],
        nitrate=u(0.009, 0.018) if rng.random() < 0.6 else None,
        temperature=(warm, warm + u(-0.1, 0.2)),
        back=[b * u(0.75, 1.0) for b in world.back],
        effluent=u(0.015, 0.045),
        turbidity=u(4.0, 15.0),
    )


def _poor_floc(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.POOR_FLOC, seed)
    words: list[tuple[Surface, ...]] = [
        (Surface.PIN_FLOC,),
        (Surface.STRAGGLER_FLOC,),
        (Surface.TURBID, Surface.PIN_FLOC),
        (),
    ]
    return replace(
        world,
        surface=words[int(rng.integers(4))],
        effluent=u(0.032, 0.09),
        turbidity=u(16.0, 50.0),
        index=u(45.0, 120.0),
        chemical=None if rng.random() < 0.5 else (1.0, 1.0),
        essential=frozenset({"effluent", "turbidity", "surface"}),
    )


def _sensor(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.SENSOR, seed)
    kind = int(rng.integers(3))
    off = u(1.0, 2.2)
    return replace(
        world,
        believed_off=off if kind != 1 else u(0.0, 0.5),
        rate=u(0.0, 0.6),
        blind=kind == 1,
        rivals=u(0.25, 0.5) if kind != 1 else 0.0,
        core_age=u(3.0, 14.0) if kind != 2 else u(0.2, 1.5),
        essential=frozenset({"sisters"}),
    )


def _mechanical(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.MECHANICAL, seed)
    kind = int(rng.integers(4))
    own = u(0.25, 0.5) * world.depth
    world = replace(
        world,
        heights=[own, *world.heights[1:]],
        thick=[world.feed * u(1.3, 2.0), *world.thick[1:]],
        rate=u(0.02, 0.2),
        torque=None,
    )
    match kind:
        case 0:
            return replace(world, arm_angles=tuple(123.0 + u(-0.3, 0.3) for _ in range(7)))
        case 1:
            return replace(world, torque=u(0.85, 1.1), essential=frozenset({"torque"}))
        case 2:
            return replace(world, surface=(Surface.ARM_STOPPED, Surface.SCUM))
    return replace(world, surface=(Surface.BROKEN_FLIGHT,) if rng.random() < 0.5 else (Surface.HIGH_TORQUE,))


def _rat_hole(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.RAT_HOLE, seed)
    own = u(0.35, 0.6) * world.depth
    return replace(
        world,
        heights=[own, *world.heights[1:]],
        thick=[world.feed * u(1.05, 1.4), *world.thick[1:]],
        back=[world.back[0] * u(1.1, 1.5), *world.back[1:]],
        torque=u(0.15, 0.35),
        arm_angles=tuple((40.0 + 11.0 * n) % 360.0 for n in range(7)) if rng.random() < 0.5 else (),
        return_harms=True,
        essential=frozenset({"thick", "feed", "back"}),
    )


def _density(seed: int) -> World:
    world, _, u = _secondary(FailureMode.DENSITY_CURRENT, seed)
    warm = u(12.0, 20.0)
    return replace(
        world,
        flow=[f * u(1.4, 1.9) for f in world.flow],
        temperature=(warm - u(1.8, 4.5), warm),
        effluent=u(0.035, 0.1),
        turbidity=u(16.0, 45.0),
        storm=True,
        essential=frozenset({"temperature", "before", "effluent", "turbidity"}),
    )


def _chemical(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.CHEMICAL_LOST, seed)
    return replace(
        world,
        chemical=(u(0.0, 0.35), 1.0),
        effluent=u(0.025, 0.07),
        turbidity=u(14.0, 40.0),
        surface=(Surface.TURBID,) if rng.random() < 0.6 else (),
        essential=frozenset({"chemical", "before"}),
    )


def _scum(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.SCUM, seed)
    words: list[tuple[Surface, ...]] = [
        (Surface.SCUM,),
        (Surface.SCUM, Surface.FOAM),
        (Surface.FOAM, Surface.SCUM, Surface.CLEAR),
    ]
    return replace(world, surface=words[int(rng.integers(3))], effluent=u(0.01, 0.028))


def _algae(seed: int) -> World:
    world, rng, u = _secondary(FailureMode.ALGAE, seed)
    words: list[tuple[Surface, ...]] = [(Surface.ALGAE,), (Surface.ALGAE, Surface.CLEAR), (Surface.ALGAE, Surface.SCUM)]
    return replace(world, surface=words[int(rng.integers(3))], effluent=u(0.01, 0.035))


def _raw(mode: FailureMode, kind: TankKind, seed: int) -> tuple[World, np.random.Generator, _Uniform]:
    """An ordinary primary tank or thickener."""
    rng, u = _rng(mode, kind, seed)
    thickener = kind is TankKind.THICKENER
    count, area = int(rng.choice([2, 3])), u(150.0, 400.0)
    depth, over = u(3.0, 4.0), (u(0.5, 0.9) if thickener else u(1.0, 1.8))
    feed = u(2.0, 5.0) if thickener else u(0.18, 0.32)
    if thickener:  # 25 to 70 kg/(m²·d)
        feed = u(25.0, 70.0) / 24.0 / over
    thick = u(35.0, 60.0) if thickener else u(25.0, 45.0)
    draw = area * over * feed * (0.92 if thickener else 0.6) / thick / 3600.0
    flow = [area * over / 3600.0 * u(0.97, 1.03)] * count
    high = u(0.3, 0.5) if thickener else u(0.1, 0.25)
    world = World(
        mode=mode,
        seed=seed,
        kind=kind,
        area=area,
        depth=depth,
        flow=flow,
        back=[draw] * count,
        thick=[thick * u(0.9, 1.1) for _ in range(count)],
        feed=feed,
        index=60.0,
        heights=[high * depth] * count,
        rate=u(-0.02, 0.05),
        flow_before=([f * u(0.9, 1.1) for f in flow], [f * u(0.9, 1.1) for f in flow]),
        back_before=([draw] * count, [draw * u(0.85, 1.15)] * count),
        effluent=u(0.05, 0.09) if not thickener else u(0.1, 0.3),
        turbidity=u(30.0, 60.0),
        temperature=(t := u(10.0, 22.0), t + u(-0.1, 0.3)),
        torque=u(0.15, 0.45) if rng.random() < 0.5 else None,
        chemical=(1.0, u(0.95, 1.05)) if thickener and rng.random() < 0.6 else None,
        rivals=float(rng.choice([0.0, 0.0, 0.08])),
        core_age=u(0.5, 11.0),
        essential=frozenset({"surface"}),
    )
    return world, rng, u


def _pump(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, _, u = _raw(FailureMode.SLUDGE_PUMP, kind, seed)
        own = world.heights[0] + u(0.2, 0.35) * world.depth
        left = u(0.0, 0.45)
        return replace(
            world,
            back=[world.back[0] * left, *world.back[1:]],
            heights=[min(own, 0.92 * world.depth), *world.heights[1:]],
            rate=u(0.03, 0.2),
            surface=(Surface.BUBBLES,) if u(0.0, 1.0) < 0.25 else (),  # what stays long may gas as well
            essential=frozenset({"back", "before"}),
        )

    return make


def _surge(seed: int) -> World:
    world, _, u = _raw(FailureMode.SURGE, TankKind.PRIMARY, seed)
    return replace(
        world,
        flow=[f * u(1.7, 3.0) for f in world.flow],
        heights=[h + u(0.05, 0.2) * world.depth for h in world.heights],
        rate=u(0.05, 0.3),
        storm=True,
        essential=frozenset({"flow", "before"}),
    )


def _septic(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, rng, u = _raw(FailureMode.SEPTIC, kind, seed)
        words: list[tuple[Surface, ...]] = [
            (Surface.BUBBLES,),
            (Surface.CLUMPS,),
            (Surface.BUBBLES, Surface.CLUMPS),
            (Surface.BUBBLES, Surface.SCUM),
        ]
        warm = u(17.0, 26.0)
        return replace(
            world,
            surface=words[int(rng.integers(4))],
            temperature=(warm, warm),
            heights=[world.heights[0] + u(0.05, 0.2) * world.depth, *world.heights[1:]],
        )

    return make


def _raw_sensor(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, rng, u = _raw(FailureMode.SENSOR, kind, seed)
        blind = rng.random() < 0.3
        return replace(
            world,
            believed_off=0.0 if blind else u(0.8, 1.6),
            blind=bool(blind),
            rivals=0.0 if blind else u(0.25, 0.5),
            core_age=u(3.0, 14.0) if rng.random() < 0.6 else u(0.2, 1.5),
            rate=u(0.0, 0.4),
        )

    return make


def _raw_mechanical(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, rng, u = _raw(FailureMode.MECHANICAL, kind, seed)
        world = replace(
            world,
            thick=[world.thick[0] * u(0.4, 0.8), *world.thick[1:]],
            heights=[world.heights[0] + u(0.1, 0.3) * world.depth, *world.heights[1:]],
            torque=None,
        )
        match int(rng.integers(3)):
            case 0:
                return replace(world, torque=u(0.85, 1.1), essential=frozenset({"torque"}))
            case 1:
                return replace(world, surface=(Surface.ARM_STOPPED,))
        return replace(
            world, surface=(Surface.BROKEN_FLIGHT, Surface.SCUM) if rng.random() < 0.5 else (Surface.HIGH_TORQUE,)
        )

    return make


def _raw_rat_hole(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, _, u = _raw(FailureMode.RAT_HOLE, kind, seed)
        return replace(
            world,
            thick=[u(2.0, 7.0), *world.thick[1:]],
            back=[world.back[0] * u(1.1, 1.8), *world.back[1:]],
            heights=[min(world.heights[0] + u(0.2, 0.35) * world.depth, 0.9 * world.depth), *world.heights[1:]],
            torque=u(0.15, 0.4),
            essential=frozenset({"thick", "back", "feed"}),
        )

    return make


def _solids_overload(seed: int) -> World:
    world, _, u = _raw(FailureMode.SOLIDS_OVERLOAD, TankKind.THICKENER, seed)
    more = u(110.0, 220.0) / (24.0 * world.feed * world.flow[0] * 3600.0 / world.area)
    return replace(
        world,
        feed=world.feed * more,
        heights=[min(h + u(0.2, 0.35) * world.depth, 0.92 * world.depth) for h in world.heights],
        rate=u(0.03, 0.3),
        essential=frozenset({"flow", "feed"}),
    )


def _raw_chemical(
    kind: TankKind, effluent: tuple[float, float], turbidity: tuple[float, float]
) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, _, u = _raw(FailureMode.CHEMICAL_LOST, kind, seed)
        return replace(
            world,
            chemical=(u(0.0, 0.35), 1.0),
            effluent=u(*effluent),
            turbidity=u(*turbidity),
            surface=(Surface.TURBID,),
            essential=frozenset({"chemical", "before"}),
        )

    return make


def _raw_scum(kind: TankKind) -> Callable[[int], World]:
    def make(seed: int) -> World:
        world, rng, u = _raw(FailureMode.SCUM, kind, seed)
        words: list[tuple[Surface, ...]] = [(Surface.SCUM,), (Surface.SCUM, Surface.FOAM)]
        return replace(world, surface=words[int(rng.integers(2))], rate=u(-0.02, 0.03))

    return make


def _primary_uneven(seed: int) -> World:
    """A gate that moved: one tank takes what its sisters no longer get."""
    world, _, u = _raw(FailureMode.UNEVEN, TankKind.PRIMARY, seed)
    own, others = u(1.45, 1.8), len(world.flow) - 1
    return replace(
        world,
        flow=[world.flow[0] * own, *(f * (1.0 + (1.0 - own) / others) for f in world.flow[1:])],
        heights=[world.heights[0] + u(0.12, 0.3) * world.depth, *world.heights[1:]],
        rate=u(0.03, 0.15),
        essential=frozenset({"flow", "before", "sisters"}),
    )


def _primary_density(seed: int) -> World:
    world, _, u = _raw(FailureMode.DENSITY_CURRENT, TankKind.PRIMARY, seed)
    warm = u(12.0, 20.0)
    return replace(
        world,
        flow=[f * u(1.4, 1.9) for f in world.flow],
        temperature=(warm - u(1.8, 4.5), warm),
        effluent=u(0.12, 0.25),
        turbidity=u(70.0, 200.0),
        storm=True,
        essential=frozenset({"temperature", "before", "effluent", "turbidity"}),
    )


CASES: dict[str, Callable[[int], World]] = {
    "gas": _gas,
    "poor floc": _poor_floc,
    "sensor": _sensor,
    "mechanical": _mechanical,
    "rat hole": _rat_hole,
    "density current": _density,
    "chemical": _chemical,
    "scum": _scum,
    "algae": _algae,
    "primary pump": _pump(TankKind.PRIMARY),
    "primary surge": _surge,
    "primary septic": _septic(TankKind.PRIMARY),
    "primary sensor": _raw_sensor(TankKind.PRIMARY),
    "primary mechanical": _raw_mechanical(TankKind.PRIMARY),
    "primary rat hole": _raw_rat_hole(TankKind.PRIMARY),
    "primary scum": _raw_scum(TankKind.PRIMARY),
    "primary chemical": _raw_chemical(TankKind.PRIMARY, (0.1, 0.2), (70.0, 200.0)),
    "primary uneven": _primary_uneven,
    "primary density current": _primary_density,
    "thickener scum": _raw_scum(TankKind.THICKENER),
    "thickener pump": _pump(TankKind.THICKENER),
    "thickener overload": _solids_overload,
    "thickener septic": _septic(TankKind.THICKENER),
    "thickener sensor": _raw_sensor(TankKind.THICKENER),
    "thickener mechanical": _raw_mechanical(TankKind.THICKENER),
    "thickener rat hole": _raw_rat_hole(TankKind.THICKENER),
    "thickener chemical": _raw_chemical(TankKind.THICKENER, (0.4, 1.2), (120.0, 400.0)),
}
