"""A tank in section, as rows of coloured table cells: mail clients load no picture and run no script, but all draw a table."""

from __future__ import annotations

import math
from dataclasses import dataclass

from service.domain.blanket.estimate import Trust
from service.domain.plant.display import format_length
from service.domain.plant.units import UnitSystem
from service.notify.messages.facts import AlarmFacts

#: Height of the picture from weir to floor, and what a label beside it needs. [px]
HEIGHT, LABEL = 126, 18


@dataclass(frozen=True, slots=True)
class Layer:
    """A row of the picture: how high [px], and what is there."""

    height: int
    what: str  #: water, doubt, sludge, unknown or limit


@dataclass(frozen=True, slots=True)
class LevelLabel:
    """Words beside the picture, in a row as high as the distance to the next ones. [px]"""

    height: int
    words: str
    limit: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TankPicture:
    """The picture of a tank from the weir down to the floor."""

    layers: tuple[Layer, ...]
    labels: tuple[LevelLabel, ...]


def picture(facts: AlarmFacts, system: UnitSystem) -> TankPicture | None:
    """The tank to scale, drawn from the numbers of the message; None where it is about no tank.

    What a person saw is drawn in place of the estimate; without a valid reading no sludge is drawn.
    """
    depth = facts.side_water_depth
    if facts.tank_kind is None or depth is None or depth <= 0:
        return None
    clearance, band = _top(facts)
    limits = [("danger limit", facts.danger_limit)] if facts.danger_limit is not None else []
    named = [("weir", 0, False), *((name, _pixel(limit, depth), True) for name, limit in limits)]
    if clearance is None:
        layers = [Layer(HEIGHT, "unknown")]
        named.append(("sludge not known", HEIGHT // 2, False))
    else:
        top = _pixel(clearance, depth)
        upper, lower = (_pixel(end, depth) for end in band)
        layers = [Layer(upper, "water"), Layer(lower - upper, "doubt"), Layer(HEIGHT - lower, "sludge")]
        where = f", {format_length(clearance, system)} under" if clearance > 0 else " at the weir"
        named.append((f"sludge{where}", top, False))
    for _, limit in limits:
        layers = _with_line(layers, _pixel(limit, depth))
    return TankPicture(layers=tuple(layer for layer in layers if layer.height > 0), labels=_labels(named))


def _top(facts: AlarmFacts) -> tuple[float | None, tuple[float, float]]:
    """Clearance to draw, and its least and greatest at 95 %, over all stories. [m]"""
    if facts.standing is not None:
        return facts.standing.clearance, (facts.standing.clearance, facts.standing.clearance)
    estimate, clearance = facts.estimate, facts.clearance
    if estimate is None or clearance is None or not math.isfinite(clearance) or estimate.trust is Trust.BLIND:
        return None, (math.nan, math.nan)
    if not math.isfinite(estimate.sd):
        return clearance, (clearance, clearance)
    low, high = estimate.interval
    top = clearance + estimate.height
    return clearance, (top - high, top - low)


def _pixel(clearance: float, depth: float) -> int:
    return round(HEIGHT * min(max(clearance / depth, 0.0), 1.0))


def _with_line(layers: list[Layer], at: int, thick: int = 2) -> list[Layer]:
    """The layers with a limit's line drawn over them; the height stays the same."""
    begin = min(max(at - thick // 2, 0), HEIGHT - thick)
    cut, y = [], 0
    for layer in layers:
        end = y + layer.height
        above = max(min(end, begin) - y, 0)
        below = max(end - max(y, begin + thick), 0)
        if above:
            cut.append(Layer(above, layer.what))
        if y <= begin < end:
            cut.append(Layer(thick, "limit"))
        if below:
            cut.append(Layer(below, layer.what))
        y = end
    return cut


def _labels(named: list[tuple[str, int, bool]]) -> tuple[LevelLabel, ...]:
    """Labels from the top down, moved apart where they would overlap."""
    ordered = sorted(named, key=lambda one: one[1])
    ys: list[int] = []
    for _, y, _ in ordered:
        ys.append(max(y, ys[-1] + LABEL if ys else 0))
    for index in range(len(ys) - 1, -1, -1):
        ys[index] = min(ys[index], HEIGHT - LABEL * (len(ys) - index))
    ends = [*ys[1:], HEIGHT]
    return tuple(LevelLabel(end - y, words, limit) for (words, _, limit), y, end in zip(ordered, ys, ends, strict=True))
