"""Ranges whose size gives a wrong unit away."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.plant.signal import DIMENSION_OF, SignalKind
from service.domain.plant.units import UNITS, Dimension
from service.site.reading.report import ReadSection, Report
from service.site.reading.section_reader import Draft
from service.site.rules.names import shown
from service.site.rules.size import usual_tank
from service.site.sections.plant import SignalSection

_FLOWS = (SignalKind.FLOW, SignalKind.RETURN_FLOW)

#: What the top of a flow's range comes to over the tank's area [m/h]. Peak overflow rates are 1.5 to 2.7 m/h (1000 to
#: 1600 gpd/ft²: typical design values in Metcalf & Eddy, *Wastewater Engineering*, from memory); a wrong unit is off by
#: 24 or more, so the band can be wide enough for any meter.
FLOW_BAND = (0.05, 30.0)

#: What the top of a solids range may be [kg/m³] (common practice, no source).
SOLIDS_BAND = {
    SignalKind.FEED_SOLIDS: (0.05, 50.0),
    SignalKind.RETURN_SOLIDS: (0.5, 100.0),
    SignalKind.EFFLUENT_SOLIDS: (0.002, 10.0),
}


def areas_of(draft: Draft) -> dict[str | None, float]:
    """Water surface of every tank of usual size, and under None of all of them when none is in doubt. [m²]"""
    tanks = {entry.section.key: usual_tank(entry) for entry in draft.tanks}
    areas: dict[str | None, float] = {key: tank.area for key, tank in tanks.items() if tank is not None}
    if areas and len(areas) == len(tanks) and "tank" not in draft.incomplete:
        areas[None] = sum(areas.values())
    return areas


def check_magnitude(
    entry: ReadSection[SignalSection], areas: Mapping[str | None, float], draft: Draft, report: Report
) -> None:
    """Whether the top of the range is a possible one."""
    signal = entry.section
    dimension = UNITS[signal.unit].dimension
    if signal.high is None or signal.high <= 0 or dimension is not DIMENSION_OF[signal.kind]:
        return
    if signal.kind in _FLOWS:
        area = areas.get(signal.tank)
        if area is None:
            return  # nothing to judge it by
        rate = signal.high * 3600 / area
        if not FLOW_BAND[0] <= rate <= FLOW_BAND[1]:
            over = "the tank" if signal.tank else "all tanks"
            report.warning(
                entry,
                "high",
                f"comes to {shown(rate, Dimension.OVERFLOW_RATE, draft.units)} over {over}: "
                f"{'less than any' if rate < FLOW_BAND[0] else 'more than any'} clarifier sees",
                f"check the unit {signal.unit}",
            )
    elif (band := SOLIDS_BAND.get(signal.kind)) and not band[0] <= signal.high <= band[1]:
        symbol = "mg/L" if signal.high > band[1] else "g/L"
        report.warning(
            entry,
            "high",
            f"is {shown(signal.high, Dimension.CONCENTRATION, draft.units)}: not a {signal.kind.replace('_', ' ')} value",
            f"check the unit {signal.unit}; was {symbol} meant?" if symbol != signal.unit else "check the number",
        )
