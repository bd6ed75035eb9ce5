"""Words alarm performance figures beside the standards' targets, for command and page."""

from __future__ import annotations

from dataclasses import dataclass

from service.alarms.figures import TARGETS, Figures
from service.domain.plant.display import format_duration, format_share


@dataclass(frozen=True, slots=True)
class FigureLine:
    """One figure; ``aim`` is empty where the standards name none."""

    words: str
    here: str
    aim: str


def figure_lines(one: Figures) -> list[FigureLine]:
    """Every figure of a span."""
    shares = ", ".join(f"{priority.value} {format_share(share)}" for priority, share in one.priority_shares.items())
    shown = {
        "per_day": ("alarms a day", f"{one.per_day:.1f}"),
        "per_hour": ("alarms an hour", f"{one.per_hour:.2f}"),
        "per_ten_minutes": ("alarms in ten minutes", f"{one.per_ten_minutes:.2f}"),
        "peak_ten_minutes": ("most in ten minutes", str(one.peak_ten_minutes)),
        "ten_minutes_over_ten": ("ten minutes with over 10", format_share(one.ten_minutes_over_ten, 1)),
        "hours_over_thirty": ("hours with over 30", format_share(one.hours_over_thirty, 1)),
        "time_in_flood": ("time in flood", format_share(one.time_in_flood, 1)),
        "chattering": ("chattering", ", ".join(one.chattering) or "none"),
        "stale": ("active over a day", ", ".join(one.stale) or "none"),
        "top_ten_share": ("the ten most frequent", format_share(one.top_ten_share)),
        "priority_shares": ("priorities", shares),
    }
    lines = [FigureLine(words, here, TARGETS[name].aim) for name, (words, here) in shown.items()]
    median, tenth = one.median_time_to_acknowledge, one.slowest_tenth_to_acknowledge
    if median is not None and tenth is not None:
        lines.append(FigureLine("time to acknowledge, half within", format_duration(median), ""))
        lines.append(FigureLine("nine in ten within", format_duration(tenth), ""))
    return lines
