"""What to do about each failure mode: the first line, further actions, what settles it, and what never to do.

Common practice of the trade without one authoritative source, unless a mode names one; the categories are those of Parker,
Wahlberg and Gerges (2000), Water Science and Technology 41(9), 201-208: denitrification, high blankets, flocculation, hydraulics.
The tool only advises: site procedures, local codes and the licensed operator decide.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from service.domain.diagnosis.diagnosis import Diagnosis
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.modes import FailureMode
from service.domain.diagnosis.remedies import PRACTICE, REMEDIES, Remedy, Step
from service.domain.plant.action import SiteAction
from service.domain.plant.display import format_quantity
from service.domain.plant.tank import TankKind
from service.domain.plant.units import Dimension, UnitSystem

CONFIRM = "Confirm with a hand core, if safe, and log it."
DEFERS = "Site procedures, local codes and the licensed operator decide; this is advice only."
#: Where a clarification overload is at least this likely, nobody is told to raise the return without its limit known.
_DOUBT = 0.15
#: After a core this recent nobody is asked for another. [h]
FRESH_CORE = 1.0
#: A flow this much over its usual is a storm, and no time to waste sludge. [–]
_STORM = 1.3


@dataclass(frozen=True, slots=True, kw_only=True)
class ModeAdvice:
    """Advice on one mode as it holds tonight: steps that would harm are taken out, and why is said under ``never``."""

    mode: FailureMode
    first: str
    further: tuple[str, ...]
    settles: str
    never: tuple[str, ...]
    source: str = PRACTICE


def advice(mode: FailureMode, found: Diagnosis, system: UnitSystem) -> ModeAdvice:
    """What to do about a mode on that tank now."""
    remedy = REMEDIES[mode]
    forbidden = contra_indications(found)
    if mode is FailureMode.RETURN_LOST:
        # A lost return is to be restored; that is not raising it.
        forbidden.pop(SiteAction.RETURN, None)
    first = _first(mode, remedy, found, forbidden, system)
    own = [step for step in remedy.further if _possible(step, found.evidence) and step.action not in forbidden]
    never = [why for why in remedy.never if _fits(why, found.evidence)]
    never += [why for why in forbidden.values() if _of_sludge(mode)]
    return ModeAdvice(
        mode=mode,
        first=first,
        further=tuple(step.text for step in own if step.text != first),
        settles=remedy.settles,
        never=tuple(dict.fromkeys(never)),
        source=remedy.source,
    )


def contra_indications(found: Diagnosis) -> dict[SiteAction | None, str]:
    """Actions that would harm tonight, whatever the mode, each with why; None stands for wasting."""
    e = found.evidence
    forbidden: dict[SiteAction | None, str] = {}
    if e.kind is TankKind.SECONDARY:
        if e.clarification_limits and e.clarification is not None:
            forbidden[SiteAction.RETURN] = (
                f"Do not raise the return: clarification is at {e.clarification:.0%} of its limit by theory,"
                " and more return only adds load.".replace("%", " %")
            )
        elif _beyond_theory(e):
            forbidden[SiteAction.RETURN] = (
                "Do not raise the return on the state point's word: sludge this bad is beyond what it was fitted to."
            )
        elif found.chance(FailureMode.CLARIFICATION) >= _DOUBT:
            forbidden[SiteAction.RETURN] = (
                "Do not raise the return until it is clear that thickening limits, and not clarification."
            )
        elif found.chance(FailureMode.RAT_HOLE) >= _DOUBT:
            forbidden[SiteAction.RETURN] = "Do not raise the return while it draws water through the sludge."
        elif (
            e.return_capacity is not None
            and e.streams.return_flow is not None
            and e.streams.return_flow >= 0.97 * e.return_capacity
        ):
            forbidden[SiteAction.RETURN] = "The return is at what the pumps can give; it cannot be raised."
    if not e.sisters_have_room:
        known = e.above_sisters is not None or e.flow_beside_sisters is not None
        forbidden[SiteAction.FLOW_OFF] = (
            "Do not move flow to sister tanks that are as full: it only moves the loss to them."
            if known
            else "Do not move flow to sister tanks before you know that they have room."
        )
    if (e.flow_ratio or 0.0) >= _STORM and e.kind is TankKind.SECONDARY:
        forbidden[None] = (
            "Do not chase a storm with wasting: what is wasted tonight does not lower the blanket tonight."
        )
    return forbidden


def _beyond_theory(e: Evidence) -> bool:
    """Whether the sludge settles worse than any the state point's correlation was drawn from: it may clarify no more."""
    settling = e.load.settling
    return (
        settling is not None
        and settling.outside_fit
        and (settling.used < settling.index or (settling.fitted is not None and settling.index > settling.fitted[1]))
    )


