"""State point analysis: whether a tank can pass its solids downward as fast as they arrive."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from service.domain.loading.rates import solids_loading_rate, surface_overflow_rate, underflow_rate
from service.domain.loading.settling import Vesilind
from service.errors import DomainError

#: Real tanks often fail at this share of what theory allows (common practice, no source): above it a tank is critical. [–]
PRACTICAL_LIMIT = 0.8
#: Within this share of the limit itself it is still critical, not overloaded. [–]
_CRITICAL_BAND = 0.005
#: A slower underflow draws nothing: a millimetre in a thousand hours. [m/h]
_NOTHING_DRAWN = 1e-6


class StatePointVerdict(StrEnum):
    """What the state point says."""

    SAFE = "safe"
    CRITICAL = "critical"
    OVERLOADED = "overloaded"


class Limit(StrEnum):
    """Which of a tank's two duties is nearer its limit."""

    THICKENING = "thickening"
    CLARIFICATION = "clarification"


@dataclass(frozen=True, slots=True, kw_only=True)
class StatePoint:
    """Where a tank stands. Rates in [m/h], fluxes in [kg/(m²·h)], concentrations in [kg/m³]."""

    overflow_rate: float
    underflow_rate: float
    feed_solids: float
    loading: float  #: solids loading rate
    settling_speed: float  #: of the feed
    limiting_solids: float | None  #: where thickening is slowest; None when nothing limits it
    limiting_flux: float | None  #: the most that gets through there
    thickening_load: float  #: loading over limiting flux; zero when nothing limits [–]
    clarification_load: float  #: overflow rate over settling speed [–]
    verdict: StatePointVerdict
    nearer: Limit

    @property
    def margin(self) -> float:
        """Share of the nearer limit still free, negative when overloaded. [–]"""
        return 1.0 - max(self.thickening_load, self.clarification_load)


def limiting_flux(sludge: Vesilind, underflow: float, feed_solids: float) -> tuple[float, float] | None:
    """Concentration and flux at which thickening is slowest.

    Parameters
    ----------
    sludge : its settling.
    underflow : underflow rate. [m/h]
    feed_solids : [kg/m³]

    Returns
    -------
    Limiting concentration [kg/m³] and flux [kg/(m²·h)]; None where thickening limits nothing: underflow at or above
    v0/e², or a feed already thicker than the limiting concentration.

    Notes
    -----
    ``X_L = (1 − W₋₁(−e·q_u/v0)) / k`` with Lambert's W. One-dimensional and steady; without underflow nothing gets out
    and the limiting flux is zero.

    References
    ----------
    Keinath, T. M. et al. (1977). Activated sludge: unified system design and operation. J. Env. Eng. Div. ASCE 103.
    Baiamonte, C. and Baiamonte, G. (2022). Soil Systems 6, 91 (Lambert-W form).

    >>> x, g = limiting_flux(Vesilind(6.5, 0.4035), 0.25, 3.5)
    >>> round(x, 4), round(g, 4)
    (11.1901, 3.5934)
    """
    if underflow < 0.0:
        raise DomainError(f"underflow rate must not be negative, got {underflow}")
    if underflow < _NOTHING_DRAWN:
        return math.inf, 0.0
    if underflow >= sludge.v0 / math.e**2:
        return None
    from scipy.special import lambertw  # takes longer to load than all of the command line

    solids = float((1.0 - lambertw(-math.e * underflow / sludge.v0, -1).real) / sludge.k)
    if feed_solids >= solids:
        return None
    return solids, sludge.flux(solids) + underflow * solids


def state_point(flow: float, return_flow: float, feed_solids: float, area: float, sludge: Vesilind) -> StatePoint:
    """Where a tank stands between its flows, its feed and its sludge.

    Parameters
    ----------
    flow, return_flow : effluent and underflow of the tank. [m³/s]
    feed_solids : mixed-liquor solids. [kg/m³]
    area : water surface. [m²]
    sludge : today's settling.

    Notes
    -----
    Steady state, one dimension, no compression, no effluent solids (Henze et al. 2008). Real tanks often fail at 80 % or so
    of the computed limit (common practice, no source), so that the verdict is safe only up to there.

    >>> state_point(500 / 3600, 250 / 3600, 3.5, 1000.0, Vesilind(6.5, 0.4035)).verdict.value
    'safe'
    """
    over, under = surface_overflow_rate(flow, area), underflow_rate(return_flow, area)
    loading = solids_loading_rate(flow, return_flow, feed_solids, area)
    limit = limiting_flux(sludge, under, feed_solids)
    speed = sludge.speed(feed_solids)
    thickening = 0.0
    if limit is not None and loading > 0.0:
        thickening = loading / limit[1] if limit[1] > 0.0 else math.inf
    # Sludge that bulks badly may settle slower than a computer can tell from not at all.
    clarification = over / speed if speed > 0.0 else (math.inf if over > 0.0 else 0.0)
    load = max(thickening, clarification)
    if load > 1.0 + _CRITICAL_BAND:
        verdict = StatePointVerdict.OVERLOADED
    elif load > PRACTICAL_LIMIT:
        verdict = StatePointVerdict.CRITICAL
    else:
        verdict = StatePointVerdict.SAFE
    return StatePoint(
        overflow_rate=over,
        underflow_rate=under,
        feed_solids=feed_solids,
        loading=loading,
        settling_speed=speed,
        limiting_solids=None if limit is None else limit[0],
        limiting_flux=None if limit is None else limit[1],
        thickening_load=thickening,
        clarification_load=clarification,
        verdict=verdict,
        nearer=Limit.THICKENING if thickening >= clarification else Limit.CLARIFICATION,
    )


