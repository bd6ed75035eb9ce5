"""Ranks what a site can do by the solids that would go over the weirs of its tanks in the next hours, with and without it.

A layered settler for each tank of the plant, fed from a basin in two halves, stepped side by side for every action. Flows stay
as they are now. It knows nothing of currents, and compression is left out: it ranks, it does not predict kilograms.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.loading.settling import Vesilind
from service.domain.plant.action import SiteAction

Floats = NDArray[np.float64]

#: How far ahead actions are judged. [h]
AHEAD = 6.0
LAYERS = 20
#: Feed enters this far up the side water depth (common practice, no source). [–]
_FEED_AT = 0.6
#: Where flocs settle one by one: rounding off of the curve at low solids [m³/kg], and what never settles [kg/m³].
_DISCRETE, _NEVER_SETTLES = 8.0, 0.006
#: What each action means: return raised by, flow taken off, share of the inflow that skips the first part of the basin, that
#: part of the basin's volume, settling speed with polymer. Common practice, no source. [–]
RETURN_RAISED, FLOW_TAKEN_OFF = 1.3, 0.25
STEP_SHARE, STEP_PART, CONTACT_SHARE, CONTACT_PART = 0.5, 0.5, 1.0, 0.65
POLYMER_SPEEDS = 1.4
#: A return below this share of its usual is lost. [–]
_LOST = 0.7
#: Wasting in a hurry: this share of the return sludge. [–]
_WASTED = 0.10
#: An action helps that saves at least this share of what is lost; or, where no more leaves than usual, whose blanket ends lower
#: by this. [–], [m]
_HELPS, _LOWER = 0.05, 0.1
#: Solids that leave on an ordinary day (common practice, no source). [kg/m³]
ORDINARY_EFFLUENT = 0.015


@dataclass(frozen=True, slots=True, kw_only=True)
class TankState:
    """A tank now. Flows [m³/h], lengths [m], solids [kg/m³]."""

    area: float
    depth: float
    flow: float
    back: float
    height: float  #: blanket above the floor datum
    drawn: float  #: solids of what is drawn


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantState:
    """The tanks of one basin, the one asked about first."""

    tanks: tuple[TankState, ...]
    feed: float  #: mixed liquor [kg/m³]
    basin: float  #: volume of the basin [m³]
    sludge: Vesilind
    idle: tuple[float, ...] = ()  #: surfaces of tanks that could be put in service [m²]
    return_capacity: float | None = None  #: of the tank asked about [m³/h]
    usual_return: float | None = None  #: of the tank asked about: one that is lost is brought back to it [m³/h]

    @property
    def return_tried(self) -> float:
        """The return flow that raising it means. [m³/h]"""
        raised = RETURN_RAISED * self.tanks[0].back
        if self.usual_return is not None and self.tanks[0].back < _LOST * self.usual_return:
            raised = self.usual_return
        return raised if self.return_capacity is None else min(raised, self.return_capacity)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedAction:
    """What an action would come to over :data:`AHEAD`."""

    action: SiteAction
    lost: float  #: solids over the weirs of all tanks [kg]
    saved: float  #: less than without it [kg]
    height: float  #: of the tank's blanket at the end [m]
    helps: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranking:
    """Actions by what they save, the best first."""

    lost: float  #: as things are [kg]
    ordinary: float  #: what would leave on an ordinary day at this flow [kg]
    height: float  #: of the tank's blanket at the end as things are [m]
    actions: tuple[JudgedAction, ...]
    wasting_saves: float  #: by wasting in a hurry [kg]
    return_tried: float  #: what raising the return means [m³/h]

    @property
    def overflows(self) -> bool:
        """Whether more leaves as things are than on an ordinary day."""
        return self.lost > self.ordinary

    @property
    def none_helps(self) -> bool:
        """Whether nothing the site can do helps within the time."""
        return not any(one.helps for one in self.actions)


def rank_actions(plant: PlantState, actions: Collection[SiteAction]) -> Ranking:
    """Judge every action that is possible now.

    Returns
    -------
    Actions that cannot be taken now (no tank idle, return at its most, no sister tank) are left out.
    """
    possible = [action for action in SiteAction if action in actions and _possible(action, plant)]
    courses = [_Course(plant), *(_Course(plant, action) for action in possible), _Course(plant, wasted=_WASTED)]
    lost, heights, highest = _run(plant, courses)
    before, height = float(lost[0]), float(heights[0])
    ordinary = ORDINARY_EFFLUENT * AHEAD * sum(t.flow for t in plant.tanks)
    least = max(_HELPS * before, _HELPS * ordinary, 0.1)
    judged = []
    for n, action in enumerate(possible, start=1):
        saved, ends = before - float(lost[n]), float(heights[n])
        if before > ordinary:
            helps = saved >= least
        else:  # its blanket falls, and no sister's rises above what was highest
            helps = saved > -least and ends <= height - _LOWER and float(highest[n]) <= float(highest[0]) + 0.5 * _LOWER
        judged.append(JudgedAction(action=action, lost=before - saved, saved=saved, height=ends, helps=helps))
    # What differs by less than matters is told apart by the blanket.
    judged.sort(key=lambda one: (not one.helps, -round(one.saved / least) if before > ordinary else 0, one.height))
    return Ranking(
        lost=before,
        ordinary=ordinary,
        height=height,
        actions=tuple(judged),
        wasting_saves=before - float(lost[-1]),
        return_tried=plant.return_tried,
    )


def _possible(action: SiteAction, plant: PlantState) -> bool:
    own = plant.tanks[0]
    match action:
        case SiteAction.RETURN:
            return plant.return_tried > 1.03 * own.back
        case SiteAction.TANKS_IN:
            return bool(plant.idle)
        case SiteAction.FLOW_OFF:
            return len(plant.tanks) > 1
    return True


class _Course:
    """One course: flows of each tank (idle ones last), how the basin is fed, and the sludge."""

    def __init__(self, plant: PlantState, action: SiteAction | None = None, wasted: float = 0.0) -> None:
        tanks, idle = plant.tanks, len(plant.idle)
        self.flow = np.array([*(t.flow for t in tanks), *([0.0] * idle)])
        self.back = np.array([*(t.back for t in tanks), *([0.0] * idle)])
        self.skips, self.part, self.speed, self.wasted = 0.0, STEP_PART, 1.0, wasted
        match action:
            case SiteAction.RETURN:
                self.back[0] = plant.return_tried
            case SiteAction.FLOW_OFF:
                taken = FLOW_TAKEN_OFF * self.flow[0]
                areas = np.array([t.area for t in tanks[1:]])
                self.flow[0] -= taken
                self.flow[1 : len(tanks)] += taken * areas / areas.sum()
            case SiteAction.TANKS_IN:
                areas = np.array([*(t.area for t in tanks), *plant.idle])
                self.flow = self.flow.sum() * areas / areas.sum()
                self.back[len(tanks) :] = np.mean([t.back / t.area for t in tanks]) * np.array(plant.idle)
            case SiteAction.STEP_FEED:
                self.skips = STEP_SHARE
            case SiteAction.CONTACT_STABILIZATION:
                self.skips, self.part = CONTACT_SHARE, CONTACT_PART
            case SiteAction.POLYMER:
                self.speed = POLYMER_SPEEDS


def _run(plant: PlantState, courses: Sequence[_Course]) -> tuple[Floats, Floats, Floats]:
    """Solids lost over all weirs [kg], and at the end the first tank's blanket and the highest of all [m], a value a course."""
    tanks, idle = plant.tanks, plant.idle
    area = np.array([*(t.area for t in tanks), *idle])
    depth = np.array([*(t.depth for t in tanks), *([tanks[0].depth] * len(idle))])
    layer = (depth / LAYERS)[None, :, None]
    flow, back = np.stack([c.flow for c in courses]), np.stack([c.back for c in courses])
    over, under = (flow / area)[:, :, None], (back / area)[:, :, None]
    speed = np.array([c.speed for c in courses])[:, None, None] * plant.sludge.v0
    skips, part, wasted = (np.array([getattr(c, name) for c in courses]) for name in ("skips", "part", "wasted"))
    solids = np.repeat(_profiles(plant)[None], len(courses), axis=0)
    # The feed lies at one layer; faces at or above it carry water up, those below down.
    fed = round(_FEED_AT * LAYERS)
    above = np.arange(LAYERS - 1) >= fed
    first = last = np.full(len(courses), plant.feed)
    step = 0.4 * float(layer.min()) / (float(speed.max()) + float((over + under).max()))
    lost = np.zeros(len(courses))
    for _ in range(int(np.ceil(AHEAD / step))):
        sinking = (
            speed
            * np.exp(-plant.sludge.k * solids)
            * (1.0 - np.exp(-_DISCRETE * np.maximum(solids - _NEVER_SETTLES, 0.0)))
        )
        gravity = solids * sinking
        falls = np.minimum(gravity[..., 1:], gravity[..., :-1])
        # A dilute layer takes all that falls on it (Takács, Patry and Nolasco 1991).
        falls = np.where(solids[..., :-1] < 1.0 / plant.sludge.k, gravity[..., 1:], falls)
        down = falls + np.where(above, -over * solids[..., :-1], under * solids[..., 1:])
        change = np.zeros_like(solids)
        change[..., :-1] += down
        change[..., 1:] -= down
        change[..., 0] -= under[..., 0] * solids[..., 0]
        change[..., -1] -= over[..., 0] * solids[..., -1]
        change[..., fed] += (over + under)[..., 0] * last[:, None]
        lost += step * (flow * solids[..., -1]).sum(axis=1)
        total, returned = flow.sum(axis=1), (back * solids[..., 0]).sum(axis=1) * (1.0 - wasted)
        through = (1.0 - skips) * total + back.sum(axis=1)
        first, last = (
            first + step * (returned - through * first) / (part * plant.basin),
            last + step * (through * first - (total + back.sum(axis=1)) * last) / ((1.0 - part) * plant.basin),
        )
        solids = np.maximum(solids + step / layer * change, 0.0)
    thick = np.clip((solids - 0.5 * plant.feed) / plant.feed, 0.0, 1.0)
    heights = np.asarray(thick.sum(axis=2) * layer[..., 0])
    return lost, heights[:, 0], heights.max(axis=1)


def _profiles(plant: PlantState) -> Floats:
    """Solids by tank and layer from the floor up: from what is drawn to the mixed liquor through the blanket, clear above."""
    rows = []
    for tank in plant.tanks:
        heights = (np.arange(LAYERS) + 0.5) / LAYERS * tank.depth
        top = min(max(tank.height, 0.0), tank.depth)
        share = np.clip(heights / max(top, 1e-6), 0.0, 1.0)
        thick = tank.drawn + (plant.feed - tank.drawn) * share
        rows.append(np.where(heights <= top, thick, 0.01))
    return np.asarray(rows + [np.full(LAYERS, 0.005)] * len(plant.idle))
