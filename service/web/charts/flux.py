"""State point diagram of a tank: solids flux curve, overflow and underflow lines.

Drawn as the trade draws it: concentration across, flux upwards. Where the underflow line passes above the settling curve to
the right of the state point, solids arrive faster than they get down.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.loading.sheet import failing_words, restoring_words, settling_words, verdict_words
from service.domain.loading.tank_load import TankLoad
from service.domain.plant.units import Dimension, UnitSystem, from_si, shown_unit
from service.web.charts.axes import Frame

_POINTS = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class FluxPicture:
    """Everything the picture is made of; places as in :mod:`service.web.charts.axes`."""

    frame: Frame
    curve: str
    overflow: str
    underflow: str
    point: tuple[float, float]
    limiting: tuple[float, float] | None  #: where thickening is slowest
    verdict: str  #: safe, critical or overloaded
    sentence: str
    more: tuple[str, ...]
    x_name: str
    y_name: str

    @property
    def words(self) -> str:
        """The picture in words, for those who do not see it."""
        return f"State point picture: {'; '.join((self.sentence, *self.more))}."


def draw_flux(load: TankLoad, units: UnitSystem) -> FluxPicture | None:
    """The picture; None where the state point is not known."""
    state, sludge = load.state, load.sludge
    if state is None or sludge is None:
        return None
    solids_unit, flux_unit = shown_unit(Dimension.CONCENTRATION, units), shown_unit(Dimension.SOLIDS_LOADING, units)
    # The underflow line meets the axis at the solids that would have to be drawn off to pass everything on.
    drawn = state.loading / state.underflow_rate if state.underflow_rate > 0.0 else 0.0
    widest = max(2.2 * state.feed_solids, 5.0 * sludge.peak_solids, 1.05 * (state.limiting_solids or 0.0))
    right = min(max(widest, 1.05 * drawn), 2.0 * widest)
    state_flux = state.overflow_rate * state.feed_solids
    top = 1.12 * max(sludge.peak_flux, state.loading, state_flux)

    def x(solids: float) -> float:
        return from_si(solids, solids_unit)

    def y(flux: float) -> float:
        return from_si(flux, flux_unit)

    frame = Frame(0.0, x(right), 0.0, y(top))
    curve = [(right * n / _POINTS, sludge.flux(right * n / _POINTS)) for n in range(_POINTS + 1)]
    limiting = None
    if state.limiting_solids is not None and state.limiting_solids <= right:
        limiting = (frame.x(x(state.limiting_solids)), frame.y(y(sludge.flux(state.limiting_solids))))
    return FluxPicture(
        frame=frame,
        curve=frame.points((x(solids), y(flux)) for solids, flux in curve),
        overflow=frame.line(0.0, 0.0, x(right), y(state.overflow_rate * right)),
        underflow=frame.line(0.0, y(state.loading), x(right), y(state.loading - state.underflow_rate * right)),
        point=(frame.x(x(state.feed_solids)), frame.y(y(state_flux))),
        limiting=limiting,
        verdict=state.verdict.value,
        sentence=verdict_words(state),
        more=tuple(
            words for words in (failing_words(load, units), restoring_words(load, units), settling_words(load)) if words
        ),
        x_name=f"solids ({solids_unit})",
        y_name=f"flux ({flux_unit})",
    )
