"""The laboratory's part of a day's or month's report: values of each kind, indices of each kind, and what was corrected. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.laboratory.check import spelled
from service.domain.laboratory.day import IndexKind, sludge_indices
from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult, units_of
from service.domain.plant.display import format_dated, to_three_figures
from service.domain.plant.units import UnitSystem, from_si
from service.reports.rendering.document import Cell, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryChange:
    """A value of the period that was corrected or withdrawn."""

    name: str
    taken_at: datetime
    changed_at: datetime
    to: str  #: as typed; "withdrawn" where it was taken back
    reason: str
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryPeriod:
    """The results in force of a period, and what was changed among them."""

    results: Sequence[LaboratoryResult] = ()
    changes: Sequence[LaboratoryChange] = field(default=())


def laboratory_tables(period: LaboratoryPeriod, units: UnitSystem, zone: ZoneInfo) -> list[Table]:
    """The tables of the laboratory; none where nothing was measured and nothing changed."""
    rows = [*_kinds(period.results, units), *_indices(period.results)]
    tables = []
    if rows:
        tables.append(
            Table(
                title="Laboratory",
                heads=("What", "Values", "Days", "Lowest", "Mean", "Highest", "Unit"),
                rows=rows,
                widths=(34, 8, 8, 12, 12, 12, 14),
                note="Hand-made values in force. Plain, diluted and stirred index are of different tests and are not compared with each other.",
            )
        )
    if period.changes:
        tables.append(
            Table(
                title="Laboratory values changed later",
                heads=("What", "Measured", "Changed", "To", "Why", "By"),
                rows=[
                    (
                        change.name,
                        format_dated(change.taken_at, zone),
                        format_dated(change.changed_at, zone),
                        change.to,
                        change.reason,
                        change.by,
                    )
                    for change in period.changes
                ],
                widths=(24, 16, 16, 12, 20, 12),
            )
        )
    return tables


def _kinds(results: Sequence[LaboratoryResult], units: UnitSystem) -> list[tuple[Cell, ...]]:
    rows = []
    for kind in LaboratoryKind:
        if kind is LaboratoryKind.SETTLED_VOLUME:
            continue
        found = [r for r in results if r.kind is kind]
        if found:
            unit = units_of(kind, units)[0]
            rows.append(_row(TRAITS[kind].name, [(r.taken_at, from_si(r.value, unit)) for r in found], spelled(unit)))
    return rows


def _indices(results: Sequence[LaboratoryResult]) -> list[tuple[Cell, ...]]:
    rows = []
    for kind in IndexKind:
        found = [(i.at, i.value) for i in sludge_indices(results) if i.kind is kind]
        if found:
            rows.append(_row(f"sludge index, {kind.value}", found, "mL/g"))
    return rows


def _row(name: str, values: Sequence[tuple[datetime, float]], unit: str) -> tuple[Cell, ...]:
    numbers = [value for _, value in values]
    days = len({at.date() for at, _ in values})
    low, mean, high = (to_three_figures(v) for v in (min(numbers), sum(numbers) / len(numbers), max(numbers)))
    return name[0].upper() + name[1:], str(len(values)), str(days), low, mean, high, unit
