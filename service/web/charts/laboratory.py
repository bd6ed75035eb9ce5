"""The laboratory's values of one kind over some days, of a tank or the whole plant."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.laboratory.check import spelled
from service.domain.laboratory.day import IndexKind, index_kind, sludge_indices
from service.domain.laboratory.result import TRAITS, LaboratoryKind, LaboratoryResult, units_of
from service.domain.plant.units import UnitSystem, from_si
from service.web.charts.plot import Plot, PlotFrame, days, round_steps

_CYLINDERS = {
    IndexKind.PLAIN: "plain cylinder",
    IndexKind.DILUTED: "diluted, as read in the cylinder",
    IndexKind.STIRRED: "stirred",
}
#: What can be drawn: each kind, settled volumes after half an hour by their cylinder, and their indices; none mixed with another.
TRENDS: dict[str, str] = (
    {f"index_{kind}": f"sludge index, {kind}" for kind in IndexKind}
    | {kind.value: TRAITS[kind].name for kind in LaboratoryKind if kind is not LaboratoryKind.SETTLED_VOLUME}
    | {f"settled_{kind}": f"settled volume after 30 min, {words}" for kind, words in _CYLINDERS.items()}
)
#: Further apart no line joins two values: nobody measured between them.
_APART = timedelta(days=8)


def kinds_of(trend: str) -> tuple[LaboratoryKind, ...]:
    """The kinds of values a trend is drawn from."""
    if trend.startswith("index_"):
        return (LaboratoryKind.SETTLED_VOLUME, LaboratoryKind.MIXED_LIQUOR_SOLIDS)
    return (LaboratoryKind.SETTLED_VOLUME if trend.startswith("settled_") else LaboratoryKind(trend),)


def trend_plot(
    trend: str,
    results: Sequence[LaboratoryResult],
    tank: str | None,
    span: tuple[datetime, datetime],
    units: UnitSystem,
    zone: ZoneInfo,
) -> Plot | None:
    """The picture of a trend; None where nothing of it was measured.

    Parameters
    ----------
    results : in force, oldest first, of the kinds the trend asks for.
    tank : whose values are full marks, joined by a line; the plant's beside them are open ones.
    """
    start, end = span
    unit = "mL/g" if trend.startswith("index_") else units_of(kinds_of(trend)[0], units)[0]
    own, plants = (
        [(at, from_si(value, unit)) for at, value in _values(trend, results, place)]
        for place in (tank, None if tank else "")
    )
    if not own and not plants:
        return None
    values = [value for _, value in (*own, *plants)]
    low, high = min(0.0, *values), 1.1 * max(*values, 1e-9)
    frame = PlotFrame(start.timestamp(), end.timestamp(), low, high)
    line = own or plants
    breaks = [n for n in range(1, len(line)) if line[n][0] - line[n - 1][0] > _APART]
    for begin, stop in zip([0, *breaks], [*breaks, len(line)], strict=True):
        frame.line("fit", [(at.timestamp(), value) for at, value in line[begin:stop]])
    for name, marks in (("past", plants), ("now", own)):
        for at, value in marks:
            frame.mark(name, at.timestamp(), value)
    said = f"{TRENDS[trend]}: {len(values)} values, from {min(values):.4g} to {max(values):.4g} {spelled(unit)}"
    name = TRENDS[trend].partition(",")[0]
    return frame.drawn(said, "", f"{name} ({spelled(unit)})", days(start, end, zone), round_steps(low, high))


def _values(trend: str, results: Sequence[LaboratoryResult], tank: str | None) -> list[tuple[datetime, float]]:
    if trend.startswith("index_"):
        # A tank's test may have its solids from the plant's sample.
        tests = [r for r in results if r.kind is not LaboratoryKind.SETTLED_VOLUME or r.tank == tank]
        return [(i.at, i.value) for i in sludge_indices(tests) if trend == f"index_{i.kind}"]
    return [
        (r.taken_at, r.value)
        for r in results
        if r.tank == tank
        and (not trend.startswith("settled_") or (r.minute == 30 and trend == f"settled_{index_kind(r)}"))
    ]
