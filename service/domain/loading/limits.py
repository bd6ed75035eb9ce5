"""Published limits on loading, and the warnings drawn from them; a site may set its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from service.domain.loading.settling import USUAL_CORRELATION
from service.domain.plant.action import USUAL_ACTIONS, SiteAction
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


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadingLimit:
    """One limit in SI, where it comes from, and whether it bounds from above or below."""

    quantity: Quantity
    value: float
    source: str
    lower: bool = False


_TEN_STATES = "Ten States Standards (GLUMRB), Recommended Standards for Wastewater Facilities, ch. 70"

_SECONDARY: tuple[LoadingLimit, ...] = (
    LoadingLimit(
        quantity=Quantity.OVERFLOW_RATE,
        value=to_si(1200.0, "gpd/ft2"),
        source=f"{_TEN_STATES}: peak hourly, conventional (from memory; the same figure stands in Wyoming ch. 11 sec. 17)",
    ),
    LoadingLimit(
        quantity=Quantity.SOLIDS_LOADING,
        value=to_si(40.0, "lb/d.ft2"),
        source=f"{_TEN_STATES}: peak, conventional (from memory)",
    ),
    LoadingLimit(
        quantity=Quantity.WEIR_LOADING,
        value=to_si(30_000.0, "gpd/ft"),
        source=f"{_TEN_STATES}: peak hourly, plants above 1 MGD (from memory)",
    ),
    LoadingLimit(
        quantity=Quantity.SIDE_WATER_DEPTH,
        value=to_si(12.0, "ft"),
        source=f"{_TEN_STATES}, sec. 72.1: after activated sludge",
        lower=True,
    ),
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
_PRIMARY: tuple[LoadingLimit, ...] = (
    LoadingLimit(
        quantity=Quantity.WEIR_LOADING,
        value=to_si(30_000.0, "gpd/ft"),
        source="30 TAC ch. 217, primary clarifiers above 1 MGD, peak",
    ),
    LoadingLimit(
        quantity=Quantity.SIDE_WATER_DEPTH,
        value=to_si(10.0, "ft"),
        source=f"{_TEN_STATES}, sec. 72.1: primary",
        lower=True,
    ),
)


def published_limits(kind: TankKind) -> tuple[LoadingLimit, ...]:
    """The limits that hold for a kind of tank where the site sets none.

    >>> [limit.quantity.value for limit in published_limits(TankKind.PRIMARY)]
    ['weir loading', 'side water depth']
    """
    return {TankKind.SECONDARY: _SECONDARY, TankKind.PRIMARY: _PRIMARY, TankKind.THICKENER: ()}[kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadTerms:
    """What a site says of how one tank may be loaded; what it leaves out is published, or usual."""

    limits: Mapping[Quantity, float] = field(default_factory=dict)  #: in SI
    correlation: str = USUAL_CORRELATION  #: from sludge index to settling, a name in ``CORRELATIONS``
    return_capacity: float | None = None  #: most the pumps can give this tank [m³/s]
    actions: tuple[SiteAction, ...] = USUAL_ACTIONS  #: what can be done to a high blanket there


def limits_for(tank: Tank, own: Mapping[Quantity, float] | None = None) -> tuple[LoadingLimit, ...]:
    """The limits a tank is held against: the site's own go before published ones on the same quantity.

    Parameters
    ----------
    own : the site's own limits in SI.
    """
    own = own or {}
    published = [limit for limit in published_limits(tank.kind) if limit.quantity not in own]
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
    tank: Tank, values: Mapping[Quantity, float], own: Mapping[Quantity, float] | None = None
) -> tuple[LimitWarning, ...]:
    """Which limits a tank does not keep.

    Parameters
    ----------
    tank : decides which published limits hold.
    values : what is known of it now, in SI; its side water depth is filled in.
    own : the site's own limits in SI; they replace the published ones, or add to them.

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
        for limit in limits_for(tank, own)
        if limit.quantity in known
        and (known[limit.quantity] < limit.value - 1e-9 if limit.lower else known[limit.quantity] > limit.value + 1e-9)
    )
