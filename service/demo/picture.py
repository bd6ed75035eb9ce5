"""Draws the night: raw readings, the estimate with its band, cores, limits and alarms, one panel per tank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, DateFormatter, date2num
from matplotlib.figure import Figure

from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit

INK = "#2f3437"
QUIET = "#8b9297"
WATER = "#eef1f2"
BELIEVED = "#3b4a54"
BAND = "#c4ccd1"
WARNING = "#b86e00"
DANGER = "#b3261e"


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureSeries:
    """Values over time; heights above the floor datum [m]."""

    times: Sequence[datetime]
    values: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class TankNight:
    """What one panel shows. Heights in [m]."""

    tank: Tank
    raw: PictureSeries
    believed: PictureSeries
    band: Sequence[tuple[float, float]]  #: of 95 %, over all stories
    cores: PictureSeries
    limits: Sequence[tuple[str, float]]  #: name and height, the lowest first
    alarms: Sequence[tuple[datetime, str]] = field(default=())
    truth: PictureSeries | None = None


def draw_night(nights: Sequence[TankNight], path: Path, *, units: UnitSystem, zone: ZoneInfo, title: str) -> None:
    """Write the picture; the file's ending decides between PNG and SVG."""
    figure = Figure(figsize=(11, 3.9 * len(nights) + 0.6), layout="constrained")
    figure.suptitle(title, color=INK, fontsize=13, x=0.01, ha="left")
    panels = figure.subplots(len(nights), 1, sharex=True, squeeze=False)[:, 0]
    for axes, night in zip(panels, nights, strict=True):
        _draw_tank(axes, night, units)
    locator = AutoDateLocator(tz=zone)  # type: ignore[no-untyped-call]
    panels[-1].xaxis.set_major_locator(locator)
    panels[-1].xaxis.set_major_formatter(DateFormatter("%H:%M", tz=zone))  # type: ignore[no-untyped-call]
    panels[-1].set_xlabel(f"local time ({zone.key})", color=INK)
    figure.savefig(path, dpi=130)


def _draw_tank(axes: Axes, night: TankNight, units: UnitSystem) -> None:
    unit = shown_unit(Dimension.LENGTH, units)

    def shown(values: Sequence[float]) -> list[float]:
        return [from_si(v, unit) for v in values]

    weir = from_si(night.tank.side_water_depth, unit)
    axes.set_facecolor(WATER)
    axes.axhline(weir, color=INK, linewidth=2.2)
    axes.annotate("weir crest", (0.004, weir), xycoords=("axes fraction", "data"), va="bottom", fontsize=8, color=INK)
    for (name, height), colour in zip(night.limits, (WARNING, DANGER), strict=False):
        y = from_si(height, unit)
        axes.axhline(y, color=colour, linewidth=1.0, linestyle=(0, (6, 3)))
        axes.annotate(name, (0.004, y), xycoords=("axes fraction", "data"), va="bottom", fontsize=8, color=colour)
    believed = shown(night.believed.values)
    low, high = (shown([ends[side] for ends in night.band]) for side in (0, 1))
    axes.plot(
        _days(night.raw.times), shown(night.raw.values), ".", color=QUIET, markersize=1.6, label="sensor, as it reads"
    )
    times = _days(night.believed.times)
    axes.fill_between(
        times,
        low,
        high,
        color=BAND,
        linewidth=0,
        label="believed, 95 % band",
    )
    axes.plot(times, believed, color=BELIEVED, linewidth=1.8, label="believed blanket")
    if night.truth is not None:
        axes.plot(
            _days(night.truth.times),
            shown(night.truth.values),
            color=INK,
            linewidth=0.9,
            linestyle=":",
            label="simulated truth",
        )
    axes.plot(
        _days(night.cores.times),
        shown(night.cores.values),
        "D",
        color="white",
        markeredgecolor=INK,
        markersize=7,
        label="hand cores",
    )
    for n, (raised_at, text) in enumerate(night.alarms):
        [at] = _days([raised_at])
        colour = DANGER if "high-high" in text else WARNING
        axes.axvline(at, color=colour, linewidth=1.0)
        axes.annotate(
            text,
            (at, 0.04 + 0.09 * (n % 4)),
            xycoords=("data", "axes fraction"),
            xytext=(4, 0),
            textcoords="offset points",
            fontsize=8,
            color=colour,
        )
    axes.set_ylim(min(0.0, min(believed, default=0.0)) - 0.03 * weir, weir * 1.08)
    axes.set_ylabel(f"height above floor datum ({unit})", color=INK)
    axes.set_title(night.tank.label, loc="left", fontsize=11, color=INK)
    axes.tick_params(colors=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8, labelcolor=INK)


def _days(times: Sequence[datetime]) -> list[float]:
    return [float(day) for day in date2num(list(times))]  # type: ignore[no-untyped-call]
