"""Situations as tests need them: a tank in good order unless said otherwise."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from service.alarms.observations import CoreSeen
from service.alarms.rules import RuleInput, SensorSeen
from service.domain.blanket.estimate import Estimate, EstimateReason, Trust
from service.domain.plant.reading import ReadingReason

T0 = datetime(2026, 1, 14, 8, 0, tzinfo=UTC)


def situation(
    *,
    at: datetime = T0,
    height: float | None = 1.0,
    depth: float = 4.0,
    rate: float = 0.0,
    trust: Trust = Trust.GOOD,
    reason: EstimateReason = EstimateReason.SENSOR,
    verdict: ReadingReason = ReadingReason.NONE,
    sample_age: timedelta | None = timedelta(0),
    core_height: float | None = 1.0,
    core_age: timedelta = timedelta(hours=2),
    **more: Any,
) -> RuleInput:
    estimate = None
    if height is not None:
        estimate = Estimate(tank="east", time=at, height=height, sd=0.05, rate=rate, trust=trust, reason=reason)
    sensor = SensorSeen(
        tag="LT-1",
        stale_after=timedelta(minutes=10),
        last_sample_at=None if sample_age is None else at - sample_age,
        height=height,
        corrected=height,
        verdict=verdict,
    )
    core = None
    if core_height is not None:
        core = CoreSeen(taken_at=at - core_age, height=core_height, thickness=core_height, sensor_height=height)
    return RuleInput(
        **{"at": at, "side_water_depth": depth, "estimate": estimate, "sensors": (sensor,), "core": core, **more}
    )
