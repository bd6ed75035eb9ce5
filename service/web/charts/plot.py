"""Chart model: axes with round numbers, lines, bands and marks. Pure; a template draws it as SVG.

Drawn in a frame of fixed size that the page stretches; marks differ in shape, lines in their dashes, so that nothing rests
on colour.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.web.charts.axes import Tick

WIDTH, HEIGHT = 560.0, 320.0
LEFT, RIGHT, TOP, BOTTOM = 70.0, 14.0, 16.0, 42.0
#: Ticks aimed at on an axis.
TICKS = 5
DAY = 86_400.0


@dataclass(frozen=True, slots=True)
class PlotLine:
    """A line of a named style; ``words`` stand at its right end."""

    name: str
    points: str
    words: str = ""
    end: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class PlotMark:
    """A mark of a named shape."""

    name: str
    x: float
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """Everything the picture is made of."""

    words: str  #: what it shows, for those who do not see it
    x_name: str
    y_name: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    areas: tuple[PlotLine, ...]
    lines: tuple[PlotLine, ...]
    marks: tuple[PlotMark, ...]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM


@dataclass
class PlotFrame:
    """A chart under construction, in data coordinates; points outside are drawn at the edge."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float
    areas: list[PlotLine] = field(default_factory=list)
    lines: list[PlotLine] = field(default_factory=list)
    marks: list[PlotMark] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.x_low, self.x_high = _apart(self.x_low, self.x_high)
        self.y_low, self.y_high = _apart(self.y_low, self.y_high)

    def x(self, value: float) -> float:
        """Place along the width."""
        share = (value - self.x_low) / (self.x_high - self.x_low)
        return LEFT + (WIDTH - LEFT - RIGHT) * min(max(share, 0.0), 1.0)

    def y(self, value: float) -> float:
        """Place down the height."""
        share = (value - self.y_low) / (self.y_high - self.y_low)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * min(max(share, 0.0), 1.0)

    def line(self, name: str, points: Iterable[tuple[float, float]], words: str = "") -> None:
        """A line through points."""
        placed = [(self.x(a), self.y(b)) for a, b in points]
        if placed:
            self.lines.append(PlotLine(name, _text(placed), words, placed[-1]))

    def straight(self, name: str, slope: float, intercept: float, words: str = "") -> None:
        """The part of y = intercept + slope·x that lies in the frame."""
        inside = [
            (x, intercept + slope * x)
            for x in (self.x_low + (self.x_high - self.x_low) * n / 200.0 for n in range(201))
            if self.y_low <= intercept + slope * x <= self.y_high
        ]
        if len(inside) > 1:
            self.line(name, (inside[0], inside[-1]), words)

    def level(self, name: str, value: float, words: str = "") -> None:
        """A line across at a value; none where it lies outside."""
        if self.y_low <= value <= self.y_high:
            self.line(name, ((self.x_low, value), (self.x_high, value)), words)

    def moment(self, name: str, value: float, words: str = "") -> None:
        """A line upright at a value; none where it lies outside."""
        if self.x_low <= value <= self.x_high:
            self.line(name, ((value, self.y_low), (value, self.y_high)), words)

    def area(self, name: str, points: Sequence[tuple[float, float, float]]) -> None:
        """The band between two heights at each place (place, low, high)."""
        if len(points) > 1:
            there = [(self.x(a), self.y(high)) for a, _, high in points]
            back = [(self.x(a), self.y(low)) for a, low, _ in reversed(points)]
            self.areas.append(PlotLine(name, _text(there + back)))

    def mark(self, name: str, a: float, b: float) -> None:
        """A mark at a point."""
        self.marks.append(PlotMark(name, self.x(a), self.y(b)))

    def drawn(
        self, words: str, x_name: str, y_name: str, x_ticks: Iterable[tuple[float, str]], y_ticks: Iterable[float]
    ) -> Plot:
        """The finished picture."""
        heights = list(y_ticks)
        return Plot(
            words=words,
            x_name=x_name,
            y_name=y_name,
            x_ticks=tuple(Tick(self.x(at), said) for at, said in x_ticks if self.x_low <= at <= self.x_high),
            y_ticks=tuple(Tick(self.y(at), said) for at, said in numbers(heights) if self.y_low <= at <= self.y_high),
            areas=tuple(self.areas),
            lines=tuple(self.lines),
            marks=tuple(self.marks),
        )


def round_steps(low: float, high: float, most: int = TICKS) -> list[float]:
    """Round numbers between two values, about as many as asked for.

    >>> round_steps(0.0, 1.0)
    [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]
    >>> round_steps(-3.0, 42.0)
    [0.0, 10.0, 20.0, 30.0, 40.0]
    """
    low, high = _apart(low, high)
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 12) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def numbers(values: Sequence[float]) -> list[tuple[float, str]]:
    """Values with as many digits as tell them apart.

    >>> numbers([-0.5, 0.0, 0.5])
    [(-0.5, '-0.5'), (0.0, '0.0'), (0.5, '0.5')]
    """
    gaps = [b - a for a, b in itertools.pairwise(values)]
    digits = max(0, -math.floor(math.log10(min(gaps)) + 1e-9)) if gaps else 1
    return [(value, f"{value if value else 0.0:.{digits}f}") for value in values]


_DAYS = (1, 2, 4, 7, 14)
_MONTHS = (1, 2, 3, 6, 12, 24, 60)
_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def days(start: datetime, end: datetime, zone: ZoneInfo) -> list[tuple[float, str]]:
    """Midnights (or first days of months) of the plant between two times, as seconds since 1970 with their words.

    >>> from datetime import UTC
    >>> [words for _, words in days(datetime(2026, 1, 3, tzinfo=UTC), datetime(2026, 1, 11, tzinfo=UTC), ZoneInfo("UTC"))]
    ['3 Jan', '5 Jan', '7 Jan', '9 Jan', '11 Jan']
    """
    span = (end - start) / timedelta(days=1)
    first = start.astimezone(zone).replace(hour=0, minute=0, second=0, microsecond=0)
    step = next((n for n in _DAYS if span / n <= TICKS + 1), 0)
    found: list[datetime] = []
    if step:
        at = first
        while at <= end:
            found.append(at)
            at += timedelta(days=step)
        said = [f"{at.day} {_NAMES[at.month - 1]}" for at in found]
    else:
        every = next((n for n in _MONTHS if span / 30.44 / n <= TICKS + 1), _MONTHS[-1])
        month = first.year * 12 + first.month - 1
        at = first.replace(day=1)
        while at <= end:
            found.append(at)
            month += every
            at = at.replace(year=month // 12, month=month % 12 + 1)
        said = [f"{_NAMES[at.month - 1]} {at.year}" for at in found]
    return [(at.timestamp(), words) for at, words in zip(found, said, strict=True) if start <= at <= end]


def _apart(low: float, high: float) -> tuple[float, float]:
    return (low, high) if high - low > 1e-9 else (low - 0.5, high + 0.5)


def _text(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
