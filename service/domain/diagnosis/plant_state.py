"""The plant as the ranking of actions takes it, from what is known of its tanks now."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from service.domain.diagnosis.gather import Known
from service.domain.diagnosis.ranking import PlantState, TankState
from service.domain.forecast.forecast import response_of
from service.domain.forecast.tracker import conditions
from service.domain.loading.balance import Conditions
from service.domain.loading.tank_load import TankLoad
from service.domain.plant.tank import Tank, TankKind
from service.errors import InputError


def plant_state(
    own: Known,
    sisters: Sequence[Known],
    idle: Sequence[Tank],
    load: TankLoad,
    usual_return: float | None,
    now: datetime,
) -> PlantState:
    """The tanks of one basin now.

    Parameters
    ----------
    sisters : secondary tanks in service, without this one; one whose blanket or flows are not known is taken to be like it.
    idle : secondary tanks out of service.
    load : of the tank asked about.
    usual_return : its return flow before. [m³/s]

    Raises
    ------
    InputError
        naming what is missing.
    """
    tank = own.setup.tank
    if tank.kind is not TankKind.SECONDARY:
        raise InputError(f"{tank.label}: actions can be judged for tanks after activated sludge only")
    seen = conditions(own.setup, own.heading, now)
    missing = [
        name
        for name, value in (
            ("flow", seen.flow),
            ("return flow", seen.return_flow),
            ("feed solids", seen.feed_solids),
            ("a settling test", load.settling),
            ("its blanket", own.believed),
        )
        if value is None
    ]
    if missing or own.believed is None or load.settling is None or seen.feed_solids is None:
        raise InputError(f"{tank.label}: actions cannot be judged without {', '.join(missing)}")
    mine = _tank(tank, seen, own.believed.height, seen.feed_solids)
    states = [mine]
    for sister in sisters:
        memory, its = sister.heading.memory, conditions(sister.setup, sister.heading, now)
        fresh = memory.time is not None and now.timestamp() - memory.time <= 3600.0
        scale = sister.setup.tank.area / tank.area
        like_mine = Conditions(
            flow=its.flow if its.flow is not None else (seen.flow or 0.0) * scale,
            # What is lost here need not be lost there.
            return_flow=its.return_flow
            if its.return_flow is not None
            else max(seen.return_flow or 0.0, usual_return or 0.0) * scale,
            return_solids=its.return_solids,
        )
        height = memory.height if fresh else own.believed.height
        states.append(_tank(sister.setup.tank, like_mine, height, seen.feed_solids))
    capacity = own.setup.terms.return_capacity
    return PlantState(
        tanks=tuple(states),
        feed=seen.feed_solids,
        basin=sum(state.area for state in states) / response_of(own.heading.memory).dilution,
        sludge=load.settling.sludge,
        idle=tuple(one.area for one in idle),
        return_capacity=None if capacity is None else 3600.0 * capacity,
        usual_return=None if usual_return is None else 3600.0 * usual_return,
    )


def _tank(tank: Tank, streams: Conditions, height: float, feed: float) -> TankState:
    flow, back = 3600.0 * (streams.flow or 0.0), 3600.0 * (streams.return_flow or 0.0)
    # Where it is not measured: what keeps the solids of the tank steady, within what sludge thickens to.
    balanced = feed * (1.0 + flow / back) if back > 0.0 else 3.0 * feed
    drawn = streams.return_solids if streams.return_solids is not None else min(balanced, 4.0 * feed)
    return TankState(
        area=tank.area, depth=tank.side_water_depth, flow=flow, back=back, height=height, drawn=max(drawn, feed)
    )
