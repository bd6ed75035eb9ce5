"""A tank's loading figures with limits and warnings, for commands, pages and messages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.loading.inputs import InputStatus, LoadInput, Origin
from service.domain.loading.limits import (
    DIMENSION_OF_QUANTITY,
    LimitWarning,
    LoadingLimit,
    LoadTerms,
    Quantity,
    limits_for,
)
from service.domain.loading.state_point import PRACTICAL_LIMIT, Limit, StatePoint, StatePointVerdict
from service.domain.loading.tank_load import TankLoad
from service.domain.plant.display import format_duration, format_quantity
from service.domain.plant.signal import DIMENSION_OF, SignalKind
from service.domain.plant.tank import Tank
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit

THEORY_CAUTION = (
    "The state point is theory: level tank, even flow, no compression. Real tanks often fail at about 80 % of it, which the"
    " verdict counts."
)

_NAMES = {
    SignalKind.FLOW: "flow",
    SignalKind.RETURN_FLOW: "return flow",
    SignalKind.WASTE_FLOW: "sludge drawn",
    SignalKind.FEED_SOLIDS: "feed solids (mixed liquor)",
    SignalKind.RETURN_SOLIDS: "return solids",
    SignalKind.SETTLED_VOLUME: "settled volume, 30 min",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One loading figure."""

    key: str
    name: str
    dimension: Dimension
    value: float | None  #: in SI; None where an input is missing, infinite where nothing is drawn
    limit: LoadingLimit | None = None
    denied_by: str = ""  #: why "kept" is not said though the number is within its limit

    @property
    def kept(self) -> bool | None:
        """Whether its limit is kept; None where there is nothing to compare, or where something else denies it."""
        if self.limit is None or self.value is None:
            return None
        value, limit = self.value, self.limit.value
        within = value >= limit - 1e-9 if self.limit.lower else value <= limit + 1e-9
        return None if within and self.denied_by else within

    def shown(self, system: UnitSystem) -> str:
        """The figure in the plant's unit."""
        if self.value is None:
            return "not known"
        if not math.isfinite(self.value):
            return "no end: nothing is drawn"
        return format_quantity(self.value, self.dimension, system)

    def limit_shown(self, system: UnitSystem) -> str:
        """Its limit in the plant's unit; empty where there is none."""
        if self.limit is None:
            return ""
        bound = "at least" if self.limit.lower else "at most"
        return f"{bound} {format_quantity(self.limit.value, self.dimension, system)}"

    def in_unit(self, system: UnitSystem) -> tuple[float | None, str]:
        """Number and unit for programs."""
        symbol = shown_unit(self.dimension, system)
        if self.value is None or not math.isfinite(self.value):
            return None, symbol
        return from_si(self.value, symbol), symbol


#: Limits on what a tank can bear: they hold for sludge that settles and for inputs of now.
_CAPACITY = frozenset({Quantity.OVERFLOW_RATE, Quantity.SOLIDS_LOADING, Quantity.BLANKET_SHARE})
#: What was built does not change with the day.
_BUILT = frozenset({Quantity.SIDE_WATER_DEPTH})


