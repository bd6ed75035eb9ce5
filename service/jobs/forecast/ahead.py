"""The forecast values that alarms watch, the same for the service and for a replay."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.rules import RuleInput
from service.domain.forecast.outlook import Forecast
from service.domain.plant.tank import Tank


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """None where nothing is known."""

    time_to_danger: float | None = None  #: cautious; infinite where it does not come in sight [h]
    solids_loading: float | None = None  #: [kg/(m²·h)]

    def seen_in(self, situation: RuleInput) -> RuleInput:
        """The situation with the outlook in it."""
        return replace(situation, time_to_danger=self.time_to_danger, solids_loading=self.solids_loading)


def danger_height(tank: Tank, definitions: Iterable[AlarmDefinition]) -> float | None:
    """Height of a tank's high-high limit above the floor datum; None where it has none. [m]"""
    limits = (d.limit for d in definitions if d.kind is AlarmKind.HIGH_HIGH and d.limit is not None)
    limit = next(limits, None)
    return None if limit is None else tank.side_water_depth - limit


def ahead_of(forecast: Forecast | None, danger: float | None, loading: float | None) -> Ahead:
    """What alarms look at.

    Parameters
    ----------
    danger : height of the danger limit. [m]
    loading : solids loading. [kg/(m²·h)]
    """
    if forecast is None or danger is None:
        return Ahead(solids_loading=loading)
    return Ahead(time_to_danger=forecast.time_to(danger).cautious, solids_loading=loading)
