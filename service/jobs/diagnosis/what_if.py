"""Forecasts a tank if its return flow, the tanks in service or the plant's flow were changed now."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Engine

from service.domain.blanket.estimate import Estimate, TankSetup
from service.domain.diagnosis.flow_change import flow_meant
from service.domain.diagnosis.what_if import PlantChange, what_if
from service.domain.forecast.outlook import Forecast
from service.domain.forecast.tracker import outlook
from service.domain.loading.split import shares_of_plant
from service.domain.loading.tank_load import TankLoad, tank_load
from service.domain.plant.display import format_quantity
from service.domain.plant.units import Dimension, UnitSystem, shown_unit
from service.errors import InputError
from service.jobs.blanket.estimate import newest_heading
from service.jobs.loading.loading import Loading, loading_of
from service.storage.database.session import transaction
from service.storage.plant.site_tables import SiteIds

#: A storm longer than the look-ahead changes nothing more.
LONGEST_STORM = 48.0

CAUTION = (
    "Advice only: a balance of solids, learned from this tank, that knows nothing of currents, of uneven flow or of solids"
    " lost over the weir. Site procedures, local codes and the licensed operator decide; watch what the tank really does."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What somebody would like to try, as they write it."""

    return_flow: str = ""  #: of this tank
    out_of_service: tuple[str, ...] = ()  #: keys of other tanks
    storm: str = ""  #: flow of the whole plant while the storm lasts
    storm_hours: float | None = None
    storm_start: float = 0.0

    @property
    def empty(self) -> bool:
        """Whether nothing is changed."""
        return not (self.return_flow.strip() or self.out_of_service or self.storm.strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """How a tank's blanket goes on as things are, and if they were changed."""

    setup: TankSetup
    made_at: datetime
    as_is: Forecast
    changed: Forecast
    said: tuple[str, ...]  #: what is changed, in words
    doubts: tuple[str, ...]  #: what speaks against it
    danger: float | None  #: height of the danger limit above the floor datum [m]
    now: Loading
    then: TankLoad | None  #: loading after the change, at its worst; None where it is not known


def course(
    engine: Engine,
    setup: TankSetup,
    setups: Sequence[TankSetup],
    ids: SiteIds,
    wish: Wish,
    *,
    believed: Estimate | None,
    danger_clearance: float | None,
    units: UnitSystem,
    now: datetime,
    out: Collection[str] = (),
) -> Course:
    """Both courses of a tank's blanket over the coming hours.

    Parameters
    ----------
    setups : all tanks, among which the flow is split.
    believed : the tank's blanket now.
    danger_clearance : its danger limit. [m]
    out : keys of the tanks out of service now.

    Raises
    ------
    InputError
        when the wish cannot be understood or contradicts itself, or too little is known of the tank.
    """
    with transaction(engine) as conn:
        heading = newest_heading(conn, setup, ids.tanks[setup.tank.key])
        if heading is None or outlook(setup, heading, now) is None:
            raise InputError(f"{setup.tank.label}: nothing was heard of its blanket in the last hour; take a hand core")
        loading = loading_of(conn, setup, ids, heading, believed, now)
    seen = loading.conditions
    if seen.flow is None:
        raise InputError(f"{setup.tank.label}: its flow is not known, so nothing can be said about changing it")
    plan = _plan(setup, setups, wish, loading, units, out)
    as_is, changed = what_if(setup.tank, heading.memory, now, plan.change)
    flow = seen.flow * plan.change.flow_factor + plan.change.storm_flow
    back = None if seen.return_flow is None else seen.return_flow + plan.change.return_added
    index = loading.load.sludge_index
    then = tank_load(
        setup.tank,
        replace(seen, flow=flow, return_flow=back),
        None if believed is None else believed.height,
        # The index stays what it is: the volume that goes with the solids of now.
        None if index is None or not seen.feed_solids else min(index * seen.feed_solids, 1000.0),
        None,
        setup.terms,
        stirred_index=loading.load.stirred_index,
    )
    return Course(
        setup=setup,
        made_at=now,
        as_is=as_is,
        changed=changed,
        said=plan.said,
        doubts=plan.doubts,
        danger=None if danger_clearance is None else setup.tank.side_water_depth - danger_clearance,
        now=loading,
        then=then,
    )


@dataclass(frozen=True, slots=True)
class _Plan:
    change: PlantChange
    said: tuple[str, ...]
    doubts: tuple[str, ...]


def _plan(
    setup: TankSetup, setups: Sequence[TankSetup], wish: Wish, loading: Loading, units: UnitSystem, out: Collection[str]
) -> _Plan:
    seen, unit = loading.conditions, shown_unit(Dimension.FLOW, units)
    said, doubts = [], []

    def told(flow: float) -> str:
        return format_quantity(flow, Dimension.FLOW, units)

    change = PlantChange()
    if wish.return_flow.strip():
        if seen.return_flow is None:
            raise InputError(f"the return flow of {setup.tank.label} is not known, so it cannot be changed here")
        meant = flow_meant(wish.return_flow, seen.return_flow, unit)
        change = replace(change, return_added=meant - seen.return_flow)
        said.append(f"return flow {told(seen.return_flow)} → {told(meant)}")
        capacity = setup.terms.return_capacity
        if capacity is not None and meant > capacity * 1.001:
            doubts.append(f"That is more return than the pumps can give this tank ({told(capacity)}).")
    before, after = _shares(setup, setups, wish.out_of_service, out)
    if wish.out_of_service:
        change = replace(change, flow_factor=after / before)
        names = {s.tank.key: s.tank.label for s in setups}
        said.append(
            f"out of service: {', '.join(names[key] for key in wish.out_of_service)};"
            f" this tank's flow {told(seen.flow or 0.0)} → {told((seen.flow or 0.0) * after / before)}"
        )
    if wish.storm.strip():
        if wish.storm_hours is None or not 0.0 < wish.storm_hours <= LONGEST_STORM:
            raise InputError(f"say how many hours the storm lasts, up to {LONGEST_STORM:g}")
        if not 0.0 <= wish.storm_start <= LONGEST_STORM:
            raise InputError("a storm begins now or later")
        plant = seen.plant_flow if seen.plant_flow is not None else (seen.flow or 0.0) / before
        meant = flow_meant(wish.storm, plant, unit)
        change = replace(
            change,
            storm_flow=(meant - plant) * after,
            storm_start=wish.storm_start,
            storm_hours=wish.storm_hours,
        )
        begins = f", beginning in {wish.storm_start:g} h" if wish.storm_start else ""
        said.append(f"flow of the whole plant {told(plant)} → {told(meant)} for {wish.storm_hours:g} h{begins}")
    elif wish.storm_hours is not None:
        raise InputError("say what flow the storm brings, not only how long it lasts")
    return _Plan(change, tuple(said) or ("nothing is changed",), tuple(doubts))


def _shares(
    setup: TankSetup, setups: Sequence[TankSetup], taken: Sequence[str], out: Collection[str]
) -> tuple[float, float]:
    """This tank's part of the plant's flow before and after others are taken out. [–]"""
    tanks = [s.tank for s in setups]
    kin = [tank.key for tank in tanks if tank.kind is setup.tank.kind and tank.key != setup.tank.key]
    for key in taken:
        if key == setup.tank.key:
            raise InputError(f"{setup.tank.label} itself cannot be taken out here: look at a tank that stays")
        if key not in kin:
            others = ", ".join(kin) or "none"
            raise InputError(f"there is no other {setup.tank.kind} tank {key!r}; known: {others}")
        if key in out:
            raise InputError(f"tank {key} is out of service already")
    now, then = shares_of_plant(tanks, out), shares_of_plant(tanks, {*out, *taken})
    return now[setup.tank.key], then[setup.tank.key]