def load_figures(
    tank: Tank, load: TankLoad, terms: LoadTerms, inputs: Sequence[LoadInput] = (), *, effluent_over: bool = False
) -> tuple[Figure, ...]:
    """Every figure of a tank's loading, those that are not known too, each with its limit where there is one.

    Parameters
    ----------
    inputs : what the loading was computed from; while one is too old, no limit on capacity is said to be kept.
    effluent_over : whether the effluent is beyond its limit: then the tank does not do its work, whatever its figures say.
    """
    limits = {limit.quantity: limit for limit in limits_for(tank, terms.limits, terms.design)}

    def limited(key: str, quantity: Quantity, value: float | None) -> Figure:
        return Figure(
            key=key,
            name=quantity.value,
            dimension=DIMENSION_OF_QUANTITY[quantity],
            value=value,
            limit=limits.get(quantity),
            denied_by=_denied(quantity, load, inputs, effluent_over),
        )

    def plain(key: str, name: str, dimension: Dimension, value: float | None) -> Figure:
        return Figure(key=key, name=name, dimension=dimension, value=value)

    return (
        limited("overflow_rate", Quantity.OVERFLOW_RATE, load.overflow_rate),
        limited("solids_loading", Quantity.SOLIDS_LOADING, load.solids_loading),
        limited("weir_loading", Quantity.WEIR_LOADING, load.weir_loading),
        plain("weir_head", "water above the notches of the weir", Dimension.LENGTH, load.weir_head),
        plain("underflow_rate", "underflow rate", Dimension.OVERFLOW_RATE, load.underflow_rate),
        plain("detention", "detention of the water, with return", Dimension.TIME, load.detention),
        plain("nominal_detention", "detention of the water, by flow alone", Dimension.TIME, load.nominal_detention),
        plain("return_ratio", "return flow over flow", Dimension.RATIO, load.return_ratio),
        plain("asked_return_ratio", "return the settling test asks for", Dimension.RATIO, load.asked_return_ratio),
        plain("balanced_return_ratio", "return that keeps solids steady", Dimension.RATIO, load.balanced_return_ratio),
        limited("sludge_index", Quantity.SLUDGE_INDEX, load.sludge_index),
        plain("held", "solids held in the blanket", Dimension.MASS, load.held),
        plain("sludge_detention", "sludge detention", Dimension.TIME, load.sludge_detention),
        limited("blanket_share", Quantity.BLANKET_SHARE, load.blanket_share),
        limited("side_water_depth", Quantity.SIDE_WATER_DEPTH, tank.side_water_depth),
    )


def _denied(quantity: Quantity, load: TankLoad, inputs: Sequence[LoadInput], effluent_over: bool) -> str:
    """Why a limit is not said to be kept though its number is within; empty where nothing speaks against it."""
    if quantity in _BUILT:
        return ""
    if effluent_over:
        return "not while the effluent is over its limit"
    if quantity not in _CAPACITY:
        return ""
    broken = {warning.quantity for warning in load.warnings}
    if Quantity.SLUDGE_INDEX in broken:
        return "not with this sludge index"
    if load.lacks_stirred:
        return "no stirred index"
    if load.state is not None and load.state.verdict is not StatePointVerdict.SAFE:
        return f"state point {load.state.verdict.value}"
    if beside := sorted(other.value for other in (broken & _CAPACITY) - {quantity}):
        return f"not with the {beside[0]} over its limit"
    old = next((i for i in inputs if i.standing is InputStatus.TOO_OLD), None)
    return "" if old is None else f"{input_name(old)} too old"


def verdict_words(state: StatePoint) -> str:
    """What the state point says, in one sentence.

    >>> from service.domain.loading.settling import Vesilind
    >>> from service.domain.loading.state_point import state_point
    >>> verdict_words(state_point(500 / 3600, 250 / 3600, 3.5, 1000.0, Vesilind(6.5, 0.4035)))
    'safe: 9 % of what a real tank stands (thickening) is still free'
    """
    duty = state.nearer.value
    if state.verdict is StatePointVerdict.SAFE:
        free = 100.0 * (1.0 - (1.0 - state.margin) / PRACTICAL_LIMIT)
        return f"safe: {free:.0f} % of what a real tank stands ({duty}) is still free"
    if state.verdict is StatePointVerdict.CRITICAL:
        used = 100.0 * (1.0 - state.margin)
        return f"critical: {used:.0f} % of its limit by theory ({duty}); real tanks often fail at {100.0 * PRACTICAL_LIMIT:.0f} %"
    if not math.isfinite(state.margin):
        if state.underflow_rate > 0.0 or state.nearer is Limit.CLARIFICATION:
            return f"overloaded: the sludge hardly settles at all ({duty})"
        return "overloaded: nothing is drawn off, so no solids get out"
    return f"overloaded: {-100.0 * state.margin:.0f} % over its limit ({duty})"


LACKS_STIRRED = (
    "no state point: the correlation the site file names goes by the stirred index; whoever has the laboratory enters a stirred settling"
    " test on the day's sheet, or the site file names another"
)


