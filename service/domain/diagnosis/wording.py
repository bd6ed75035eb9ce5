"""Words a diagnosis: the lines that lead a message, and the whole of it for a page or a command."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.cores.core import OVER_THE_WEIR
from service.domain.diagnosis.advice import ModeAdvice, advice
from service.domain.diagnosis.diagnosis import Diagnosis, Weighed
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.modes import HINTS, FailureMode
from service.domain.plant.display import describe_height, format_quantity
from service.domain.plant.signal import DIMENSION_OF, SignalKind
from service.domain.plant.tank import TankKind
from service.domain.plant.units import Dimension, UnitSystem

#: Clues of a mode told in a message, at most so many, each with at least this ratio.
_TOLD_CLUES, _TELLS = 2, 2.0


PERMIT = "Solids leave with the effluent: sample it, and tell whoever the permit names."
#: A mode less likely than this is left out of page and command. [–]
SHOWN_FROM = 0.01
#: How the chances come about, told wherever they are shown.
BASIS = (
    "Each chance: how common the cause is, times the ratio of every clue (how much likelier the fact is with this cause than"
    " with none of them), over the sum for all causes. The ratios are engineering judgement where no source is named."
)


@dataclass(frozen=True, slots=True)
class ModeWords:
    """One mode in words."""

    mode: FailureMode
    chance: str
    speaks_for: tuple[str, ...]  #: each clue with its ratio
    against: tuple[str, ...]
    advice: ModeAdvice


def message_lines(found: Diagnosis, system: UnitSystem) -> tuple[str, ...]:
    """What leads a message: the first line of the likeliest mode, its numbers, and at most two rivals.

    Where no mode is clear it names the likeliest and what settles them, and advises none of their actions.
    """
    now = f"Now: {numbers(found.evidence, system)}."
    leaves = (PERMIT,) if _solids_leave(found.evidence) else ()
    if not found.clear:
        likeliest = ", ".join(_lower(chance_words(one)) for one in found.ranked[:3])
        settles = [advice(one.mode, found, system).settles for one in found.ranked[:2]]
        return (f"No one cause is clear yet: {likeliest}.", *leaves, f"What settles it: {' '.join(settles)}", now)
    leading = found.leading
    best = advice(leading.mode, found, system)
    telling = [c for c in leading.speaks_for if c.ratio(leading.mode) >= _TELLS][:_TOLD_CLUES]
    because = "; ".join(_lower(clue.words(system)) for clue in telling)
    lines = [best.first, f"{chance_words(leading)}{f': {because}' if because else ''}."]
    lines += leaves
    lines += [why for why in best.never if why.startswith("Do not") and why[:20] not in best.first][:1]
    lines.append(now)
    lines += [
        f"Or {_lower(rival.mode.value)} ({percent(rival.chance)}). What settles it: {_settles(rival, found, system)}"
        for rival in found.rivals
    ]
    return tuple(lines)


def _solids_leave(e: Evidence) -> bool:
    """Whether a person saw solids go over the weir, or the effluent is beyond the site's own limit."""
    beyond = (
        e.effluent_limit is not None and e.effluent_solids is not None and e.effluent_solids > e.effluent_limit,
        e.turbidity_limit is not None and e.turbidity is not None and e.turbidity > e.turbidity_limit,
    )
    return bool(set(e.surface) & OVER_THE_WEIR) or any(beyond)


def hint(found: Diagnosis) -> str:
    """The likeliest mode in a word or two; empty where none is clear or it is the sensor, whose doubt is told already."""
    return HINTS[found.leading.mode] if found.clear and found.leading.mode is not FailureMode.SENSOR else ""


def chance_words(weighed: Weighed) -> str:
    """A mode and its chance; chances near 0 and 1 are rounded to what can be known."""
    return f"{weighed.mode.value[0].upper()}{weighed.mode.value[1:]} ({percent(weighed.chance)})"


def percent(chance: float) -> str:
    """A chance, no finer than judgement makes it.

    >>> percent(0.9999), percent(0.874), percent(0.02), percent(0.001)
    ('95 % or more', '87 %', '2 %', 'under 1 %')
    """
    if chance >= 0.95:
        return "95 % or more"
    return "under 1 %" if chance < 0.01 else f"{100.0 * chance:.0f} %"


def modes_in_words(found: Diagnosis, system: UnitSystem) -> tuple[ModeWords, ...]:
    """Every mode that is not next to impossible, the likeliest first."""
    return tuple(mode_words(one, found, system) for one in found.ranked if one.chance >= SHOWN_FROM)


def mode_words(weighed: Weighed, found: Diagnosis, system: UnitSystem) -> ModeWords:
    """A mode with every clue for and against it, and its advice."""
    return ModeWords(
        mode=weighed.mode,
        chance=percent(weighed.chance),
        speaks_for=tuple(f"{c.words(system)}: × {_ratio(c.ratio(weighed.mode))}" for c in weighed.speaks_for),
        against=tuple(f"{c.words(system)}: × {_ratio(c.ratio(weighed.mode))}" for c in weighed.against),
        advice=advice(weighed.mode, found, system),
    )


def numbers(e: Evidence, system: UnitSystem) -> str:
    """The present numbers in one line; at its end the names of those that are not known, or too old."""
    streams, index = e.streams, e.load.sludge_index
    if e.kind is TankKind.SECONDARY:
        wanted = [
            ("flow", streams.flow, SignalKind.FLOW),
            ("return", streams.return_flow, SignalKind.RETURN_FLOW),
            ("mixed liquor", streams.feed_solids, SignalKind.FEED_SOLIDS),
            ("return solids", streams.return_solids, SignalKind.RETURN_SOLIDS),
        ]
    else:
        wanted = [
            ("flow", streams.flow, SignalKind.FLOW),
            ("sludge drawn", streams.return_flow, SignalKind.WASTE_FLOW),
            ("drawn solids", streams.return_solids, SignalKind.RETURN_SOLIDS),
        ]
    shown = [
        f"{name} {format_quantity(value, DIMENSION_OF[kind], system)}{_aged(e.ages.get(kind))}"
        for name, value, kind in wanted
        if value is not None
    ]
    missing = [(name, kind) for name, value, kind in wanted if value is None]
    if e.kind is TankKind.SECONDARY and index is not None:
        shown.append(
            f"sludge index {format_quantity(index, Dimension.SLUDGE_INDEX, system)}{_aged(e.test_age, 12.0, 'test ')}"
        )
    elif e.kind is TankKind.SECONDARY:
        missing.append(("sludge index", SignalKind.SETTLED_VOLUME))
    if e.height is not None:
        shown.append(f"blanket {describe_height(e.height, system)}")
    old = [name for name, kind in missing if kind in e.old]
    unknown = [name for name, kind in missing if kind not in e.old]
    said = [", ".join(shown)] if shown else []
    said += [f"{why}: {', '.join(names)}" for why, names in (("too old to use", old), ("not known", unknown)) if names]
    return "; ".join(said)


def _settles(rival: Weighed, found: Diagnosis, system: UnitSystem) -> str:
    return _lower(advice(rival.mode, found, system).settles)


def _aged(hours: float | None, told_from: float = 2.0, what: str = "") -> str:
    """How old a value is, where it is not of now; a test, where it is not of this shift."""
    return f" ({what}{hours:.0f} h ago)" if hours is not None and hours > told_from else ""


def _ratio(value: float) -> str:
    return f"{value:.0f}" if value >= 10.0 else f"{value:.2g}"


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
