"""What is believed of a sensor's drift before any core has spoken."""

from __future__ import annotations

from dataclasses import dataclass

#: How long a fouling trend keeps its pace [day]; beyond, it is forgotten.
TREND_MEMORY = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is believed before any core: [m], [m/day], [–]. Common practice and judgement, no source; the cores overrule it."""

    offset_sd: float = 0.25
    trend_sd: float = 0.005
    span_sd: float = 0.08
    step_sd: float = 0.35
    days_between_steps: float = 200.0
    wrong_core_share: float = 0.03
    #: Grids with log-normal weights about a centre: one core's noise [m], and the walk per square root of a day [m/√d].
    core_sds: tuple[float, ...] = (0.04, 0.07, 0.11, 0.17)
    core_sd_centre: float = 0.09
    walk_sds: tuple[float, ...] = (0.001, 0.004, 0.012, 0.035)
    walk_sd_centre: float = 0.006
    #: Natural-log spread of both grids' weights.
    log_spread: float = 0.9
    trend_share: float = 0.5
    span_share: float = 0.3
    #: How far the trend itself wanders [m/day per √day].
    trend_walk: float = 0.001
    trend_memory: float = TREND_MEMORY