def settling_words(load: TankLoad) -> str:
    """That today's sludge is unlike those its settling was drawn from; empty where it is not.

    >>> from service.domain.loading.settling import settling_at
    >>> settling_words(TankLoad(settling=settling_at("wahlberg-keinath-1988", 310.0)))
    'a sludge index of 310 mL/g is beyond the 35 to 220 that wahlberg-keinath-1988 was fitted to; taken as 220, so it settles still worse'
    >>> settling_words(TankLoad(settling=settling_at("daigger-1995", 150.0)))
    ''
    """
    found = load.settling
    if load.lacks_stirred:
        return LACKS_STIRRED
    if found is None or not found.outside_fit:
        return ""
    index = f"a sludge index of {found.index:.0f} mL/g"
    if found.fitted is None:
        where = f"is beyond what {found.correlation} can say"
    else:
        side = "beyond" if found.index > found.fitted[1] else "below"
        where = f"is {side} the {found.fitted[0]:.0f} to {found.fitted[1]:.0f} that {found.correlation} was fitted to"
    if found.used < found.index:
        return f"{index} {where}; taken as {found.used:.0f}, so it settles still worse"
    return f"{index} {where}: the state point is rough"


def failing_words(load: TankLoad, system: UnitSystem) -> str:
    """At what flow or feed this tank would fail today; empty without a state point."""
    if load.state is None or load.failing_flow is None or load.failing_solids is None:
        return ""
    flow = format_quantity(load.failing_flow, Dimension.FLOW, system)
    solids = format_quantity(load.failing_solids, Dimension.CONCENTRATION, system)
    word = "fails" if load.state.verdict is StatePointVerdict.OVERLOADED else "would fail"
    return f"today it {word} above a flow of {flow}, or with feed solids above {solids}"


def restoring_words(load: TankLoad, system: UnitSystem) -> str:
    """What return flow would bring it back, and its ceiling; empty where it is not overloaded."""
    found = load.restoring
    if found is None:
        return ""
    ceiling = format_quantity(found.ceiling, Dimension.FLOW, system)
    if found.flow is None:
        return f"no return flow brings it back: {found.reason}"
    flow = format_quantity(found.flow, Dimension.FLOW, system)
    if not found.reachable:
        return f"it would take a return flow of {flow}, {found.reason} ({ceiling})"
    bound = f"the pumps can give {ceiling}" if found.by_pumps else f"above {ceiling} more return helps no further"
    return f"a return flow of {flow} would bring it back; {bound}"


def warning_words(warning: LimitWarning, system: UnitSystem) -> str:
    """A limit that is not kept, in one line.

    >>> warning_words(LimitWarning(quantity=Quantity.SLUDGE_INDEX, value=310.0, limit=250.0, source="x"), "si")
    'sludge volume index 310 mL/g, limit 250 mL/g'
    """
    dimension = DIMENSION_OF_QUANTITY[warning.quantity]
    value, limit = (format_quantity(v, dimension, system) for v in (warning.value, warning.limit))
    return f"{warning.quantity.value} {value}, limit {limit}"


def abnormal_words(load: TankLoad, system: UnitSystem) -> tuple[str, ...]:
    """What is not as it should be with a tank's loading now, in a line or two; empty when all is well.

    A tank that was built too shallow is not told every day.
    """
    lines = []
    if load.state is not None and load.state.verdict is not StatePointVerdict.SAFE:
        helps = restoring_words(load, system)
        lines.append("state point " + verdict_words(load.state) + (f"; {helps}" if helps else ""))
        if outside := settling_words(load):
            lines.append(outside)
    if load.lacks_stirred:
        lines.append(LACKS_STIRRED)
    broken = [w for w in load.warnings if w.quantity is not Quantity.SIDE_WATER_DEPTH]
    if broken:
        lines.append("; ".join(warning_words(w, system) for w in broken))
    return tuple(lines)


def input_name(found: LoadInput) -> str:
    """What an input is called."""
    return _NAMES[found.kind]


def input_words(found: LoadInput, system: UnitSystem, now: datetime) -> str:
    """An input as it stands, and how old it is."""
    if found.standing in (InputStatus.NO_SIGNAL, InputStatus.NOTHING_HEARD) or found.at is None or found.value is None:
        return f"missing: {found.standing.value}"
    value = format_quantity(found.value, DIMENSION_OF[found.kind], system)
    age = now - found.at
    whose = "" if found.origin is Origin.TANK else f" ({found.origin.value})"
    if found.standing is InputStatus.TOO_OLD:
        usable = format_duration(found.usable_for)
        return f"missing: last {value}{whose} {format_duration(age)} ago, too old after {usable}"
    return f"{value}{whose}, {format_duration(age)} ago"