def failing_flow(return_flow: float, feed_solids: float, area: float, sludge: Vesilind) -> float:
    """Effluent flow at which this tank fails today, return flow and feed solids staying.

    Returns
    -------
    Flow; zero when it fails already without any. [m³/s]

    >>> round(failing_flow(250 / 3600, 3.5, 1000.0, Vesilind(6.5, 0.4035)) * 3600, 1)
    776.7
    """
    clarification = sludge.speed(feed_solids) * area
    limit = limiting_flux(sludge, underflow_rate(return_flow, area), feed_solids)
    if limit is None:
        return clarification / 3600.0
    thickening = limit[1] * area / feed_solids - return_flow * 3600.0
    return max(min(clarification, thickening), 0.0) / 3600.0


def failing_solids(flow: float, return_flow: float, area: float, sludge: Vesilind) -> float:
    """Feed solids at which this tank fails today, flows staying.

    Returns
    -------
    Concentration; zero when the overflow alone carries everything away. [kg/m³]

    >>> round(failing_solids(500 / 3600, 250 / 3600, 1000.0, Vesilind(6.5, 0.4035)), 6)
    4.791136
    """
    over, under = surface_overflow_rate(flow, area), underflow_rate(return_flow, area)
    if over >= sludge.v0:
        return 0.0
    clarification = math.log(sludge.v0 / over) / sludge.k if over > 0.0 else math.inf
    limit = limiting_flux(sludge, under, 0.0)
    if limit is None or over + under == 0.0:
        return clarification
    thickening = limit[1] / (over + under)
    # A feed thicker than the limiting concentration meets no limit of thickening.
    return min(clarification, thickening) if thickening < limit[0] else clarification


@dataclass(frozen=True, slots=True, kw_only=True)
class RestoringReturn:
    """The return flow that would bring a tank back. Flows in [m³/s]."""

    flow: float | None  #: least return flow that restores thickening; None when no return flow can
    ceiling: float  #: more than this helps no further, or cannot be pumped
    reachable: bool
    reason: str
    by_pumps: bool = False  #: whether the ceiling is what the pumps can give


def restoring_return(
    flow: float, feed_solids: float, area: float, sludge: Vesilind, capacity: float | None = None
) -> RestoringReturn:
    """Least return flow at which the tank is no longer overloaded, and where raising it stops to help.

    Parameters
    ----------
    flow : effluent of the tank. [m³/s]
    feed_solids : [kg/m³]
    area : [m²]
    sludge : today's settling.
    capacity : most the pumps can give this tank; None when not known. [m³/s]

    Notes
    -----
    Return above ``A·v0/e²`` limits thickening no more; raising it further only adds load. Return cannot cure a tank
    whose overflow outruns the settling of its feed.

    >>> found = restoring_return(1000 / 3600, 3.5, 1000.0, Vesilind(6.5, 0.4035))
    >>> found.reachable, round(found.flow * 3600)
    (True, 362)
    """
    own_ceiling = sludge.v0 / math.e**2 * area / 3600.0
    by_pumps = capacity is not None and capacity < own_ceiling
    ceiling = own_ceiling if capacity is None else min(capacity, own_ceiling)
    if surface_overflow_rate(flow, area) > PRACTICAL_LIMIT * sludge.speed(feed_solids):
        return RestoringReturn(
            flow=None, ceiling=ceiling, reachable=False, by_pumps=by_pumps,
            reason="the overflow outruns the settling of the feed, or nearly so: only less flow or thinner feed helps",
        )  # fmt: skip
    low, high = 0.0, own_ceiling
    for _ in range(60):
        middle = 0.5 * (low + high)
        if state_point(flow, middle, feed_solids, area, sludge).thickening_load > 1.0:
            low = middle
        else:
            high = middle
    if high <= ceiling:
        return RestoringReturn(
            flow=high, ceiling=ceiling, reachable=True, reason="within what the pumps can give", by_pumps=by_pumps
        )
    return RestoringReturn(
        flow=high, ceiling=ceiling, reachable=False, reason="more than the pumps can give this tank", by_pumps=by_pumps
    )
