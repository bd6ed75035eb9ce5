"""Carries the solids balance of a tank forward: feed, underflow, and the blanket that follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.domain.plant.tank import TankKind

#: Step of the balance and of all learning. [h]
STEP = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """What the other signals say now, in SI; None where not measured, stale or bad.

    ``return_flow`` is whatever is drawn from the floor: return sludge of a secondary tank, sludge pumped from a primary
    tank or thickener. The plant's totals matter where several tanks share an aeration basin.
    """

    flow: float | None = None  #: effluent of the tank [m³/s]
    return_flow: float | None = None  #: [m³/s]
    feed_solids: float | None = None  #: [kg/m³]
    return_solids: float | None = None  #: [kg/m³]
    plant_flow: float | None = None  #: [m³/s]
    plant_return: float | None = None  #: [m³/s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Streams:
    """The same per square metre of tank, gaps filled. Speeds in [m/h], solids in [kg/m³]."""

    over: float
    under: float
    feed: float
    drawn: float
    basin_over: float  #: share of the plant's flow that belongs to this tank's part of the basin
    basin_under: float

    @property
    def solids_in(self) -> float:
        """[kg/(m²·h)]"""
        return (self.over + self.under) * self.feed

    @property
    def solids_out(self) -> float:
        """[kg/(m²·h)]"""
        return self.under * self.drawn

    @property
    def basin_gain(self) -> float:
        """Solids the basin gains from this tank and loses to it. [kg/(m²·h)]"""
        return self.basin_under * self.drawn - (self.basin_over + self.basin_under) * self.feed


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """How one tank answers, as learned."""

    rise_in: float  #: rise per solids brought in [m³/kg]
    fall_out: float  #: fall per solids drawn off [m³/kg]
    dilution: float  #: surface over basin volume, per tank [1/m]
    thickening: float  #: underflow solids gained per solids stored [1/m]


def natural_rate(streams: Streams, response: Response) -> float:
    """How fast the balance says the blanket rises now. [m/h]"""
    return response.rise_in * streams.solids_in - response.fall_out * streams.solids_out


def carry_forward(
    height: float,
    streams: Streams,
    flow_ratio: Sequence[float],
    response: Response,
    kind: TankKind,
    lowest: float,
    crest: float,
) -> list[float]:
    """Blanket height step by step if flows go as expected and everything else by its own balance.

    Parameters
    ----------
    height : now. [m]
    streams : now.
    flow_ratio : flow expected in each coming step over the flow now. [–]
    response : the tank's, as learned.
    kind : only secondary tanks are fed from a basin that thins out as its solids move into the tank.
    lowest, crest : floor and weir, which bound the height. [m]

    Returns
    -------
    Height at the end of each step. [m]

    Notes
    -----
    One blanket of slowly changing strength; basin fully mixed; return flow stays as it is. Holds for hours, not days.
    """
    feed, drawn = streams.feed, streams.drawn
    path = []
    for ratio in flow_ratio:
        over = streams.over * ratio
        rise = response.rise_in * (over + streams.under) * feed - response.fall_out * streams.under * drawn
        height = min(max(height + STEP * rise, lowest), crest)
        path.append(height)
        stored = (over + streams.under) * feed - streams.under * drawn
        if kind is TankKind.SECONDARY:
            basin_over = streams.basin_over * ratio
            gain = streams.basin_under * drawn - (basin_over + streams.basin_under) * feed
            feed = max(feed + STEP * response.dilution * gain, 0.05)
        drawn = min(max(drawn + STEP * response.thickening * stored, 0.5 * streams.drawn), 2.0 * streams.drawn)
    return path
