"""Forecasts a tank as things are and after a change of flows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from service.domain.forecast.forecast import drawing_of, expect, forecast, response_of, streams_of
from service.domain.forecast.outlook import HORIZONS, Forecast
from service.domain.forecast.state import ForecastMemory
from service.domain.loading.balance import STEP, carry_forward
from service.domain.plant.tank import Tank
from service.errors import DomainError


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantChange:
    """What is changed. Flows in [m³/s] for this tank alone, times in [h].

    A tank taken out of service shows here as ``flow_factor`` on those that stay: four tanks to three is 4/3.
    """

    return_added: float = 0.0  #: raise (or lower) the return flow by this, at once
    flow_factor: float = 1.0  #: multiply this tank's flow by this, at once
    storm_flow: float = 0.0  #: add this flow …
    storm_start: float = 0.0  #: … from this time
    storm_hours: float = 0.0  #: … for so long


def what_if(tank: Tank, memory: ForecastMemory, now: datetime, change: PlantChange) -> tuple[Forecast, Forecast]:
    """The forecast as things are, and after a change.

    Parameters
    ----------
    memory : what the forecaster knows of the tank.
    change : applied from now on.

    Returns
    -------
    Both forecasts; the second differs by what the balance says the change does, worth as much as the balance has proved
    to be in this tank.

    Raises
    ------
    DomainError
        when flows are not known, so that a change of them means nothing; or the change is impossible.

    Notes
    -----
    A balance, not a hydraulic model: it knows nothing of currents, nor of solids lost over the weir.
    """
    base = forecast(tank, memory, now)
    streams = streams_of(tank, memory, drawing_of(tank, memory))
    if base is None or streams is None or memory.flow is None or memory.time is None:
        raise DomainError(f"tank {tank.key}: no flow is known, so nothing can be said about changing it")
    if change.flow_factor < 0.0 or change.storm_hours < 0.0:
        raise DomainError("a flow cannot be multiplied by less than nothing, nor a storm last less than no time")
    per_area = 3600.0 / tank.area
    under = streams.under + change.return_added * per_area
    if under < 0.0:
        raise DomainError(f"tank {tank.key}: the return flow cannot be lowered by more than it is")
    middles = np.asarray(STEP * (np.arange(round(HORIZONS[-1] / STEP)) + 0.5), dtype=np.float64)
    usual = memory.flow_habit.ahead(memory.time, memory.flow, memory.flow_trend, middles) / max(memory.flow, 1e-9)
    storm = (middles >= change.storm_start) & (middles < change.storm_start + change.storm_hours)
    changed = usual * change.flow_factor + storm * change.storm_flow / max(memory.flow, 1e-9)
    after = replace(streams, under=under, basin_under=streams.basin_under + change.return_added * per_area)
    response = response_of(memory)
    bounds = tank.lowest_height, tank.side_water_depth
    as_is = carry_forward(memory.height, streams, usual.tolist(), response, tank.kind, *bounds)
    as_changed = carry_forward(memory.height, after, changed.tolist(), response, tank.kind, *bounds)
    weighed = expect(tank, memory, memory.time).weighed
    means, spreads = [], []
    for i, horizon in enumerate(HORIZONS):
        step = round(horizon / STEP) - 1
        worth = float(np.clip(memory.corrections.mean[i, weighed], 0.3, 1.2))
        shift = worth * (as_changed[step] - as_is[step])
        means.append(min(max(base.mean[i] + shift, bounds[0]), bounds[1]))
        spreads.append(float(np.hypot(base.spread[i], 0.25 * shift)))
    return base, replace(base, mean=tuple(means), spread=tuple(spreads))
