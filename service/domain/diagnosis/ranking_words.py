"""Words a ranking of actions."""

from __future__ import annotations

from service.domain.diagnosis.ranking import (
    AHEAD,
    FLOW_TAKEN_OFF,
    POLYMER_SPEEDS,
    STEP_SHARE,
    JudgedAction,
    Ranking,
)
from service.domain.plant.action import SiteAction
from service.domain.plant.display import describe_height, format_length, format_quantity
from service.domain.plant.units import Dimension, UnitSystem

NO_WASTING = "Do not chase a storm with wasting"

RANKING_CAUTION = (
    "Judged by a layered settler for each tank, with flows as they are now. It knows nothing of currents and no compression:"
    " it ranks actions and does not predict kilograms. Site procedures, local codes and the licensed operator decide."
)

#: What is meant by each action.
_MEANT = {
    SiteAction.RETURN: "return of this tank at {0}",
    SiteAction.FLOW_OFF: f"{FLOW_TAKEN_OFF:.0%} of this tank's flow moved to its sister tanks",
    SiteAction.TANKS_IN: "every idle tank put in service",
    SiteAction.STEP_FEED: f"step feed, {STEP_SHARE:.0%} of the flow into the second half of the basin",
    SiteAction.CONTACT_STABILIZATION: "contact stabilization, all flow into the last third of the basin",
    SiteAction.POLYMER: f"polymer, sludge settling {POLYMER_SPEEDS:g} times as fast",
}


def ranking_lines(found: Ranking, system: UnitSystem) -> tuple[str, ...]:
    """What is lost as things are, what each action would come to, the best first, and what not to do."""
    lost = format_quantity(found.lost, Dimension.MASS, system)
    if found.overflows:
        ordinary = format_quantity(found.ordinary, Dimension.MASS, system)
        lines = [
            f"As things are about {lost} of solids go over the weirs in {AHEAD:g} h; on an ordinary day {ordinary}."
        ]
    else:
        top = describe_height(found.height, system)
        lines = [
            f"As things are no more solids than usual go over the weirs in {AHEAD:g} h; its blanket is then {top}."
        ]
    lines += [_line(one, found, system) for one in found.actions]
    if not found.actions:
        lines.append("Nothing the site file names as possible can be done now.")
    elif found.none_helps:
        lines.append(f"None of what this site can do helps within {AHEAD:g} h.")
    if found.overflows:
        share = max(found.wasting_saves, 0.0) / found.lost
        lines.append(
            f"{NO_WASTING}: wasting harder would spare {100.0 * share:.0f} % of it, and costs biomass for weeks."
        )
    return tuple(lines)


def _line(one: JudgedAction, found: Ranking, system: UnitSystem) -> str:
    tried = format_quantity(found.return_tried / 3600.0, Dimension.FLOW, system)
    name = _MEANT[one.action].replace("%", " %").replace("{0}", tried)
    amount = format_quantity(abs(one.saved), Dimension.MASS, system)
    lower = found.height - one.height
    if not found.overflows:
        if one.helps:
            return f"Helps: {name}. Its blanket ends {format_length(lower, system)} lower."
        return f"Does not help: {name}."
    if one.helps:
        return f"Helps: {name}. About {amount} less is lost."
    if one.saved < -0.02 * found.lost:
        return f"Harms: {name}. About {amount} more is lost."
    return f"Does not help: {name}."
