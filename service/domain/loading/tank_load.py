"""Computes every loading figure of a tank that its measurements allow, with limits and the state point."""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.domain.loading.balance import Conditions
from service.domain.loading.inventory import blanket_solids, return_flow_from_balance, sludge_detention
from service.domain.loading.limits import LimitWarning, LoadTerms, Quantity, loading_warnings
from service.domain.loading.rates import (
    circular_weir_length,
    detention_time,
    solids_loading_rate,
    surface_overflow_rate,
    underflow_rate,
    weir_loading,
)
from service.domain.loading.settleability import return_ratio_from_settled_volume, sludge_volume_index
from service.domain.loading.settling import CORRELATIONS, Settling, Vesilind, settling_at
from service.domain.loading.state_point import (
    RestoringReturn,
    StatePoint,
    failing_flow,
    failing_solids,
    restoring_return,
    state_point,
)
from service.domain.plant.tank import Tank, TankKind, TankShape
from service.domain.plant.weir import head_over_weir


@dataclass(frozen=True, slots=True, kw_only=True)
class TankLoad:
    """Loading of one tank; None where what it needs is not measured. Units as in the functions named in the modules."""

    overflow_rate: float | None = None  #: [m/h]
    underflow_rate: float | None = None  #: [m/h]
    solids_loading: float | None = None  #: [kg/(m²·h)]
    weir_loading: float | None = None  #: [m³/(m·d)]
    detention: float | None = None  #: of the water, return included [h]
    nominal_detention: float | None = None  #: of the water, by the flow alone as in design [h]
    return_ratio: float | None = None  #: [–]
    asked_return_ratio: float | None = None  #: by the settling test [–]
    balanced_return_ratio: float | None = None  #: that keeps the solids of the tank steady, waste left out [–]
    weir_head: float | None = None  #: water above the bottom of the notches [m]
    sludge_index: float | None = None  #: [mL/g]
    held: float | None = None  #: solids in the blanket [kg]
    sludge_detention: float | None = None  #: [h]
    blanket_share: float | None = None  #: of the depth where cores are taken [–]
    settling: Settling | None = None  #: how it settles, by its index
    state: StatePoint | None = None
    failing_flow: float | None = None  #: effluent flow at which it fails today [m³/s]
    failing_solids: float | None = None  #: feed solids at which it fails today [kg/m³]
    restoring: RestoringReturn | None = None  #: only when overloaded
    warnings: tuple[LimitWarning, ...] = ()
    stirred_index: float | None = None  #: of the day's stirred test [mL/g]
    lacks_stirred: bool = False  #: no state point, as the site's correlation goes by the stirred index

    @property
    def sludge(self) -> Vesilind | None:
        """Settling of today's sludge."""
        return None if self.settling is None else self.settling.sludge

    def limited(self) -> dict[Quantity, float]:
        """What is known of the quantities that limits are on, in SI."""
        values = {
            Quantity.OVERFLOW_RATE: self.overflow_rate,
            Quantity.SOLIDS_LOADING: self.solids_loading,
            Quantity.WEIR_LOADING: self.weir_loading,
            Quantity.BLANKET_SHARE: self.blanket_share,
            Quantity.SLUDGE_INDEX: self.sludge_index,
        }
        return {quantity: value for quantity, value in values.items() if value is not None}


