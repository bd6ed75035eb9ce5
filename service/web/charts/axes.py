"""Axes of a small server-drawn diagram: scaling, round ticks, SVG points."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

#: Size of every diagram and the room for its axes; a phone shows it at nearly this size.
WIDTH, HEIGHT = 360.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 10.0, 12.0, 40.0


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis, by its place in the picture, and what stands beside it."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Frame:
    """Values from x0 to x1 across and y0 to y1 upwards."""

    x0: float
    x1: float
    y0: float
    y1: float

    def x(self, value: float) -> float:
        """Place across, kept within the diagram."""
        share = (min(max(value, self.x0), self.x1) - self.x0) / (self.x1 - self.x0)
        return LEFT + share * (WIDTH - LEFT - RIGHT)

    def y(self, value: float) -> float:
        """Place downwards, kept within the diagram."""
        share = (min(max(value, self.y0), self.y1) - self.y0) / (self.y1 - self.y0)
        return HEIGHT - BOTTOM - share * (HEIGHT - TOP - BOTTOM)

    def points(self, values: Iterable[tuple[float, float]]) -> str:
        """A line as the points of an SVG polyline or polygon."""
        return " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in values)

    def line(self, x0: float, y0: float, x1: float, y1: float) -> str:
        """A straight line, cut off where it leaves the diagram below or above, as two points."""
        (x0, y0), (x1, y1) = _cut((x0, y0), (x1, y1), self.y0), _cut((x1, y1), (x0, y0), self.y0)
        (x0, y0), (x1, y1) = (
            _cut((x0, y0), (x1, y1), self.y1, above=True),
            _cut((x1, y1), (x0, y0), self.y1, above=True),
        )
        return self.points([(x0, y0), (x1, y1)])

    @property
    def x_ticks(self) -> tuple[Tick, ...]:
        """Marks across."""
        return tuple(Tick(self.x(value), _words(value)) for value in _round(self.x0, self.x1))

    @property
    def y_ticks(self) -> tuple[Tick, ...]:
        """Marks upwards."""
        return tuple(Tick(self.y(value), _words(value)) for value in _round(self.y0, self.y1))


def _cut(
    end: tuple[float, float], other: tuple[float, float], bound: float, *, above: bool = False
) -> tuple[float, float]:
    """An end of a line, moved along it to a bound it lies beyond."""
    beyond = end[1] > bound if above else end[1] < bound
    if not beyond or end[1] == other[1]:
        return end
    share = (bound - end[1]) / (other[1] - end[1])
    return end[0] + share * (other[0] - end[0]), bound


def _round(low: float, high: float) -> list[float]:
    """Three to six round values between two.

    >>> _round(0.0, 14.0), _round(-1.0, 3.0)
    ([0.0, 5.0, 10.0], [-1.0, 0.0, 1.0, 2.0, 3.0])
    """
    least = (high - low) / 5.0
    ten = 10.0 ** math.floor(math.log10(least))
    step = next(times * ten for times in (1.0, 2.0, 5.0, 10.0) if times * ten >= least * (1.0 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def _words(value: float) -> str:
    return f"{value:,.10g}"
