"""The simulated plant's other instruments: flows, solids, and the daily settling test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.simulator.plant import SimPlant, Truth
from service.simulator.weather import wander

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured channel. ``kind`` uses the trade's words; values in SI as stored (m³/s, kg/m³, mL/L)."""

    kind: str  #: flow, return_flow, feed_solids, return_solids, settled_volume
    tank: int | None  #: None for the whole plant
    seconds: NDArray[np.int64]
    value: Floats


def channels(plant: SimPlant, truth: Truth, first_local_hour: float, rng: np.random.Generator) -> tuple[Channel, ...]:
    """Everything else the plant measures: meters carry a fixed error of a percent or two and some noise."""
    made: list[Channel] = []
    for tank in range(len(plant.tanks)):
        for kind, true in (("flow", truth.effluent[tank]), ("return_flow", truth.underflow[tank])):
            gain = 1.0 + 0.015 * float(rng.standard_normal())
            value = true / 3600.0 * gain * (1.0 + wander(true.size, 0.01, 3.0, rng))
            made.append(Channel(kind, tank, truth.seconds, np.maximum(value, 0.0)))
        made.append(_slow("return_solids", tank, truth.underflow_solids[tank], truth.seconds, rng))
    made.append(_slow("feed_solids", None, truth.feed_solids, truth.seconds, rng))
    if plant.kind == "secondary":
        made.append(_settling_test(truth, first_local_hour, rng))
    return tuple(made)


def _slow(kind: str, tank: int | None, true: Floats, seconds: NDArray[np.int64], rng: np.random.Generator) -> Channel:
    """A solids probe: every 15 minutes, a fixed error of a few percent."""
    pick = slice(int(rng.integers(0, 15)), None, 15)
    gain = 1.0 + 0.03 * float(rng.standard_normal())
    value = true[pick] * gain
    return Channel(kind, tank, seconds[pick], np.maximum(value * (1.0 + 0.02 * rng.standard_normal(value.size)), 0.0))


def _settling_test(truth: Truth, first_local_hour: float, rng: np.random.Generator) -> Channel:
    """Settled volume after 30 minutes, read once a day at nine local time, to 10 mL/L. [mL/L]"""
    hours = np.arange(9.0 - first_local_hour, truth.seconds.size / 60.0, 24.0)
    pick = (hours[hours >= 0.0] * 60.0).astype(np.int64)
    ideal = truth.settleability[pick] * truth.feed_solids[pick]
    value = ideal * (1.0 + 0.04 * rng.standard_normal(pick.size))
    # A cylinder cannot settle below full: very large volumes bend towards 950 mL/L.
    bent = np.where(value < 600.0, value, 600.0 + 350.0 * (1.0 - np.exp(-(value - 600.0) / 350.0)))
    return Channel("settled_volume", None, truth.seconds[pick], np.round(bent / 10.0) * 10.0)
