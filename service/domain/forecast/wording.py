"""A forecast in words: clear water some hours ahead with its doubt, and when a limit would be reached."""

from __future__ import annotations

import math
from datetime import timedelta

from service.domain.forecast.outlook import LOOK_AHEAD, Forecast
from service.domain.plant.display import describe_clearance, format_duration, format_length
from service.domain.plant.tank import Tank
from service.domain.plant.units import UnitSystem


def spread(tank: Tank, forecast: Forecast, hours: float) -> tuple[float, float, float]:
    """Height that far ahead: middle, and the bounds of the middle 90 %, none of them under the floor. [m]"""
    found = forecast.at(hours)[0], forecast.quantile(hours, 0.05), forecast.quantile(hours, 0.95)
    middle, low, high = (max(height, tank.lowest_height) for height in found)
    return middle, low, high


def clear_water_words(tank: Tank, forecast: Forecast, hours: float, system: UnitSystem) -> str:
    """Clear water that far ahead, with the bounds that nine in ten lie between."""
    middle, low, high = (tank.clearance(height) for height in spread(tank, forecast, hours))
    bounds = f"{format_length(max(high, 0.0), system).split(' ')[0]} to {format_length(low, system)}"
    return f"{describe_clearance(middle, system)} ({bounds})"


def reaching_words(forecast: Forecast, height: float) -> str:
    """When a height would be reached."""
    time = forecast.time_to(height)
    if time.likely == 0.0:
        return "reached already"
    if math.isfinite(time.likely):
        return f"in about {format_duration(timedelta(hours=time.likely))}"
    if math.isfinite(time.early):
        return f"not within {LOOK_AHEAD:g} h, though it may be in {format_duration(timedelta(hours=time.early))}"
    return f"not within {LOOK_AHEAD:g} h"
