"""What is known of a tank when somebody asks what is wrong: values with their units, None where nothing is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.domain.cores.core import Surface
from service.domain.loading.balance import Conditions
from service.domain.loading.state_point import PRACTICAL_LIMIT
from service.domain.loading.tank_load import TankLoad
from service.domain.plant.action import USUAL_ACTIONS, SiteAction
from service.domain.plant.signal import SignalKind
from service.domain.plant.tank import TankKind

#: A sister tank whose blanket is lower by this has room for flow (common practice, no source). [m]
_ROOM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Sister:
    """A tank of the same kind in service, fed from the same channel."""

    label: str
    overflow_rate: float | None = None  #: [m/h]
    underflow_rate: float | None = None  #: [m/h]
    return_flow: float | None = None  #: [m³/s]
    height: float | None = None  #: [m]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What is known of a tank at one moment. Heights above the floor datum [m], SI throughout."""

    kind: TankKind
    depth: float  #: side water depth [m]
    streams: Conditions = field(default_factory=Conditions)
    load: TankLoad = field(default_factory=TankLoad)
    sisters: tuple[Sister, ...] = ()
    actions: tuple[SiteAction, ...] = USUAL_ACTIONS
    return_capacity: float | None = None  #: most the pumps can give this tank [m³/s]
    old: tuple[SignalKind, ...] = ()  #: inputs whose last value is too old to be used

    # What was, to compare with.
    usual_flow: float | None = None  #: at this hour, as learned; else a day or a few hours ago [m³/s]
    usual_drawn: float | None = None  #: return flow or sludge drawn, likewise [m³/s]
    usual_index: float | None = None  #: middle of the last month's tests [mL/g]
    usual_feed: float | None = None  #: middle of the last month's mixed liquor beside those tests [kg/m³]
    test_age: float | None = None  #: of the settling test [h]
    ages: Mapping[SignalKind, float] = field(default_factory=dict)  #: of what the loading goes by [h]

    # The blanket.
    height: float | None = None
    rate: float | None = None  #: rise positive [m/h]
    blind: bool = False  #: no sensor can be believed at all
    rivals: float | None = None  #: chance of all stories but the likeliest of what the sensors see [–]
    core_off: float | None = None  #: believed minus last core, the rise since counted [m]
    core_age: float | None = None  #: [h]
    fluff: float | None = None  #: dispersed top over compact top, where a core or a sensor saw both [m]
    surface: tuple[Surface, ...] = ()  #: what the last round saw

    # Effluent, water and machine.
    effluent_solids: float | None = None  #: [kg/m³]
    effluent_limit: float | None = None  #: the site's [kg/m³]
    turbidity: float | None = None  #: [NTU]
    turbidity_limit: float | None = None  #: [NTU]
    temperature: float | None = None  #: [°C]
    cooled: float | None = None  #: fall of the temperature over the last hours [°C]
    nitrate: float | None = None  #: as nitrogen [kg/m³]
    torque: float | None = None  #: of the drive's rating [–]
    arm_still: bool | None = None  #: by the arm's angle
    chemical: float | None = None  #: polymer or ferric fed over what was fed before [–]

    @property
    def thickening(self) -> float | None:
        """Solids loading over what thickening passes, by theory. [–]"""
        return None if self.load.state is None else self.load.state.thickening_load

    @property
    def clarification(self) -> float | None:
        """Overflow rate over the settling speed of the feed, by theory. [–]"""
        return None if self.load.state is None else self.load.state.clarification_load

    @property
    def clarification_limits(self) -> bool:
        """Whether the overflow outruns, or nearly outruns, the settling of the feed: then more return only adds load."""
        return self.clarification is not None and self.clarification >= PRACTICAL_LIMIT

    @property
    def flow_ratio(self) -> float | None:
        """Flow now over what is usual. [–]"""
        if self.streams.flow is None or not self.usual_flow:
            return None
        return self.streams.flow / self.usual_flow

    @property
    def drawn_ratio(self) -> float | None:
        """Return flow, or sludge drawn, over what is usual. [–]"""
        if self.streams.return_flow is None or not self.usual_drawn:
            return None
        ratio = self.streams.return_flow / self.usual_drawn
        # Return that is paced by the flow falls with it.
        return ratio / min(self.flow_ratio or 1.0, 1.0) if self.flow_ratio else ratio

    @property
    def drawn_beside_sisters(self) -> float | None:
        """Return flow per surface over that of the sister tanks. [–]"""
        return _beside(self.load.underflow_rate, [s.underflow_rate for s in self.sisters])

    @property
    def flow_beside_sisters(self) -> float | None:
        """Flow per surface over an even share of this tank and its sisters together. [–]"""
        rates = [s.overflow_rate for s in self.sisters]
        own = self.load.overflow_rate
        if own is None or not rates or any(rate is None for rate in rates):
            return None
        known = [own, *(rate for rate in rates if rate is not None)]
        mean = sum(known) / len(known)
        return own / mean if mean > 0.0 else None

    @property
    def sisters_have_room(self) -> bool:
        """Whether flow taken off this tank would find room in its sisters: else it only moves the loss to them."""
        share, above = self.flow_beside_sisters, self.above_sisters
        return above >= _ROOM if above is not None else share is not None and share >= 1.15

    @property
    def above_sisters(self) -> float | None:
        """Blanket over the mean of the sister tanks' blankets. [m]"""
        heights = [s.height for s in self.sisters if s.height is not None]
        if self.height is None or not heights:
            return None
        return self.height - sum(heights) / len(heights)

    @property
    def blanket_share(self) -> float | None:
        """Blanket height over the side water depth. [–]"""
        return None if self.height is None else max(self.height, 0.0) / self.depth

    @property
    def effluent_over(self) -> float | None:
        """Effluent solids or turbidity over what the site, or else common practice, allows; the worse of them. [–]

        30 mg/L and 15 NTU after a secondary tank where the site sets no limit (common practice, no source); what leaves other
        tanks is judged by the site's limits alone.
        """
        shares, usual = [], self.kind is TankKind.SECONDARY
        if self.effluent_solids is not None and (limit := self.effluent_limit or (0.030 if usual else None)):
            shares.append(self.effluent_solids / limit)
        if self.turbidity is not None and (limit := self.turbidity_limit or (15.0 if usual else None)):
            shares.append(self.turbidity / limit)
        return max(shares, default=None)


def _beside(own: float | None, others: list[float | None]) -> float | None:
    known = [other for other in others if other is not None]
    if own is None or not known:
        return None
    mean = sum(known) / len(known)
    return own / mean if mean > 0.0 else None
