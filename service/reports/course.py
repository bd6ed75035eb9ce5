"""Draws a what-if as PNG, SVG or PDF: the blanket over the coming hours, unchanged and changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

INK = "#2f3437"
QUIET = "#6b747a"
WATER = "#eef1f2"
AS_IS, AS_IS_BAND = "#6b747a", "#c9ced2"
CHANGED, CHANGED_BAND = "#1a5fb4", "#9fbfe6"
DANGER = "#b3261e"


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseLine:
    """One course: hours from now, and heights in the unit shown."""

    hours: Sequence[float]
    middle: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class CourseChart:
    """Everything the picture shows; heights in *unit*."""

    title: str
    subtitle: str
    unit: str
    as_is: CourseLine
    changed: CourseLine
    weir: float
    danger: float | None
    caution: str


def draw_course(picture: CourseChart, path: Path) -> None:
    """Write the picture; the file's ending decides between PNG, SVG and PDF."""
    from matplotlib.figure import Figure  # loads slowly, and most commands draw nothing

    figure = Figure(figsize=(9, 5.2), layout="constrained")
    figure.suptitle(picture.title, color=INK, fontsize=13, x=0.01, ha="left")
    axes = figure.subplots()
    axes.set_title(picture.subtitle, loc="left", fontsize=10, color=QUIET)
    axes.set_facecolor(WATER)
    _draw(axes, picture.as_is, "as things are", AS_IS, AS_IS_BAND, "--")
    _draw(axes, picture.changed, "changed", CHANGED, CHANGED_BAND, "-")
    axes.axhline(picture.weir, color=INK, linewidth=2.2)
    axes.annotate(
        "weir crest", (0.004, picture.weir), xycoords=("axes fraction", "data"), va="bottom", fontsize=8, color=INK
    )
    if picture.danger is not None:
        axes.axhline(picture.danger, color=DANGER, linewidth=1.0, linestyle=(0, (6, 3)))
        axes.annotate(
            "danger limit", (0.004, picture.danger), xycoords=("axes fraction", "data"), va="bottom", fontsize=8, color=DANGER
        )  # fmt: skip
    axes.set_xlim(0.0, max(picture.as_is.hours))
    axes.set_ylim(min(0.0, *picture.as_is.low, *picture.changed.low), picture.weir * 1.08)
    axes.set_xlabel("hours from now", color=INK)
    axes.set_ylabel(f"blanket above floor at the wall ({picture.unit})", color=INK)
    axes.tick_params(colors=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    figure.legend(loc="outside upper left", ncols=4, frameon=False, fontsize=8, labelcolor=INK)
    figure.supxlabel(picture.caution, fontsize=7.5, color=QUIET, wrap=True)
    figure.savefig(path, dpi=130)


def _draw(axes: Axes, line: CourseLine, name: str, colour: str, band: str, style: str) -> None:
    axes.fill_between(
        line.hours, line.low, line.high, color=band, alpha=0.55, linewidth=0, label=f"{name}, middle 90 %"
    )
    axes.plot(line.hours, line.middle, color=colour, linewidth=2.0, linestyle=style, label=name)
