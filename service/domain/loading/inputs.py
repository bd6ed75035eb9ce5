"""The inputs of a tank's loading figures: each with its value, its age, and why it is missing."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from service.domain.blanket.estimate import TankSetup
from service.domain.forecast.tracker import Heading
from service.domain.plant.signal import Signal, SignalKind
from service.domain.plant.tank import TankKind


class InputStatus(StrEnum):
    """Whether an input can be used."""

    USED = "used"
    TOO_OLD = "too old"
    NOTHING_HEARD = "nothing heard yet"
    NO_SIGNAL = "no signal of that kind in the site file"


#: What tags of the laboratory's values begin with.
LABORATORY = "laboratory:"


class Origin(StrEnum):
    """Whom an input speaks of."""

    TANK = "this tank"
    PLANT = "the plant"
    SHARE = "this tank's part of the plant, by surface"
    LABORATORY = "the laboratory"


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadInput:
    """One input as it stands."""

    kind: SignalKind
    standing: InputStatus
    origin: Origin = Origin.TANK
    value: float | None = None  #: as used for this tank, in SI; None where there is none
    at: datetime | None = None  #: when it was measured
    usable_for: timedelta = timedelta()  #: longest age at which it still counts
    needed_for: str = ""  #: what cannot be said without it

    @property
    def missing(self) -> bool:
        """Whether something cannot be said for want of it."""
        return self.standing is not InputStatus.USED


#: What each kind of tank needs, and what for; the first needed is the first named.
_NEEDED: dict[TankKind, dict[SignalKind, str]] = {
    TankKind.SECONDARY: {
        SignalKind.FLOW: "overflow rate, solids loading, weir loading, detention, state point",
        SignalKind.RETURN_FLOW: "solids loading, underflow rate, state point",
        SignalKind.FEED_SOLIDS: "solids loading, sludge index, state point",
        SignalKind.RETURN_SOLIDS: "solids held in the blanket, sludge detention",
        SignalKind.SETTLED_VOLUME: "sludge index, state point",
    },
    TankKind.PRIMARY: {
        SignalKind.FLOW: "overflow rate, weir loading, detention",
        SignalKind.WASTE_FLOW: "sludge drawn, sludge detention",
        SignalKind.FEED_SOLIDS: "solids loading",
        SignalKind.RETURN_SOLIDS: "solids held in the blanket, sludge detention",
    },
    TankKind.THICKENER: {
        SignalKind.FLOW: "overflow rate, detention",
        SignalKind.WASTE_FLOW: "sludge drawn, sludge detention",
        SignalKind.FEED_SOLIDS: "solids loading",
        SignalKind.RETURN_SOLIDS: "solids held in the blanket, sludge detention",
    },
}
#: Flows of the whole plant are shared out; solids and settling are the same for all its tanks.
_FLOWS = (SignalKind.FLOW, SignalKind.RETURN_FLOW, SignalKind.WASTE_FLOW)


def load_inputs(setup: TankSetup, heading: Heading, at: datetime) -> tuple[LoadInput, ...]:
    """Every input of a tank's loading, as it stands at a time, in the order of the trade.

    Notes
    -----
    The tank's own signals go before the plant's. Where several signals of a kind speak of one thing, flows add up and
    solids are averaged, as the forecast takes them.
    """
    return tuple(_input(setup, heading, kind, why, at) for kind, why in _NEEDED[setup.tank.kind].items())


def _input(setup: TankSetup, heading: Heading, kind: SignalKind, why: str, at: datetime) -> LoadInput:
    # What a primary tank gives up is metered as its waste flow, or as a return flow.
    kinds = (SignalKind.RETURN_FLOW, kind) if kind is SignalKind.WASTE_FLOW else (kind,)
    signals = [s for s in setup.others if s.kind in kinds]
    own = [s for s in signals if s.tank == setup.tank.key]
    plant = [s for s in signals if s.tank is None]
    if kind is SignalKind.WASTE_FLOW:
        # The waste of the whole plant says nothing of one tank.
        plant = [s for s in plant if s.kind is SignalKind.RETURN_FLOW]
    shared = Origin.SHARE if kind in _FLOWS and setup.share_of_plant < 1.0 else Origin.PLANT
    tried = [
        _heard(found, origin, heading, kind, why, at)
        for found, origin in ((own, Origin.TANK), (plant, shared))
        if found
    ]
    if not tried:
        return LoadInput(kind=kind, standing=InputStatus.NO_SIGNAL, needed_for=why)
    found = next((i for i in tried if i.standing is InputStatus.USED), None)
    found = found or next((i for i in tried if i.standing is InputStatus.TOO_OLD), tried[0])
    if found.origin is Origin.SHARE and found.value is not None:
        return LoadInput(
            kind=kind,
            standing=found.standing,
            origin=found.origin,
            value=found.value * setup.share_of_plant,
            at=found.at,
            usable_for=found.usable_for,
            needed_for=why,
        )
    return found


def _heard(
    signals: list[Signal], origin: Origin, heading: Heading, kind: SignalKind, why: str, at: datetime
) -> LoadInput:
    heard = [(s, *heading.latest[s.tag]) for s in signals if s.tag in heading.latest]
    usable_for = max(s.stale_after for s in signals)
    if not heard:
        return LoadInput(
            kind=kind, standing=InputStatus.NOTHING_HEARD, origin=origin, usable_for=usable_for, needed_for=why
        )
    fresh = [(s, t, v) for s, t, v in heard if timedelta(seconds=at.timestamp() - t) <= s.stale_after]
    used = fresh or heard
    values = [v for _, _, v in used]
    by_hand = all(s.tag.startswith(LABORATORY) for s, _, _ in used)
    return LoadInput(
        kind=kind,
        standing=InputStatus.USED if fresh else InputStatus.TOO_OLD,
        origin=Origin.LABORATORY if by_hand else origin,
        value=sum(values) if kind in _FLOWS else sum(values) / len(values),
        at=datetime.fromtimestamp(max(t for _, t, _ in used), UTC),
        usable_for=usable_for,
        needed_for=why,
    )
