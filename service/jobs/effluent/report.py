"""Reads the effluent of a day or month with what went before each stretch beyond the limit, its signatures and later changes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta

from sqlalchemy import Connection, Engine

from service.alarms.definition import AlarmDefinition, AlarmKind
from service.alarms.figures import Happened, occurrences_of
from service.domain.effluent.daily import Beyond
from service.domain.effluent.permit import DIMENSION_OF_MEASURE
from service.domain.plant.display import format_length, format_quantity
from service.domain.plant.period import Period, PeriodKind
from service.jobs.effluent.days import LABORATORY_MEASURES, has_effluent, read_effluent
from service.jobs.plant.plant import Plant
from service.notify.messages.wording import kind_word
from service.reports.alarm_names import about, name_of
from service.reports.effluent_report import (
    BEFORE,
    AlarmBeside,
    BlanketBefore,
    EffluentReport,
    Exceedance,
    LaterChange,
    Noted,
    Signed,
    changed_figures,
    signed_figures,
)
from service.storage.alarms.alarms import transitions_between
from service.storage.cores.cores import superseded_cores
from service.storage.database.session import transaction
from service.storage.effluent.signatures import signatures_of
from service.storage.laboratory.results import corrected_results, laboratory_results
from service.storage.reports.shift_notes import NoteKind, notes_between
from service.storage.trends.period_figures import blanket_figures

#: Alarms that tell of what leaves, or of the sludge that may.
_TELLING = frozenset(
    {
        AlarmKind.HIGH,
        AlarmKind.HIGH_HIGH,
        AlarmKind.RATE,
        AlarmKind.TIME_TO_DANGER,
        AlarmKind.READS_HIGH,
        AlarmKind.EFFLUENT_SOLIDS,
        AlarmKind.TURBIDITY,
        AlarmKind.PERMIT_NEAR,
        AlarmKind.PERMIT_OVER,
    }
)
#: Notes are written until the end of the shift, hours after what they tell of.
_WRITTEN_AFTER = timedelta(hours=12)
#: An estimate without a sensor behind it speaks this long.
_HOLD = timedelta(minutes=10)


def effluent_of(engine: Engine, plant: Plant, period: Period, now: datetime) -> EffluentReport:
    """The effluent of a period as far as it has come."""
    with transaction(engine) as conn:
        return read_effluent_report(conn, plant, period, now)


def effluent_if_any(conn: Connection, plant: Plant, period: Period, now: datetime) -> EffluentReport | None:
    """The same; None at a plant that has neither a permit nor a meter."""
    return read_effluent_report(conn, plant, period, now) if has_effluent(plant) else None


def read_effluent_report(conn: Connection, plant: Plant, period: Period, now: datetime) -> EffluentReport:
    """The effluent of a period, on an open connection."""
    last = (period.end - timedelta(microseconds=1)).astimezone(plant.alarms.site.zone).date()
    month = read_effluent(conn, plant, period.first, last, now)
    end = min(period.end, now)
    happened = transitions_between(conn, period.start - BEFORE, end) if month.beyond else []
    signed = signatures_of(conn, period.first) if period.span is PeriodKind.MONTHLY else []
    names = [Signed(by=s.signed_by, at=s.signed_at, reason=s.reason) for s in signed]
    changes: list[LaterChange] = []
    for n, signature in enumerate(signed):
        again = names[n + 1] if n + 1 < len(names) else None
        fresh = signed_figures(month) if again is None else signed[n + 1].figures
        changes += changed_figures(signature.figures, fresh, plant.alarms.units, again)
    if names:
        changes += _changed_results(conn, plant, period, names[0].at, names[-1].at, now)
        changes += _changed_cores(conn, plant, period, names[0].at, names[-1].at, now)
    uncounted = [plant.ids.tanks[key] for key in plant.tanks if key not in plant.permit.sampled_tanks]
    return EffluentReport(
        month=month,
        exceedances=tuple(_exceedance(conn, plant, one, happened, end) for one in month.beyond),
        signatures=tuple(names),
        changes=tuple(changes),
        uncounted=len(laboratory_results(conn, tuple(LABORATORY_MEASURES), period.start, end, uncounted)),
    )


def _exceedance(
    conn: Connection, plant: Plant, beyond: Beyond, happened: list[Happened], until: datetime
) -> Exceedance:
    start, end = beyond.start - BEFORE, min(beyond.end + BEFORE, until)
    definitions: Mapping[str, AlarmDefinition] = {d.key: d for d in plant.alarms.definitions}
    labels = {setup.tank.key: setup.tank.label for setup in plant.setups}
    words = {key: kind_word(definition.kind) for key, definition in definitions.items()}
    found = occurrences_of(happened, {key: d.priority for key, d in definitions.items()})
    alarms = [
        AlarmBeside(
            word=name_of(one.key, definitions.get(one.key), words),
            about=about(one.key, definitions.get(one.key), labels),
            at=one.occurred_at,
            by=one.acknowledged_by,
            after=None if one.acknowledged_at is None else one.acknowledged_at - one.occurred_at,
            note=one.note,
        )
        for one in found
        if one.key in definitions and definitions[one.key].kind in _TELLING and start <= one.occurred_at < end
    ]
    written = notes_between(conn, start - _WRITTEN_AFTER, end)
    notes = [
        Noted(at=n.recorded_at, by=n.author, text=n.note)
        for n in written
        if n.kind is NoteKind.NOTE and start <= n.recorded_at < beyond.end + _WRITTEN_AFTER
    ]
    return Exceedance(beyond=beyond, blanket=_blanket(conn, plant, beyond), alarms=tuple(alarms), notes=tuple(notes))


def _blanket(conn: Connection, plant: Plant, beyond: Beyond) -> BlanketBefore | None:
    """The tank whose blanket took most of its depth."""
    highest: BlanketBefore | None = None
    for setup in plant.setups:
        if beyond.tank not in (None, setup.tank.key):
            continue
        hold = max((signal.stale_after for signal in setup.blankets), default=_HOLD)
        number = plant.ids.tanks[setup.tank.key]
        found = blanket_figures(conn, number, beyond.start - BEFORE, beyond.end, hold=hold, above=())
        if found is None:
            continue
        share = found.highest / setup.tank.side_water_depth
        if highest is None or share > highest.share:
            highest = BlanketBefore(tank=setup.tank.label, height=found.highest, at=found.highest_at, share=share)
    return highest


def _changed_results(
    conn: Connection, plant: Plant, period: Period, after: datetime, signed_again: datetime, until: datetime
) -> Iterator[LaterChange]:
    units, zone = plant.alarms.units, plant.alarms.site.zone
    for old, new in corrected_results(conn, tuple(LABORATORY_MEASURES), after, until):
        if not period.start <= old.result.taken_at < period.end:
            continue
        measure = LABORATORY_MEASURES[old.result.kind]
        was, now = (format_quantity(r.result.value, DIMENSION_OF_MEASURE[measure], units) for r in (old, new))
        yield LaterChange(
            at=new.result.recorded_at,
            what=f"laboratory value of {measure.value}, {old.result.taken_at.astimezone(zone):%Y-%m-%d %H:%M}",
            was=was,
            now="withdrawn" if new.withdrawn else now,
            by=new.result.taken_by,
            why=new.correction_reason,
            signed_again=new.result.recorded_at <= signed_again,
        )


def _changed_cores(
    conn: Connection, plant: Plant, period: Period, after: datetime, signed_again: datetime, until: datetime
) -> Iterator[LaterChange]:
    units = plant.alarms.units
    for setup in plant.setups:
        for old, new in superseded_cores(conn, plant.ids.tanks[setup.tank.key], after, until):
            if new.core.recorded_at > after and period.start <= old.core.taken_at < period.end:
                now = "withdrawn" if new.withdrawn else format_length(new.core.thickness, units)
                yield LaterChange(
                    at=new.core.recorded_at,
                    what=f"hand core, {setup.tank.label}, {old.core.taken_at.astimezone(plant.alarms.site.zone):%Y-%m-%d %H:%M}",
                    was=format_length(old.core.thickness, units),
                    now=now,
                    by=new.core.taken_by,
                    why=new.correction_reason,
                    signed_again=new.core.recorded_at <= signed_again,
                )
