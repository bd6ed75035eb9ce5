"""What an action really does on a simulated night: the simulator lived on from the call, with it and without it.

The simulator's own settlers and sludge, which share nothing with the ranking they judge; the basin stands in two parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.diagnosis.ranking import (
    AHEAD,
    CONTACT_PART,
    CONTACT_SHARE,
    FLOW_TAKEN_OFF,
    POLYMER_SPEEDS,
    RETURN_RAISED,
    STEP_PART,
    STEP_SHARE,
)
from service.domain.plant.action import SiteAction
from service.simulator.plant import RUN_UP_HOURS, Forcing, SimPlant
from service.simulator.settler import SUBSTEPS_PER_MINUTE, Columns, Settlers, settling_curve


@dataclass(frozen=True)
class Lived:
    """Solids over the weirs of all tanks in the hours after the call. [kg]"""

    without: float
    saved: dict[SiteAction, float]


def live_on(plant: SimPlant, given: Forcing, minute: int, actions: tuple[SiteAction, ...], idle: bool) -> Lived:
    """The night up to a minute, and then once for each action.

    Parameters
    ----------
    idle : whether a tank like the first stands idle and can be put in service.
    """
    count = len(plant.tanks)
    tanks = [*plant.tanks, plant.tanks[0]] if idle else list(plant.tanks)
    settlers = Settlers(
        Columns(
            area=np.array([t.area for t in tanks]),
            side_water_depth=np.array([t.side_water_depth for t in tanks]),
            cone_depth=np.array([t.floor_slope * t.diameter / 2.0 for t in tanks]),
            feed_height=np.array([t.feed_height for t in tanks]),
        )
    )
    speeds, hindrances = settling_curve(given.settleability)
    target = plant.mixed_liquor * plant.basin_volume
    basin = np.array([plant.mixed_liquor * 0.85, plant.mixed_liquor * 0.85])
    call = RUN_UP_HOURS * 60 + minute
    lost: dict[SiteAction | None, float] = {}

    def minute_on(i: int, basin: np.ndarray, action: SiteAction | None) -> np.ndarray:
        flow, back = np.zeros(len(tanks)), np.zeros(len(tanks))
        flow[:count], back[:count] = given.effluent[:, i], given.underflow[:, i]
        skips, part, faster = 0.0, STEP_PART, 1.0
        match action:
            case SiteAction.RETURN:
                back[0] *= RETURN_RAISED
            case SiteAction.FLOW_OFF:
                taken = FLOW_TAKEN_OFF * flow[0]
                flow[0] -= taken
                flow[1:count] += taken / (count - 1)
            case SiteAction.TANKS_IN:
                flow[:] = flow.sum() / len(tanks)
                back[count:] = back[:count].mean()
            case SiteAction.STEP_FEED:
                skips = STEP_SHARE
            case SiteAction.CONTACT_STABILIZATION:
                skips, part = CONTACT_SHARE, CONTACT_PART
            case SiteAction.POLYMER:
                faster = POLYMER_SPEEDS
        first, last = basin
        for _ in range(SUBSTEPS_PER_MINUTE):
            settlers.step(
                1.0 / 60.0 / SUBSTEPS_PER_MINUTE, flow, back, np.full(len(tanks), last), np.full(len(tanks), speeds[i] * faster),
                np.full(len(tanks), hindrances[i]),
            )  # fmt: skip
        through = (1.0 - skips) * flow.sum() + back.sum()
        volume = plant.basin_volume
        grown = (target - float(basin.mean()) * volume - float(settlers.held().sum())) / plant.sludge_age
        first += (float((back * settlers.underflow_solids).sum()) + grown - through * first) / 60.0 / (part * volume)
        last += (through * basin[0] - (flow.sum() + back.sum()) * last) / 60.0 / ((1.0 - part) * volume)
        lost[action] = lost.get(action, 0.0) + float((flow * settlers.effluent_solids).sum()) / 60.0
        return np.asarray(np.maximum(np.array([first, last]), 0.02))

    for i in range(call):
        basin = minute_on(i, basin, None)
    saved_solids, saved_basin = settlers.solids.copy(), basin.copy()
    until = min(call + int(60 * AHEAD), given.hours.size)
    for action in (None, *actions):
        settlers.solids, basin = saved_solids.copy(), saved_basin.copy()
        lost[action] = 0.0
        for i in range(call, until):
            basin = minute_on(i, basin, action)
    return Lived(lost[None], {action: lost[None] - lost[action] for action in actions})
