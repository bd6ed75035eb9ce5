"""Published limits on loading, and the warnings drawn from them; a site may set its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from service.domain.loading.settling import USUAL_CORRELATION
from service.domain.plant.action import USUAL_ACTIONS, SiteAction
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import Tank, TankKind
from service.domain.plant.units import Dimension, to_si


class Quantity(StrEnum):
    """What a limit is on."""

    OVERFLOW_RATE = "surface overflow rate"
    SOLIDS_LOADING = "solids loading rate"
    WEIR_LOADING = "weir loading"
    SIDE_WATER_DEPTH = "side water depth"
    BLANKET_SHARE = "blanket share of the depth where cores are taken"
    SLUDGE_INDEX = "sludge volume index"


DIMENSION_OF_QUANTITY: dict[Quantity, Dimension] = {
    Quantity.OVERFLOW_RATE: Dimension.OVERFLOW_RATE,
    Quantity.SOLIDS_LOADING: Dimension.SOLIDS_LOADING,
    Quantity.WEIR_LOADING: Dimension.WEIR_LOADING,
    Quantity.SIDE_WATER_DEPTH: Dimension.LENGTH,
    Quantity.BLANKET_SHARE: Dimension.RATIO,
    Quantity.SLUDGE_INDEX: Dimension.SLUDGE_INDEX,
}


class Process(StrEnum):
    """What sludge a tank settles: published limits differ by it."""

    CONVENTIONAL = "conventional"
    NITRIFYING = "nitrifying"  #: extended aeration, or nitrification in a single stage
    SECOND_STAGE = "second-stage nitrifying"
    CHEMICAL = "chemical phosphorus"  #: precipitated in the mixed liquor
    PRIMARY_SLUDGE = "primary sludge"  #: these three in a thickener
    WASTE_ACTIVATED = "waste activated sludge"
    MIXED_SLUDGE = "mixed sludge"


#: Which processes a kind of tank may serve; the first where the site says nothing.
PROCESSES_OF: Mapping[TankKind, tuple[Process, ...]] = {
    TankKind.SECONDARY: (Process.CONVENTIONAL, Process.NITRIFYING, Process.SECOND_STAGE, Process.CHEMICAL),
    TankKind.PRIMARY: (Process.CONVENTIONAL,),
    TankKind.THICKENER: (Process.MIXED_SLUDGE, Process.PRIMARY_SLUDGE, Process.WASTE_ACTIVATED),
}
#: Plants up to this average flow have the stricter limit on weirs. [m³/s]
SMALL_PLANT = to_si(1.0, "MGD")


@dataclass(frozen=True, slots=True)
class Design:
    """What a tank was built for, as far as published limits ask."""

    process: Process | None = None
    small: bool = False  #: an average of 1 MGD or less


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadingLimit:
    """One limit in SI, where it comes from, and whether it bounds from above or below."""

    quantity: Quantity
    value: float
    source: str
    lower: bool = False


_TEN_STATES = "Ten States Standards (GLUMRB), Recommended Standards for Wastewater Facilities, ch. 70"

#: Peak hourly overflow rate [gpd/ft²] and peak solids loading [lb/d.ft²] of secondary tanks by process.
_BY_PROCESS: Mapping[Process, tuple[float, float, str]] = {
    Process.CONVENTIONAL: (
        1200.0,
        40.0,
        "conventional (from memory; the overflow rate stands in Wyoming ch. 11 sec. 17 too)",
    ),
    Process.NITRIFYING: (1000.0, 35.0, "extended aeration and single-stage nitrification (from memory)"),
    Process.SECOND_STAGE: (800.0, 35.0, "second stage of nitrification (from memory; Wyoming ch. 11 sec. 17 too)"),
    Process.CHEMICAL: (
        900.0,
        40.0,
        "chemicals in the mixed liquor for phosphorus; solids as conventional (from memory)",
    ),
}
#: Overflow rate [m³/(m²·d)] and solids loading [kg/(m²·d)] of gravity thickeners by sludge: the upper ends of usual ranges.
_BY_SLUDGE: Mapping[Process, tuple[float, float]] = {
    Process.PRIMARY_SLUDGE: (31.0, 150.0),
    Process.WASTE_ACTIVATED: (8.0, 40.0),
    Process.MIXED_SLUDGE: (12.0, 80.0),
}
_THICKENING = "Metcalf & Eddy, Wastewater Engineering: gravity thickeners, upper end of the usual range (from memory)"


def _weir(design: Design, source: str) -> LoadingLimit:
    """The limit on weirs: stricter at small plants."""
    size = "up to 1 MGD" if design.small else "above 1 MGD"
    value = to_si(20_000.0 if design.small else 30_000.0, "gpd/ft")
    return LoadingLimit(quantity=Quantity.WEIR_LOADING, value=value, source=source.format(size=size))


def _depth(feet: float, words: str) -> LoadingLimit:
    return LoadingLimit(
        quantity=Quantity.SIDE_WATER_DEPTH,
        value=to_si(feet, "ft"),
        source=f"{_TEN_STATES}, sec. 72.1: {words}",
        lower=True,
    )


def _secondary(design: Design) -> tuple[LoadingLimit, ...]:
    overflow, solids, words = _BY_PROCESS[design.process or Process.CONVENTIONAL]
    return (
        LoadingLimit(
            quantity=Quantity.OVERFLOW_RATE,
            value=to_si(overflow, "gpd/ft2"),
            source=f"{_TEN_STATES}: peak hourly, {words}",
        ),
        LoadingLimit(
            quantity=Quantity.SOLIDS_LOADING, value=to_si(solids, "lb/d.ft2"), source=f"{_TEN_STATES}: peak, {words}"
        ),
        _weir(design, f"{_TEN_STATES}: peak hourly, plants {{size}} (from memory)"),
        _depth(12.0, "after activated sludge"),
        LoadingLimit(
            quantity=Quantity.BLANKET_SHARE,
            value=0.25,
            source="Treatment Plant Operator, exam study guide, August 2019: never above a quarter of the side-wall depth",
        ),
        LoadingLimit(
            quantity=Quantity.SLUDGE_INDEX,
            value=250.0,
            source="Spellman, Handbook of Water and Wastewater Treatment Plant Operations: above 250 is bulking",
        ),
    )


def _primary(design: Design) -> tuple[LoadingLimit, ...]:
    return (
        _weir(design, "30 TAC ch. 217, primary clarifiers {size}, peak"),
        _depth(10.0, "primary"),
    )


def _thickener(design: Design) -> tuple[LoadingLimit, ...]:
    process = design.process or PROCESSES_OF[TankKind.THICKENER][0]
    overflow, solids = _BY_SLUDGE[process]
    return (
        LoadingLimit(
            quantity=Quantity.OVERFLOW_RATE, value=to_si(overflow, "m3/m2.d"), source=f"{_THICKENING}, {process}"
        ),
        LoadingLimit(
            quantity=Quantity.SOLIDS_LOADING, value=to_si(solids, "kg/m2.d"), source=f"{_THICKENING}, {process}"
        ),
    )


def published_limits(kind: TankKind, design: Design | None = None) -> tuple[LoadingLimit, ...]:
    """The limits that hold for a kind of tank where the site sets none.

    Parameters
    ----------
    design : process and size; conventional and large where nothing is said.

    >>> [limit.quantity.value for limit in published_limits(TankKind.PRIMARY)]
    ['weir loading', 'side water depth']
    """
    made = {TankKind.SECONDARY: _secondary, TankKind.PRIMARY: _primary, TankKind.THICKENER: _thickener}
    return made[kind](design or Design())


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadTerms:
    """What a site says of how one tank may be loaded; what it leaves out is published, or usual."""

    limits: Mapping[Quantity, float] = field(default_factory=dict)  #: in SI
    correlation: str = USUAL_CORRELATION  #: from sludge index to settling, a name in ``CORRELATIONS``
    return_capacity: float | None = None  #: most the pumps can give this tank [m³/s]
    design: Design = field(default_factory=Design)
    actions: tuple[SiteAction, ...] = USUAL_ACTIONS  #: what can be done to a high blanket there
    #: What the permit lets leave at any moment, by what measures it [SI or NTU]; the laboratory's values are held against it.
    effluent: Mapping[SignalKind, float] = field(default_factory=dict)


def limits_for(
    tank: Tank, own: Mapping[Quantity, float] | None = None, design: Design | None = None
) -> tuple[LoadingLimit, ...]:
    """The limits a tank is held against: the site's own go before published ones on the same quantity.

    Parameters
    ----------
    own : the site's own limits in SI.
    design : process and size, by which published ones differ.
    """
    own = own or {}
    published = [limit for limit in published_limits(tank.kind, design) if limit.quantity not in own]
    return (
        *published,
        *(
            LoadingLimit(quantity=q, value=v, source="set by the site", lower=q is Quantity.SIDE_WATER_DEPTH)
            for q, v in own.items()
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitWarning:
    """A limit that is not kept, in SI."""

    quantity: Quantity
    value: float
    limit: float
    source: str


def loading_warnings(
    tank: Tank,
    values: Mapping[Quantity, float],
    own: Mapping[Quantity, float] | None = None,
    design: Design | None = None,
) -> tuple[LimitWarning, ...]:
    """Which limits a tank does not keep.

    Parameters
    ----------
    tank : decides which published limits hold.
    values : what is known of it now, in SI; its side water depth is filled in.
    own : the site's own limits in SI; they replace the published ones, or add to them.
    design : process and size, by which published ones differ.

    >>> from service.domain.plant.tank import TankShape
    >>> t = Tank(key="a", label="A", kind=TankKind.SECONDARY, shape=TankShape.CIRCULAR, diameter=30.0,
    ...          side_water_depth=4.0)
    >>> [w.quantity.value for w in loading_warnings(t, {Quantity.OVERFLOW_RATE: 2.2})]
    ['surface overflow rate']
    >>> loading_warnings(t, {Quantity.OVERFLOW_RATE: 2.2}, {Quantity.OVERFLOW_RATE: 2.5})
    ()
    """
    known = {Quantity.SIDE_WATER_DEPTH: tank.side_water_depth, **values}
    return tuple(
        LimitWarning(quantity=limit.quantity, value=known[limit.quantity], limit=limit.value, source=limit.source)
        for limit in limits_for(tank, own, design)
        if limit.quantity in known
        and (known[limit.quantity] < limit.value - 1e-9 if limit.lower else known[limit.quantity] > limit.value + 1e-9)
    )
