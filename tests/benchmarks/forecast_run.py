"""One simulated tank followed as the service would: readings and cores to belief, belief and flows to forecast."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from service.domain.blanket.estimate import Estimate, advance, initial
from service.domain.forecast.forecast import forecast, observe
from service.domain.forecast.outlook import HORIZONS
from service.domain.forecast.state import ForecastMemory
from service.domain.loading.balance import Conditions
from service.simulator.channel import Channel
from service.simulator.scenario import Recording
from tests.benchmarks.recorded_events import tank_events

Floats = NDArray[np.float64]

#: Belief is handed to the forecaster, and forecasts are made, this often. [s]
EVERY = 300
#: Samples of the past half hour that a straight line is drawn through.
_LINE = 7


@dataclass(frozen=True, slots=True)
class TankRun:
    """What was believed and foreseen of one tank; one row a forecast."""

    seconds: NDArray[np.int64]
    depth: float  #: side water depth [m]
    truth: Floats  #: blanket height at those times [m]
    calm: Floats  #: the same without its small waves [m]
    height: Floats  #: believed [m]
    mean: Floats  #: forecast, a column a horizon [m]
    spread: Floats  #: [m]
    cautious: Floats  #: hours until each watched height, a column a share of the depth; infinite when not in reach
    line: Floats  #: slope of a straight line through the last half hour of belief [m/h]
    line_now: Floats  #: where that line stands now [m]


def held(channel: Channel, seconds: NDArray[np.int64]) -> Floats:
    """The last value known at each time; NaN before the first."""
    place = np.searchsorted(channel.seconds, seconds, side="right") - 1
    return np.where(place >= 0, channel.value[np.maximum(place, 0)], np.nan)


def known(value: float) -> float | None:
    """None for what is not known yet."""
    return None if np.isnan(value) else float(value)


def follow(recording: Recording, tank: int, shares: tuple[float, ...]) -> TankRun:
    """Run estimator and forecaster over one tank of a recording.

    Parameters
    ----------
    shares : heights watched, as shares of the side water depth.
    """
    given = tank_events(recording, tank)
    said = advance(given.setup, initial(given.setup), given.events).estimates
    said_at = np.array([estimate.time.timestamp() for estimate in said])
    grid = recording.truth.seconds[:: EVERY // 60]
    grid = grid[grid >= said_at[0]]
    latest = np.searchsorted(said_at, grid, side="right") - 1
    others = range(len(recording.scenario.plant.tanks))
    flows = [held(recording.channel("flow", other), grid) for other in others]
    returns = [held(recording.channel("return_flow", other), grid) for other in others]
    feed = held(recording.channel("feed_solids"), grid)
    drawn = held(recording.channel("return_solids", tank), grid)
    memory, described = ForecastMemory(), given.setup.tank
    height, mean, spread = (
        np.empty(grid.size),
        np.empty((grid.size, len(HORIZONS))),
        np.empty((grid.size, len(HORIZONS))),
    )
    cautious = np.full((grid.size, len(shares)), np.inf)
    for i, second in enumerate(grid.tolist()):
        at = datetime.fromtimestamp(second, UTC)
        last = said[int(latest[i])]
        belief = Estimate(
            tank=last.tank, time=at, height=last.height, sd=last.sd, rate=last.rate, trust=last.trust, reason=last.reason
        )  # fmt: skip
        conditions = Conditions(
            flow=known(flows[tank][i]),
            return_flow=known(returns[tank][i]),
            feed_solids=known(feed[i]),
            return_solids=known(drawn[i]),
            plant_flow=known(sum(flow[i] for flow in flows)),
            plant_return=known(sum(back[i] for back in returns)),
        )
        observe(described, memory, belief, conditions)
        made = forecast(described, memory, at)
        assert made is not None
        height[i], mean[i], spread[i] = made.height, made.mean, made.spread
        for j, share in enumerate(shares):
            cautious[i, j] = made.time_to(share * described.side_water_depth).cautious
    slope, now = _straight_line(height)
    calm = recording.truth.height[tank] - recording.truth.ripple[tank]
    return TankRun(
        seconds=grid,
        depth=described.side_water_depth,
        truth=recording.truth_at(tank, grid),
        calm=np.interp(grid, recording.truth.seconds, calm),
        height=height,
        mean=mean,
        spread=spread,
        cautious=cautious,
        line=slope,
        line_now=now,
    )


def _straight_line(height: Floats) -> tuple[Floats, Floats]:
    """Least-squares line through the last half hour: its slope [m/h], and where it stands at the last point [m]."""
    padded = np.concatenate([np.full(_LINE - 1, height[0]), height])
    windows = np.lib.stride_tricks.sliding_window_view(padded, _LINE)
    hours = (np.arange(_LINE) - (_LINE - 1) / 2.0) * EVERY / 3600.0
    slope = windows @ hours / float(hours @ hours)
    return slope, windows.mean(axis=1) + slope * hours[-1]
