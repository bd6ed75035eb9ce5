"""Reads the report of a day or month from storage."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta

from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.domain.blanket.estimate import TankSetup
from service.domain.laboratory.sheet_words import typed_words
from service.domain.plant.period import Period
from service.domain.plant.tank import Tank
from service.jobs.effluent.report import effluent_if_any
from service.jobs.plant.plant import Plant
from service.notify.messages.wording import kind_word
from service.reports.laboratory_section import LaboratoryChange, LaboratoryPeriod
from service.reports.log_sheet import SheetCore
from service.reports.period_report import (
    Blanket,
    PeriodFacts,
    PeriodReport,
    SignalSummary,
    TankFacts,
    period_report,
)
from service.storage.alarms.alarms import transitions_between
from service.storage.cores.cores import current_cores
from service.storage.cores.pairs import pairs_of
from service.storage.database.session import transaction
from service.storage.laboratory.results import laboratory_results, results_changed
from service.storage.sensors.calibrations import current_calibrations
from service.storage.trends.period_figures import blanket_figures, signal_figures

#: An estimate without a sensor behind it speaks this long.
HOLD = timedelta(minutes=10)


def read_period(engine: Engine, plant: Plant, period: Period, now: datetime) -> PeriodReport:
    """The report of a period as far as it has come."""
    end = min(period.end, now)
    definitions = {definition.key: definition for definition in plant.alarms.definitions}
    tags = [s.tag for setup in plant.setups for s in setup.blankets]
    with transaction(engine) as conn:
        signals = _signals(conn, plant, period.start, end)
        facts = PeriodFacts(
            period=period,
            now=now,
            tanks=[_tank(conn, plant, setup, signals, period.start, end) for setup in plant.setups],
            definitions=definitions,
            alarm_words={key: kind_word(definition.kind) for key, definition in definitions.items()},
            happened=transitions_between(conn, period.start, end),
            works=[
                record.calibration
                for record in current_calibrations(conn, [plant.ids.signals[tag] for tag in tags], period.start, end)
            ],
            laboratory=read_laboratory(conn, period.start, end),
            effluent=effluent_if_any(conn, plant, period, now),
        )
    return period_report(facts)


def read_laboratory(conn: Connection, start: datetime, end: datetime) -> LaboratoryPeriod:
    """The laboratory's values of a stretch as they stand now, and what was changed among them."""
    return LaboratoryPeriod(
        results=[record.result for record in laboratory_results(conn, since=start, until=end)],
        changes=[
            LaboratoryChange(
                name=record.result.name,
                taken_at=record.result.taken_at,
                changed_at=record.result.recorded_at,
                to="withdrawn" if record.withdrawn else typed_words(record.typed_value, record.typed_unit),
                reason=record.correction_reason,
                by=record.result.taken_by,
            )
            for record in results_changed(conn, start, end)
        ],
    )


def read_cores(engine: Engine, plant: Plant, start: datetime, end: datetime) -> list[SheetCore]:
    """The cores of a stretch as they stand now, with what was typed."""
    with transaction(engine) as conn:
        records = current_cores(conn, [plant.ids.tanks[setup.tank.key] for setup in plant.setups], start, end)
    return [SheetCore(core=r.core, typed_value=r.typed_value, typed_unit=r.typed_unit) for r in records]


def _signals(conn: Connection, plant: Plant, start: datetime, end: datetime) -> dict[str, SignalSummary]:
    """Every signal once, also where several tanks share it."""
    every = {s.tag: s for setup in plant.setups for s in (*setup.blankets, *setup.others)}
    summaries = {}
    for tag, signal in every.items():
        found = signal_figures(conn, plant.ids.signals[tag], start, end, hold=signal.stale_after)
        summaries[tag] = SignalSummary(
            known=found.known, readings=found.readings, bad=found.bad, mean=found.mean, highest=found.highest
        )
    return summaries


def _tank(
    conn: Connection,
    plant: Plant,
    setup: TankSetup,
    signals: Mapping[str, SignalSummary],
    start: datetime,
    end: datetime,
) -> TankFacts:
    tank, tank_id = setup.tank, plant.ids.tanks[setup.tank.key]
    return TankFacts(
        setup=setup,
        blanket=_blanket(conn, plant.alarms.of_tank(tank.key), setup, tank_id, start, end),
        cores=[record.core for record in current_cores(conn, [tank_id], start, end)],
        pairs=pairs_of(conn, [plant.ids.signals[s.tag] for s in setup.blankets], start, end),
        signals=signals,
    )


def _blanket(
    conn: Connection,
    definitions: Sequence[AlarmDefinition],
    setup: TankSetup,
    tank_id: int,
    start: datetime,
    end: datetime,
) -> Blanket | None:
    limits = [_height(definitions, kind, setup.tank) for kind in (AlarmKind.HIGH, AlarmKind.HIGH_HIGH)]
    asked = tuple(height for height in limits if height is not None)
    hold = max((signal.stale_after for signal in setup.blankets), default=HOLD)
    found = blanket_figures(conn, tank_id, start, end, hold=hold, above=asked)
    if found is None:
        return None
    over = iter(found.over)
    in_high, in_high_high = (None if height is None else next(over) for height in limits)
    return Blanket(
        known=found.known,
        lowest=found.lowest,
        lowest_at=found.lowest_at,
        mean=found.mean,
        highest=found.highest,
        highest_at=found.highest_at,
        in_high=in_high,
        in_high_high=in_high_high,
    )


def _height(definitions: Sequence[AlarmDefinition], kind: AlarmKind, tank: Tank) -> float | None:
    """The blanket height at which an alarm on clearance begins; None where there is none. [m]"""
    limit = next((d.limit for d in definitions if d.kind is kind and d.limit is not None), None)
    return None if limit is None else tank.side_water_depth - limit
