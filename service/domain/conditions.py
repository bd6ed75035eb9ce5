"""What the other signals of a tank say at a time: flows and solids, with the plant's own where a tank has none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime

from service.domain.balance import Conditions
from service.domain.loading import flow_split
from service.domain.reading import Quality, Reading
from service.domain.signal import Signal, SignalKind
from service.domain.tank import Tank, TankKind


def conditions_at(
    tank: Tank, in_service: Sequence[Tank], signals: Sequence[Signal], latest: Mapping[str, Reading], now: datetime
) -> Conditions:
    """The streams of one tank as measured, in SI.

    Parameters
    ----------
    tank : the tank asked about.
    in_service : every tank of its kind that takes flow now, itself included.
    signals : of the tank, of its sisters and of the plant (those without a tank).
    latest : newest reading of each signal, by tag.
    now : readings older than their signal's ``stale_after`` count as not known.

    Notes
    -----
    A tank without a meter of its own gets its share of the plant's by surface (common practice, no source). What is drawn
    from a primary tank or thickener is its waste flow where no return flow is measured; waste of a secondary tank is
    taken to come out of the return line, and is not counted twice.
    """

    def value(kind: SignalKind, key: str | None) -> float | None:
        """Sum of that tank's (or the plant's) signals of a kind; None unless every one of them is known."""
        found = [signal for signal in signals if signal.kind is kind and signal.tank == key]
        known = [_usable(latest.get(signal.tag), signal, now) for signal in found]
        numbers = [number for number in known if number is not None]
        return sum(numbers) if numbers and len(numbers) == len(known) else None

    def shared(kind: SignalKind) -> float | None:
        own, whole = value(kind, tank.key), value(kind, None)
        if own is not None or whole is None or all(other.key != tank.key for other in in_service):
            return own
        return flow_split(whole, {other.key: other.area for other in in_service})[tank.key]

    def solids(kind: SignalKind) -> float | None:
        found = [
            number
            for key in (tank.key, None)
            for signal in signals
            if signal.kind is kind
            and signal.tank == key
            and (number := _usable(latest.get(signal.tag), signal, now)) is not None
        ]
        return found[0] if found else None

    def whole(kind: SignalKind) -> float | None:
        plant = value(kind, None)
        if plant is not None:
            return plant
        each = [value(kind, other.key) for other in in_service]
        numbers = [number for number in each if number is not None]
        return sum(numbers) if numbers and len(numbers) == len(each) else None

    drawn = shared(SignalKind.RETURN_FLOW)
    if drawn is None and tank.kind is not TankKind.SECONDARY:
        drawn = value(SignalKind.WASTE_FLOW, tank.key)
    return Conditions(
        flow=shared(SignalKind.FLOW),
        return_flow=drawn,
        feed_solids=solids(SignalKind.FEED_SOLIDS),
        return_solids=solids(SignalKind.RETURN_SOLIDS),
        plant_flow=whole(SignalKind.FLOW),
        plant_return=whole(SignalKind.RETURN_FLOW),
    )


def _usable(reading: Reading | None, signal: Signal, now: datetime) -> float | None:
    if reading is None or reading.quality is Quality.BAD or not reading.value >= 0.0:
        return None
    return reading.value if now - reading.time <= signal.stale_after else None