def _of_sludge(mode: FailureMode) -> bool:
    """Whether somebody could think of the return or of wasting for that mode."""
    return mode not in (
        FailureMode.SENSOR,
        FailureMode.SCUM,
        FailureMode.ALGAE,
        FailureMode.POOR_FLOC,
        FailureMode.CHEMICAL_LOST,
        FailureMode.MECHANICAL,
    )


def _possible(step: Step, e: Evidence) -> bool:
    return (step.action is None or step.action in e.actions) and _fits(step.text, e)


def _fits(text: str, e: Evidence) -> bool:
    """Whether a line fits the kind of tank: only those after activated sludge have a return."""
    return e.kind is TankKind.SECONDARY or "return" not in text


def _first(
    mode: FailureMode, remedy: Remedy, found: Diagnosis, forbidden: dict[SiteAction | None, str], system: UnitSystem
) -> str:
    e = found.evidence
    if mode is FailureMode.THICKENING:
        return _thickening(e, forbidden, system)
    if mode is FailureMode.CLARIFICATION:
        return f"Too much flow for what settles: {_relief(e, forbidden)}. Do not raise the return."
    known = e.load.state is not None
    if mode is FailureMode.BULKING and known and SiteAction.RETURN not in forbidden and SiteAction.RETURN in e.actions:
        return f"The sludge settles badly: raise the return within its ceiling{_target(e, system)}, and {_relief(e, forbidden)}."
    if mode is FailureMode.BULKING:
        return f"The sludge settles badly: {_relief(e, forbidden)}. Chemistry and biology mend it over days."
    if mode is FailureMode.SENSOR and e.core_age is not None and e.core_age <= FRESH_CORE:
        return "Go by the last hand core, not by the sensor; clean the sensor, look for scum, foam or the arm under it."
    if mode is FailureMode.INVENTORY:
        hold = (
            "the return within its ceiling"
            if SiteAction.RETURN not in forbidden and SiteAction.RETURN in e.actions
            else _relief(e, forbidden)
        )
        return f"Too much sludge is held: waste more over the coming days, in small steps. Tonight hold it: {hold}."
    if mode is FailureMode.GAS and SiteAction.RETURN in forbidden:
        return "Gas lifts the sludge: shorten its stay and cut nitrate to the tank; do not raise the return tonight."
    return remedy.first


def _thickening(e: Evidence, forbidden: dict[SiteAction | None, str], system: UnitSystem) -> str:
    restoring = e.load.restoring
    if SiteAction.RETURN in forbidden or SiteAction.RETURN not in e.actions:
        return f"More solids arrive than this tank can thicken: {_relief(e, forbidden)}."
    if restoring is not None and not restoring.reachable:
        return f"More solids arrive than any return in reach can draw: {_relief(e, forbidden)}; return up to its ceiling, no more."
    return f"More solids arrive than are drawn: raise the return{_target(e, system)}, not beyond its ceiling."


def _target(e: Evidence, system: UnitSystem) -> str:
    restoring = e.load.restoring
    if restoring is None or restoring.flow is None or not restoring.reachable:
        return ""
    return f" to about {format_quantity(restoring.flow, Dimension.FLOW, system)}"


#: What relieves a tank of flow or of feed, in the order it is told.
_RELIEF = {
    SiteAction.FLOW_OFF: "take flow off this tank",
    SiteAction.TANKS_IN: "put every tank in service that can be",
    SiteAction.STEP_FEED: "go to step feed",
    SiteAction.CONTACT_STABILIZATION: "go to contact stabilization",
}


def _relief(e: Evidence, forbidden: dict[SiteAction | None, str]) -> str:
    own = [words for action, words in _RELIEF.items() if action in e.actions and action not in forbidden]
    if SiteAction.FLOW_OFF in forbidden:
        own.append("hold back flow where the plant can store it")
    return _list(own) if own else "hold back flow where the plant can store it"


def _list(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} or {last}" if most else last