def tank_load(
    tank: Tank,
    conditions: Conditions,
    height: float | None = None,
    settled_volume: float | None = None,
    tested_solids: float | None = None,
    terms: LoadTerms | None = None,
    *,
    stirred_index: float | None = None,
) -> TankLoad:
    """Everything that can be said about a tank's loading from what is known of it.

    Parameters
    ----------
    conditions : its streams.
    height : believed blanket height. [m]
    settled_volume : of the last 30-minute settling test. [mL/L]
    tested_solids : mixed-liquor solids when that test was made; those of now where not known. A storm thins the mixed
        liquor, and an index of yesterday's volume over tonight's solids would call any sludge bulking. [kg/m³]
    terms : what the site says of its loading.
    stirred_index : of the day's stirred test; what a correlation fitted to it goes by, and no other does. [mL/g]
    """
    terms = terms or LoadTerms()
    flow, back = conditions.flow, conditions.return_flow
    feed, thick = conditions.feed_solids, conditions.return_solids
    over = None if flow is None else surface_overflow_rate(flow, tank.area)
    weir = _weir_length(tank)
    loading = None
    if flow is not None and feed is not None and (back is not None or tank.kind is not TankKind.SECONDARY):
        loading = solids_loading_rate(flow, back or 0.0, feed, tank.area)
    tested = tested_solids or feed
    # No test gives a volume outside this; what was mistyped must not stop a command or a page.
    possible = settled_volume is not None and 0.0 < settled_volume <= 1000.0
    index = sludge_volume_index(settled_volume, tested) if possible and settled_volume and tested else None
    held = None
    if height is not None and thick is not None and feed is not None:
        # A blanket grades from feed to underflow: the mean of the two stands for it (common practice, no source).
        held = blanket_solids(tank, height, 0.5 * (feed + thick) if tank.kind is TankKind.SECONDARY else 0.7 * thick)
    share = None if height is None else tank.share_at_core(height)
    per_weir = None if flow is None or weir is None else weir_loading(flow, weir)
    load = TankLoad(
        overflow_rate=over,
        underflow_rate=None if back is None else underflow_rate(back, tank.area),
        solids_loading=loading,
        weir_loading=per_weir,
        detention=None if not flow else detention_time(tank.area * tank.side_water_depth, flow, back or 0.0),
        nominal_detention=None if not flow else detention_time(tank.area * tank.side_water_depth, flow),
        return_ratio=None if not flow or back is None else back / flow,
        asked_return_ratio=return_ratio_from_settled_volume(settled_volume)
        if possible and settled_volume and settled_volume < 1000.0
        else None,
        balanced_return_ratio=_balanced(tank, flow, feed, thick),
        weir_head=None if flow is None or tank.notched_weir is None else head_over_weir(flow, tank.notched_weir),
        sludge_index=index,
        held=held,
        sludge_detention=None if held is None or back is None or thick is None else sludge_detention(held, back, thick),
        blanket_share=share,
    )
    load = replace(load, warnings=loading_warnings(tank, load.limited(), terms.limits, terms.design))
    by_stirred = CORRELATIONS[terms.correlation].stirred
    goes_by = stirred_index if by_stirred else index
    secondary = tank.kind is TankKind.SECONDARY
    load = replace(load, stirred_index=stirred_index, lacks_stirred=by_stirred and stirred_index is None and secondary)
    if not secondary or goes_by is None or flow is None or back is None or not feed:
        return load
    return _with_state(load, tank, flow, back, feed, goes_by, terms)


def _with_state(
    load: TankLoad, tank: Tank, flow: float, back: float, feed: float, index: float, terms: LoadTerms
) -> TankLoad:
    settling = settling_at(terms.correlation, index)
    sludge = settling.sludge
    state = state_point(flow, back, feed, tank.area, sludge)
    restoring = restoring_return(flow, feed, tank.area, sludge, terms.return_capacity) if state.margin < 0.0 else None
    return replace(
        load,
        settling=settling,
        state=state,
        failing_flow=failing_flow(back, feed, tank.area, sludge),
        failing_solids=failing_solids(flow, back, tank.area, sludge),
        restoring=restoring,
    )


def _balanced(tank: Tank, flow: float | None, feed: float | None, thick: float | None) -> float | None:
    if tank.kind is not TankKind.SECONDARY or not flow or not feed or thick is None or thick <= feed:
        return None
    return return_flow_from_balance(flow, feed, thick) / flow


def _weir_length(tank: Tank) -> float | None:
    if tank.weir_length is not None:
        return tank.weir_length
    if tank.shape is TankShape.CIRCULAR and tank.diameter is not None:
        return circular_weir_length(tank.diameter)
    return None
