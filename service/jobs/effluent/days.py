"""Reads daily values of the effluent, their averages, and the stretches beyond a limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
from sqlalchemy import Connection

from service.domain.effluent.daily import (
    Beyond,
    DayValue,
    LaboratorySample,
    MeterDay,
    Sample,
    Series,
    day_load,
    day_value,
    joined_across,
    merged,
    meter_day,
    summed,
    volume_of,
)
from service.domain.effluent.month import EffluentMonth, averages, week_of
from service.domain.effluent.permit import MEASURE_OF_SIGNAL, Measure, Term
from service.domain.laboratory.result import LaboratoryKind
from service.domain.plant.period import Period, day_of
from service.domain.plant.reading import Quality
from service.domain.plant.signal import Signal, SignalKind
from service.jobs.plant.plant import Plant
from service.storage.database.epoch import from_us
from service.storage.laboratory.results import laboratory_results
from service.storage.readings.readings import readings_between


def measured_kinds(plant: Plant) -> tuple[SignalKind, ...]:
    """Which effluent meters a plant has."""
    return tuple(kind for kind in MEASURE_OF_SIGNAL if any(s.kind is kind for s in plant.signals.values()))


def has_effluent(plant: Plant) -> bool:
    """Whether anything can be said of what leaves: a permit is written down, or a meter measures it."""
    return bool(plant.permit.limits or measured_kinds(plant))


def read_effluent(conn: Connection, plant: Plant, first: date, last: date, now: datetime) -> EffluentMonth:
    """The effluent of the plant's calendar days first ≤ day ≤ last, as far as they have come.

    Notes
    -----
    A meter of the whole plant goes before those of tanks, which are weighted with the water that passed each. Averages of
    weeks that began before *first* count their earlier days too.
    """
    zone = plant.alarms.site.zone
    today = now.astimezone(zone).date()
    begins = week_of(first, plant.permit.week_starts)[0]
    periods = [day_of(begins + timedelta(days=n), zone) for n in range((min(last, today) - begins).days + 1)]
    read = _Reader(conn, plant, periods, now)
    found = [day for period in periods for day in read.day(period)]
    return EffluentMonth(
        permit=plant.permit,
        days=tuple(day for day in found if day.day >= first),
        averages=averages(plant.permit, found, first, last, today),
        beyond=joined_across([s for s in read.stretches if s.end > day_of(first, zone).start]),
    )


#: Which of the laboratory's values are on what leaves.
LABORATORY_MEASURES = {
    LaboratoryKind.EFFLUENT_SOLIDS: Measure.SOLIDS,
    LaboratoryKind.TURBIDITY: Measure.TURBIDITY,
}


def laboratory_samples(conn: Connection, plant: Plant, since: datetime, until: datetime) -> list[LaboratorySample]:
    """The laboratory's values of the outfall, as they stand after corrections: of the whole plant, and of tanks sampled for it."""
    places = [None, *(plant.ids.tanks[key] for key in plant.permit.sampled_tanks)]
    return [
        LaboratorySample(at=r.result.taken_at, measure=LABORATORY_MEASURES[r.result.kind], value=r.result.value)
        for r in laboratory_results(conn, tuple(LABORATORY_MEASURES), since, until, places)
    ]


@dataclass(frozen=True, slots=True)
class _Meter:
    series: Series
    flow: Series | None
    share: float


class _Reader:
    """Reads each series once, and makes the days of it."""

    def __init__(self, conn: Connection, plant: Plant, periods: Sequence[Period], now: datetime) -> None:
        self._plant, self._now = plant, now
        self.stretches: list[Beyond] = []
        signals = list(plant.signals.values())
        self._conn = conn
        self._start = periods[0].start if periods else now
        self._end = min(periods[-1].end, now) if periods else now
        self._known: dict[str, Series] = {}
        self._flow = self._plant_flow(signals)
        self._meters = {kind: self._meters_of(kind, signals) for kind in MEASURE_OF_SIGNAL}
        self._samples = laboratory_samples(conn, plant, self._start, self._end)

    def day(self, period: Period) -> list[DayValue]:
        """Every measure the permit limits or a meter measures, of one day."""
        permit, end = self._plant.permit, min(period.end, self._now)
        found: dict[Measure, DayValue] = {}
        water: float | None = None
        for kind, measure in MEASURE_OF_SIGNAL.items():
            sampled = [s.value for s in self._samples if s.measure is measure and period.start <= s.at < end]
            said = self._online(kind, measure, period.start, end)
            needed = {measure, Measure.LOAD} if measure is Measure.SOLIDS else {measure}
            if said is None and not sampled and not needed & set(permit.measures()):
                continue
            found[measure] = day_value(
                period.first, period.length, measure, said, sampled, permit.limit(measure, Term.DAILY)
            )
            if measure is Measure.SOLIDS:
                water = said.volume if said is not None and said.volume is not None else self._water(period.start, end)
        if Measure.SOLIDS in found and (water is not None or Measure.LOAD in permit.measures()):
            limit = permit.limit(Measure.LOAD, Term.DAILY)
            found[Measure.LOAD] = day_load(found[Measure.SOLIDS], water, end - period.start, limit)
        return [found[measure] for measure in Measure if measure in found]

    def _online(self, kind: SignalKind, measure: Measure, start: datetime, end: datetime) -> MeterDay | None:
        live = self._plant.permit.live(measure)
        limit = None if live is None else live.value
        days = [meter_day(m.series, m.flow, start, end, limit, m.share) for m in self._meters[kind]]
        self.stretches += [stretch for day in days for stretch in day.stretches]
        return merged(days) if days else None

    def _water(self, start: datetime, end: datetime) -> float | None:
        return None if self._flow is None else volume_of(self._flow, start, end)

    def _meters_of(self, kind: SignalKind, signals: Sequence[Signal]) -> list[_Meter]:
        every = [s for s in signals if s.kind is kind]
        whole = [s for s in every if s.tank is None]
        if whole:
            return [_Meter(self._series(s), self._flow, 1.0) for s in whole]
        found = []
        for signal in every:
            setup = self._plant.setup(signal.tank)
            own = [s for s in signals if s.kind is SignalKind.FLOW and s.tank == signal.tank]
            flow = summed([self._series(s) for s in own]) if own else self._flow
            share = 1.0 if own or setup is None else setup.share_of_plant
            found.append(_Meter(self._series(signal), flow, share))
        return found

    def _plant_flow(self, signals: Sequence[Signal]) -> Series | None:
        flows = [s for s in signals if s.kind is SignalKind.FLOW]
        whole = [s for s in flows if s.tank is None]
        if whole:
            return self._series(whole[0])  # several would measure the same water
        measured = {s.tank for s in flows}
        if flows and all(setup.tank.key in measured for setup in self._plant.setups):
            return summed([self._series(s) for s in flows])
        return None

    def _series(self, signal: Signal) -> Series:
        if signal.tag not in self._known:
            number = self._plant.ids.signals[signal.tag]
            rows = readings_between(self._conn, [number], self._start - signal.stale_after, self._end)
            usable = (rows.quality < Quality.BAD) & np.isfinite(rows.value)
            samples: list[Sample] = [
                (from_us(us), value, good)
                for us, value, good in zip(rows.time_us.tolist(), rows.value.tolist(), usable.tolist(), strict=True)
            ]
            self._known[signal.tag] = Series(signal.tag, samples, signal.stale_after, signal.tank)
        return self._known[signal.tag]
