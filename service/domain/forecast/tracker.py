"""Where a tank is heading, followed event by event: what its other signals say now, and the forecaster's memory.

The second fold beside the estimate, over the same events: whoever folds a stretch of events into the estimator's state hands
the estimates that came of it to :func:`follow`, with the readings of the other signals.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from service.domain.blanket.estimate import Estimate, EstimateReason, TankSetup
from service.domain.forecast.forecast import forecast, observe
from service.domain.forecast.outlook import Forecast
from service.domain.forecast.state import ForecastMemory
from service.domain.loading.balance import Conditions
from service.domain.loading.rates import solids_loading_rate
from service.domain.plant.reading import Quality, Reading
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import TankKind


@dataclass(slots=True)
class Heading:
    """The forecaster's memory, and the newest usable value of every other signal: seconds since 1970 and value in SI."""

    memory: ForecastMemory
    latest: dict[str, tuple[float, float]] = field(default_factory=dict)


def first_heading(setup: TankSetup) -> Heading:
    """Nothing known yet but what is usual for the kind of tank."""
    return Heading(ForecastMemory.for_tank(setup.tank.kind))


def follow(setup: TankSetup, heading: Heading, readings: Sequence[Reading], estimates: Iterable[Estimate]) -> None:
    """Take in a stretch; *heading* is changed in place.

    Parameters
    ----------
    readings : in order of time; those of blanket signals are passed over.
    estimates : in order of time.
    """
    others = {signal.tag for signal in setup.others}
    spoken = [r for r in readings if r.tag in others]
    done = 0
    for estimate in estimates:
        upto = bisect_right(spoken, estimate.time, lo=done, key=_time)
        _hear(heading, spoken[done:upto])
        done = upto
        if estimate.reason is not EstimateReason.NO_DATA:
            observe(setup.tank, heading.memory, estimate, conditions(setup, heading, estimate.time))
    _hear(heading, spoken[done:])


def fresh_values(setup: TankSetup, heading: Heading, at: datetime, *, own: bool) -> dict[SignalKind, float]:
    """The fresh values by kind; where several signals of a kind speak of one thing, flows add up and all else is averaged.

    Parameters
    ----------
    own : the tank's own signals, or else the plant's.
    """
    found: dict[SignalKind, list[float]] = {}
    for signal in setup.others:
        if (signal.tank == setup.tank.key) is not own or signal.tag not in heading.latest:
            continue
        seconds, value = heading.latest[signal.tag]
        if timedelta(seconds=at.timestamp() - seconds) <= signal.stale_after:
            # Around zero a meter may read a little less than nothing.
            found.setdefault(signal.kind, []).append(max(value, 0.0) if signal.kind in _NEVER_NEGATIVE else value)
    flows = (SignalKind.FLOW, SignalKind.RETURN_FLOW, SignalKind.WASTE_FLOW)
    return {kind: sum(values) if kind in flows else sum(values) / len(values) for kind, values in found.items()}


def conditions(setup: TankSetup, heading: Heading, at: datetime) -> Conditions:
    """What the other signals say at a time, each in SI; None where nothing is measured or the value is stale.

    Notes
    -----
    Where a tank has no flow meter of its own it is taken to get its share of the plant's by area. What is drawn from a
    primary tank or thickener is its waste flow; waste of a secondary tank comes out of the return line, and counts there.
    """
    own, plant = fresh_values(setup, heading, at, own=True), fresh_values(setup, heading, at, own=False)

    def share(kind: SignalKind) -> float | None:
        whole = plant.get(kind)
        return own[kind] if kind in own else None if whole is None else whole * setup.share_of_plant

    drawn = share(SignalKind.RETURN_FLOW)
    if drawn is None and setup.tank.kind is not TankKind.SECONDARY:
        drawn = own.get(SignalKind.WASTE_FLOW)
    return Conditions(
        flow=share(SignalKind.FLOW),
        return_flow=drawn,
        feed_solids=own.get(SignalKind.FEED_SOLIDS, plant.get(SignalKind.FEED_SOLIDS)),
        return_solids=own.get(SignalKind.RETURN_SOLIDS, plant.get(SignalKind.RETURN_SOLIDS)),
        plant_flow=plant.get(SignalKind.FLOW),
        plant_return=plant.get(SignalKind.RETURN_FLOW),
    )


def outlook(setup: TankSetup, heading: Heading, now: datetime) -> Forecast | None:
    """The forecast from what was last observed; None before anything was."""
    return forecast(setup.tank, heading.memory, now)


def solids_loading(setup: TankSetup, heading: Heading, now: datetime) -> float | None:
    """Solids put on the tank per area and hour; None where flow or feed solids are not measured. [kg/(m²·h)]"""
    seen = conditions(setup, heading, now)
    if seen.flow is None or seen.feed_solids is None:
        return None
    # A secondary tank is fed with its return flow too: leaving out what is not measured would understate the load.
    if seen.return_flow is None and setup.tank.kind is TankKind.SECONDARY:
        return None
    fed_back = seen.return_flow if setup.tank.kind is TankKind.SECONDARY else 0.0
    return solids_loading_rate(seen.flow, fed_back or 0.0, seen.feed_solids, setup.tank.area)


def heading_to_json(heading: Heading) -> dict[str, Any]:
    """Everything as JSON values; :func:`heading_from_json` gives back exactly the same."""
    return {"memory": heading.memory.to_json(), "latest": {tag: list(seen) for tag, seen in heading.latest.items()}}


def heading_from_json(stored: Mapping[str, Any]) -> Heading:
    """The heading from :func:`heading_to_json`.

    Raises
    ------
    DomainError
        when another version wrote it: follow the events from the beginning instead.
    """
    return Heading(
        ForecastMemory.from_json(stored["memory"]),
        {tag: (float(seen[0]), float(seen[1])) for tag, seen in stored["latest"].items()},
    )


_NEVER_NEGATIVE = frozenset(
    {
        SignalKind.FLOW,
        SignalKind.RETURN_FLOW,
        SignalKind.WASTE_FLOW,
        SignalKind.FEED_SOLIDS,
        SignalKind.RETURN_SOLIDS,
        SignalKind.SETTLED_VOLUME,
    }
)


def _time(reading: Reading) -> datetime:
    return reading.time


def _hear(heading: Heading, readings: Iterable[Reading]) -> None:
    for reading in readings:
        if reading.quality is not Quality.BAD:
            heading.latest[reading.tag] = (reading.time.timestamp(), reading.value)
