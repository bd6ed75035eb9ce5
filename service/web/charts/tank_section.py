"""A tank in section, to scale: from the wall with its weir and trough to the centre, or along the length.

Drawn in centimetres, x from the wall, y downwards from the floor datum, so that a template only has to place the points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.domain.plant.tank import Tank, TankShape
from service.web.charts.label_places import Label, baselines, words_box

#: A long tank is broken off where its picture would get wider than this many depths.
WIDEST = 3.0
#: Where the words of height marks begin, their type beside that of limits, and how far before the right end limits' words end.
TICK_X, TICK_TYPE, BEFORE_CENTRE = 28.0, 0.72, 34.0
_FREEBOARD, _TROUGH, _TROUGH_DEPTH = 45.0, 85.0, 60.0


@dataclass(frozen=True, slots=True)
class SectionMark:
    """A level with its name, and the baseline of its words."""

    y: float
    name: str
    words: str
    words_y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SectionDrawing:
    """Everything the picture is made of. [cm]"""

    left: float
    top: float
    width: float
    height: float
    floor: str  #: polygon under the floor
    water: str
    sludge: str
    bands: tuple[str, ...]
    fluff: str
    blanket_y: float | None
    blanket_x: float
    reach: float
    weir_y: float
    centre: bool  #: ends at the centre line
    broken: bool  #: ends at a break
    core_x: float
    core_top: float | None  #: of the last core
    core_bottom: float
    marks: tuple[SectionMark, ...]
    type_size: float
    ticks: tuple[tuple[float, str], ...]


def draw(
    tank: Tank,
    *,
    height: float | None,
    intervals: Sequence[tuple[float, float]] = (),
    marks: tuple[tuple[str, float, str], ...] = (),
    fluff: float | None = None,
    core_thickness: float | None = None,
    core_distance: float | None = None,
    tick: float = 0.5,
    tick_words: tuple[str, ...] = (),
) -> SectionDrawing:
    """The picture of a tank.

    Parameters
    ----------
    height : believed blanket; None where nothing is known. [m]
    intervals : where it stands with 95 %, one for each of rival stories that lie apart. [m]
    marks : limits as (name, clearance [m], words).
    fluff : top of the dispersed layer above the floor datum. [m]
    core_thickness, core_distance : the last core. [m]
    tick, tick_words : distance of the marks on the wall [m] and what stands beside them, from the floor datum up.
    """
    depth = tank.side_water_depth
    whole = max(tank.reach, 0.5)
    total = depth + tank.floor_drop(whole)
    reach = min(whole, WIDEST * total)
    broken = reach < whole
    slope = tank.floor_slope
    right, weir = reach * 100.0, -depth * 100.0
    bottom = slope * reach * 100.0
    top = weir - _FREEBOARD - 30.0
    low = bottom + 40.0
    size = max((0.03 if tick_words else 0.05) * (right + _TROUGH), 22.0)
    # In a wide tank the type is large and the marks lie close: then only every second one, or third, is named.
    named = math.ceil(1.1 * TICK_TYPE * size / (tick * 100.0))
    ticks = tuple((-n * tick * 100.0, words if n % named == 0 else "") for n, words in enumerate(tick_words))
    levels = [(-(depth - clearance) * 100.0, name, words) for name, clearance, words in marks]
    places = baselines(
        [Label(y, words, above=name == "danger") for y, name, words in levels],
        right=right - BEFORE_CENTRE,
        size=size,
        taken=[words_box(words, y + 0.32 * size, TICK_TYPE * size, left=TICK_X) for y, words in ticks],
        top=top,
        bottom=low,
    )
    return SectionDrawing(
        left=-_TROUGH - 12.0,
        top=top,
        width=right + _TROUGH + 24.0,
        height=low - top,
        floor=_points([(-12.0, 0.0), (0.0, 0.0), (right, bottom), (right, bottom + 28.0), (-12.0, 28.0)]),
        water=_points([(0.0, weir), (right, weir), (right, bottom), (0.0, 0.0)]),
        sludge="" if height is None else _layer(slope, reach, -1e3, min(height, depth + 0.2)),
        bands=tuple(_layer(slope, reach, lower, min(upper, depth + 0.3)) for lower, upper in intervals),
        fluff=""
        if height is None or fluff is None or fluff <= height
        else _layer(slope, reach, height, min(fluff, depth)),
        blanket_y=None if height is None else -height * 100.0,
        blanket_x=0.0 if height is None or height >= 0 or slope <= 0 else min(-height / slope, reach) * 100.0,
        reach=right,
        weir_y=weir,
        centre=tank.shape is TankShape.CIRCULAR and not broken,
        broken=broken,
        core_x=min(core_distance or 0.0, reach) * 100.0,
        core_top=None if core_thickness is None else (slope * (core_distance or 0.0) - core_thickness) * 100.0,
        core_bottom=slope * min(core_distance or 0.0, reach) * 100.0,
        marks=tuple(SectionMark(*level, place) for level, place in zip(levels, places, strict=True)),
        type_size=size,
        ticks=ticks,
    )


def _layer(slope: float, reach: float, low: float, high: float) -> str:
    """The water between two heights and above the floor, as a polygon; empty where the floor is higher."""

    def floor(x: float) -> float:
        return -slope * x

    # The floor falls, so each height begins to be under water at one place and stays so.
    xs = [0.0, reach]
    for height in (low, high):
        if slope > 0 and 0.0 < -height / slope < reach:
            xs.append(-height / slope)
    xs = sorted(x for x in xs if floor(x) <= high + 1e-9)
    if not xs:
        return ""
    upper = [(x * 100.0, -high * 100.0) for x in xs]
    lower = [(x * 100.0, -max(low, floor(x)) * 100.0) for x in reversed(xs)]
    return _points(upper + lower)


def _points(points: list[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
