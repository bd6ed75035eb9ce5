"""Reads a day of the laboratory, with the flows and the blankets beside it, and works its figures out."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection

from service.domain.blanket.estimate import EstimateReason
from service.domain.laboratory.day import MEAN_OVER, DaySheet, PlantFlows, day_sheet
from service.domain.laboratory.result import LaboratoryKind, LaboratoryResult
from service.domain.loading.inventory import blanket_solids
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import TankKind
from service.jobs.plant.plant import Plant
from service.storage.blanket.estimates import latest_estimates
from service.storage.laboratory.results import LaboratoryRecord, laboratory_results
from service.storage.trends.period_figures import signal_figures

#: Meters that spoke for less of a day than this give no mean of it (common practice, no source).
ENOUGH_OF_A_DAY = 0.75
#: More values than a week of hourly sheets has: the newest of them.
MOST_READ = 2_000
#: A reading holds so long when no other follows.
HOLDS = timedelta(hours=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryDay:
    """The values of a place in force, newest first, and what follows from them."""

    tank: str | None
    records: tuple[LaboratoryRecord, ...]
    sheet: DaySheet
    flows: PlantFlows


def laboratory_day(
    conn: Connection, plant: Plant, now: datetime, *, tank: str | None = None, days: int = 8
) -> LaboratoryDay:
    """The laboratory's values of a tank or the plant over the last days, and the figures of now.

    Notes
    -----
    A tank's figures take the plant's values beside its own: solids of the mixed liquor are the same for all its tanks.
    """
    ids: list[int | None] = [None]
    if tank is not None:
        ids.append(plant.ids.tanks[tank])
    records = laboratory_results(
        conn, since=now - max(timedelta(days=days), MEAN_OVER), until=now + HOLDS, tank_ids=ids, limit=MOST_READ
    )
    results = [record.result for record in records]
    flows = plant_flows(conn, plant, results, now)
    held = _held(conn, plant, results, now)
    sheet = day_sheet(results, flows, plant.laboratory, held, now)
    own = [r for r in records if r.result.tank == tank]
    return LaboratoryDay(tank=tank, records=tuple(reversed(own)), sheet=sheet, flows=flows)


def plant_flows(conn: Connection, plant: Plant, results: Collection[LaboratoryResult], now: datetime) -> PlantFlows:
    """The plant's mean flows by its meters; a typed waste flow stands in where no meter says enough."""

    def mean(kind: SignalKind, over: timedelta) -> float | None:
        signals = [s for s in plant.signals.values() if s.kind is kind and s.tag in plant.ids.signals]
        whole = [s for s in signals if s.tank is None] or signals
        total = 0.0
        for signal in whole:
            figures = signal_figures(conn, plant.ids.signals[signal.tag], now - over, now, hold=HOLDS)
            if figures.mean is None or figures.known < ENOUGH_OF_A_DAY * over:
                return None
            total += figures.mean
        return total if whole else None

    def typed(over: timedelta) -> float | None:
        days: dict[object, float] = {
            r.taken_at.date(): r.value
            for r in results
            if r.kind is LaboratoryKind.WASTE_FLOW and now - r.taken_at <= over
        }
        return sum(days.values()) / len(days) if days else None

    day, week = timedelta(days=1), MEAN_OVER
    waste, waste_week = mean(SignalKind.WASTE_FLOW, day), mean(SignalKind.WASTE_FLOW, week)
    return PlantFlows(
        flow=mean(SignalKind.FLOW, day),
        return_flow=mean(SignalKind.RETURN_FLOW, day),
        waste_flow=waste if waste is not None else typed(timedelta(hours=26)),
        waste_flow_week=waste_week if waste_week is not None else typed(week),
        flow_week=mean(SignalKind.FLOW, week),
    )


def _held(conn: Connection, plant: Plant, results: Collection[LaboratoryResult], now: datetime) -> float | None:
    """Solids in the blankets of the secondary tanks, as believed; None while one of them is not known. [kg]

    A blanket grades from feed to underflow: the mean of the two stands for it (common practice, no source).
    """
    tanks = [
        s.tank
        for s in plant.setups
        if s.tank.kind is TankKind.SECONDARY and s.tank.key not in plant.alarms.out_of_service
    ]
    newest = {r.kind: r.value for r in results if r.taken_at <= now}
    liquor, thick = (newest.get(k) for k in (LaboratoryKind.MIXED_LIQUOR_SOLIDS, LaboratoryKind.RETURN_SOLIDS))
    if not tanks or liquor is None or thick is None:
        return None
    believed = latest_estimates(conn, [plant.ids.tanks[t.key] for t in tanks], now + timedelta.resolution)
    total = 0.0
    for tank in tanks:
        estimate = believed.get(plant.ids.tanks[tank.key])
        if estimate is None or estimate.reason is EstimateReason.NO_DATA or now - estimate.time > timedelta(hours=2):
            return None
        total += blanket_solids(tank, estimate.height, 0.5 * (liquor + thick))
    return total
