"""Time series of a tank's flows and loadings, drawn under its trend."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import Connection

from service.domain.blanket.estimate import TankSetup
from service.domain.loading.limits import Quantity, limits_for
from service.domain.loading.rates import solids_loading_rate, surface_overflow_rate
from service.domain.plant.signal import DIMENSION_OF, Signal, SignalKind
from service.domain.plant.tank import TankKind
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.storage.plant.site_tables import SiteIds
from service.storage.trends.series import Bucket, buckets


class Lane(StrEnum):
    """A quantity that can be drawn under the trend."""

    FLOW = "flow"
    RETURN_FLOW = "return_flow"
    OVERFLOW_RATE = "overflow_rate"
    SOLIDS_LOADING = "solids_loading"
    EFFLUENT_SOLIDS = "effluent_solids"
    TURBIDITY = "turbidity"


NAMES = {
    Lane.FLOW: "flow in",
    Lane.RETURN_FLOW: "return flow",
    Lane.OVERFLOW_RATE: "overflow rate",
    Lane.SOLIDS_LOADING: "solids loading",
    Lane.EFFLUENT_SOLIDS: "effluent solids",
    Lane.TURBIDITY: "effluent turbidity",
}
_DIMENSIONS = {
    Lane.FLOW: Dimension.FLOW,
    Lane.RETURN_FLOW: Dimension.FLOW,
    Lane.OVERFLOW_RATE: Dimension.OVERFLOW_RATE,
    Lane.SOLIDS_LOADING: Dimension.SOLIDS_LOADING,
    Lane.EFFLUENT_SOLIDS: Dimension.CONCENTRATION,
    Lane.TURBIDITY: Dimension.TURBIDITY,
}
_LIMITS = {Lane.OVERFLOW_RATE: Quantity.OVERFLOW_RATE, Lane.SOLIDS_LOADING: Quantity.SOLIDS_LOADING}

_NEEDS = {
    Lane.FLOW: (SignalKind.FLOW,),
    Lane.RETURN_FLOW: (SignalKind.RETURN_FLOW,),
    Lane.OVERFLOW_RATE: (SignalKind.FLOW,),
    Lane.SOLIDS_LOADING: (SignalKind.FLOW, SignalKind.RETURN_FLOW, SignalKind.FEED_SOLIDS),
    Lane.EFFLUENT_SOLIDS: (SignalKind.EFFLUENT_SOLIDS,),
    Lane.TURBIDITY: (SignalKind.TURBIDITY,),
}
#: What leaves: drawn beside the limit of its meter, which may be the permit's.
_LEAVING = (Lane.EFFLUENT_SOLIDS, Lane.TURBIDITY)


def lanes_of(setup: TankSetup) -> tuple[Lane, ...]:
    """Quantities for which the tank has the signals."""
    return tuple(lane for lane in Lane if all(_signals(setup, kind) for kind in _needed(setup, lane)))


def lane_of(
    conn: Connection,
    setup: TankSetup,
    ids: SiteIds,
    lane: Lane,
    units: UnitSystem,
    start: datetime,
    end: datetime,
    width: int,
) -> dict[str, Any]:
    """One lane: lowest, highest and last value per pixel in SI, with its display unit and limit."""
    tank = setup.tank
    parts = {kind: _shared(conn, setup, ids, kind, start, end, width) for kind in _needed(setup, lane)}
    flows = parts.get(SignalKind.FLOW, [])
    match lane:
        case Lane.FLOW:
            found = flows
        case Lane.RETURN_FLOW:
            found = parts[SignalKind.RETURN_FLOW]
        case Lane.OVERFLOW_RATE:
            found = joined([flows], [timedelta()], lambda v: surface_overflow_rate(max(v[0], 0.0), tank.area))
        case Lane.SOLIDS_LOADING:
            holds = [_holds(setup, kind) for kind in parts]
            found = joined(list(parts.values()), holds, lambda v: _loading(v, tank.area))
        case Lane.EFFLUENT_SOLIDS | Lane.TURBIDITY:
            [found] = parts.values()
    symbol = shown_unit(_DIMENSIONS[lane], units)
    limits = {limit.quantity: limit.value for limit in limits_for(tank, setup.terms.limits, setup.terms.design)}
    return {
        "lane": lane,
        "name": NAMES[lane],
        "unit": symbol,
        "per_si": from_si(1.0, symbol),
        "limit_si": _of_meters(setup, lane)
        if lane in _LEAVING
        else limits.get(_LIMITS[lane])
        if lane in _LIMITS
        else None,
        "time": [bucket.time for bucket in found],
        "low": [bucket.low for bucket in found],
        "high": [bucket.high for bucket in found],
        "last": [bucket.last for bucket in found],
    }


def joined(
    parts: Sequence[Sequence[Bucket]], holds: Sequence[timedelta], combine: Callable[[Sequence[float]], float]
) -> list[Bucket]:
    """Combine buckets of a quantity that increases with each of its parts, where all parts are known.

    Parameters
    ----------
    holds : how long each part's last value stays valid.
    combine : value from one value of each part; lowest parts give the lowest, highest the highest.
    """
    newest: list[Bucket | None] = [None] * len(parts)
    reached = [0] * len(parts)
    found = []
    for time in sorted({bucket.time for part in parts for bucket in part}):
        for i, part in enumerate(parts):
            while reached[i] < len(part) and part[reached[i]].time <= time:
                newest[i] = part[reached[i]]
                reached[i] += 1
        known = [
            bucket if bucket.time == time else Bucket(time, bucket.last, bucket.last, bucket.last, 0)
            for bucket, hold in zip(newest, holds, strict=True)
            if bucket is not None and time - bucket.time <= hold
        ]
        if len(known) == len(parts):
            low, high, last = (combine([getattr(bucket, side) for bucket in known]) for side in ("low", "high", "last"))
            found.append(Bucket(time, low, high, last, sum(bucket.count for bucket in known)))
    return found


def _of_meters(setup: TankSetup, lane: Lane) -> float | None:
    """The lowest limit of the meters drawn. [kg/m³ or NTU]"""
    limits = [s.limit for kind in _NEEDS[lane] for s in _signals(setup, kind) if s.limit is not None]
    return min(limits, default=None)


def _needed(setup: TankSetup, lane: Lane) -> tuple[SignalKind, ...]:
    """Signals a lane needs; tanks without return sludge are loaded by their flow alone."""
    secondary = setup.tank.kind is TankKind.SECONDARY
    return tuple(
        k for k in _NEEDS[lane] if secondary or lane is not Lane.SOLIDS_LOADING or k is not SignalKind.RETURN_FLOW
    )


def _signals(setup: TankSetup, kind: SignalKind) -> list[Signal]:
    """The tank's own signals of a kind, else the plant's."""
    signals = [s for s in setup.others if s.kind is kind]
    return [s for s in signals if s.tank == setup.tank.key] or [s for s in signals if s.tank is None]


def _holds(setup: TankSetup, kind: SignalKind) -> timedelta:
    return max(signal.stale_after for signal in _signals(setup, kind))


def _shared(
    conn: Connection, setup: TankSetup, ids: SiteIds, kind: SignalKind, start: datetime, end: datetime, width: int
) -> list[Bucket]:
    """Buckets of a kind of signal: the tank's own, or its share of the plant's."""
    signals = _signals(setup, kind)
    parts = [buckets(conn, "reading", ids.signals[s.tag], start, end, width) for s in signals]
    flow = DIMENSION_OF[kind] is Dimension.FLOW
    factor = setup.share_of_plant if flow and signals[0].tank is None else 1.0
    if not flow:
        factor = 1.0 / len(signals)
    if len(parts) == 1 and factor == 1.0:
        return parts[0]
    return joined(parts, [s.stale_after for s in signals], lambda values: factor * sum(values))


def _loading(values: Sequence[float], area: float) -> float:
    flow, *rest = (max(value, 0.0) for value in values)
    back, feed = rest if len(rest) == 2 else (0.0, rest[0])
    return solids_loading_rate(flow, back, feed, area)
