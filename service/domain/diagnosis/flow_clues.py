"""Clues from flows, solids and settling: what is drawn, what arrives, and what the tank can bear.

The ratios are engineering judgement (common practice, no source) unless a clue names a source.
"""

from __future__ import annotations

from service.domain.diagnosis.clue import Clue, Curve, curve, strongest
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.tank import TankKind
from service.domain.plant.units import Dimension

#: Drawn over what should be drawn: beside the sisters, or beside what was drawn before.
_LOST: Curve = ((0.05, 300.0), (0.3, 80.0), (0.5, 20.0), (0.7, 4.0), (0.85, 0.8), (0.95, 0.12), (1.0, 0.05))
#: Underflow rate of a secondary tank [m/h]: 0.2 to 0.8 is usual, a tenth is next to nothing.
_LITTLE: Curve = ((0.0, 150.0), (0.03, 60.0), (0.08, 12.0), (0.15, 2.0), (0.25, 0.4), (0.4, 0.15))


def flow_clues(e: Evidence) -> list[Clue]:
    """Everything that flows, solids and settling say."""
    lost = FailureMode.RETURN_LOST if e.kind is TankKind.SECONDARY else FailureMode.SLUDGE_PUMP
    found = [
        strongest(_drawn(e, lost), lost),
        _thin(e),
        strongest(_split(e), FailureMode.UNEVEN),
        _surge(e),
        _height(e),
        _rising(e),
    ]
    if e.kind is TankKind.SECONDARY:
        found += [_thickening(e), _clarification(e), _index(e), strongest(_solids(e), FailureMode.INVENTORY)]
    elif e.kind is TankKind.THICKENER:
        found.append(_thickener_load(e))
    found.append(_stay(e))
    return [clue for clue in found if clue is not None]


def _drawn(e: Evidence, lost: FailureMode) -> list[Clue]:
    """Whether sludge is drawn: beside the sister tanks, beside its own past, and in itself."""
    flow, secondary = e.streams.return_flow, e.kind is TankKind.SECONDARY
    if flow is None:
        return []
    name = "Return flow" if secondary else "Sludge drawn"
    clues = []

    def clue(said: str, *values: tuple[float, Dimension], ratio: float) -> None:
        clues.append(Clue(name.lower(), said, values, {lost: ratio, **_consequences(lost, ratio)}))

    if (beside := e.drawn_beside_sisters) is not None and secondary:
        others = [s.return_flow for s in e.sisters if s.return_flow is not None]
        mean = sum(others) / len(others) if others else 0.0
        clue(
            f"{name} {{0}} where its sister tanks have {{1}} ({{2}} by surface)",
            (flow, Dimension.FLOW), (mean, Dimension.FLOW), (beside, Dimension.RATIO), ratio=curve(_LOST, beside),
        )  # fmt: skip
    if (ratio := e.drawn_ratio) is not None and e.usual_drawn is not None:
        clue(
            f"{name} {{0}} where it was {{1}} before",
            (flow, Dimension.FLOW), (e.usual_drawn, Dimension.FLOW), ratio=curve(_LOST, ratio),
        )  # fmt: skip
    if secondary and e.load.underflow_rate is not None:
        clue(
            f"{name} {{0}} in itself, {{1}} of the surface",
            (flow, Dimension.FLOW), (e.load.underflow_rate, Dimension.OVERFLOW_RATE),
            ratio=curve(_LITTLE, e.load.underflow_rate),
        )  # fmt: skip
    elif flow <= 1e-7 and e.drawn_ratio is None:
        clue(f"{name}: nothing", ratio=20.0)
    return clues


def _consequences(lost: FailureMode, ratio: float) -> dict[FailureMode, float]:
    """A blanket kept too long for want of draw may gas as well; that does not make gas the cause."""
    return {FailureMode.GAS: 0.6, FailureMode.SEPTIC: 0.6} if ratio > 10.0 and lost is not FailureMode.NONE else {}


def _thin(e: Evidence) -> Clue | None:
    """Thin sludge under a thick blanket: water breaks through."""
    feed, drawn = e.streams.feed_solids, e.streams.return_solids
    if feed is None or drawn is None or feed <= 0.0 or e.blanket_share is None or e.blanket_share < 0.25:
        return None
    if not e.streams.return_flow:
        return None
    if e.kind is TankKind.SECONDARY:
        thick = drawn / feed
        ratios = {
            FailureMode.RAT_HOLE: curve(((1.2, 100.0), (1.6, 20.0), (2.0, 1.0), (3.0, 0.1)), thick),
            FailureMode.MECHANICAL: curve(((1.2, 8.0), (1.6, 4.0), (2.0, 1.0), (3.0, 0.6)), thick),
        }
        said = "Return solids {0} under a blanket of {1}, mixed liquor {2}"
    else:
        least = 20.0 if e.kind is TankKind.THICKENER else 15.0  # 2 and 1.5 % solids
        ratios = {
            FailureMode.RAT_HOLE: curve(((0.2, 60.0), (0.5, 15.0), (0.9, 1.0), (1.5, 0.1)), drawn / least),
            FailureMode.MECHANICAL: curve(((0.2, 6.0), (0.5, 3.0), (0.9, 1.0), (1.5, 0.7)), drawn / least),
        }
        said = "Sludge drawn at {0} under a blanket of {1}, feed {2}"
    values = (drawn, Dimension.CONCENTRATION), (e.height or 0.0, Dimension.LENGTH), (feed, Dimension.CONCENTRATION)
    return Clue("thickness of the sludge drawn", said, values, ratios)


def _split(e: Evidence) -> list[Clue]:
    """Whether this tank gets more than its share, by flow and by its blanket."""
    clues, rate = [], e.load.overflow_rate
    if (share := e.flow_beside_sisters) is not None and rate is not None:
        ratio = curve(((0.9, 0.03), (1.05, 0.06), (1.12, 0.5), (1.2, 4.0), (1.3, 25.0), (1.5, 80.0)), share)
        clues.append(
            Clue(
                "flow split",
                "Overflow rate {0}: {1} of an even share",
                ((rate, Dimension.OVERFLOW_RATE), (share, Dimension.RATIO)),
                {FailureMode.UNEVEN: ratio},
            )
        )
    elif (above := e.above_sisters) is not None:
        ratio = curve(((-0.3, 0.1), (0.1, 0.3), (0.4, 1.5), (1.0, 4.0)), above)
        clues.append(
            Clue("flow split", "Blanket {0} over the sister tanks', no flow of its own known",
                 ((above, Dimension.LENGTH),), {FailureMode.UNEVEN: ratio})
        )  # fmt: skip
    return clues


def _surge(e: Evidence) -> Clue | None:
    """How the flow stands against its usual, or else in itself."""
    flow, rate = e.streams.flow, e.load.overflow_rate
    if flow is None or rate is None:
        return None
    if (ratio := e.flow_ratio) is not None and e.usual_flow is not None:
        said = "Flow {0}, usually {1} at this hour"
        values = ((flow, Dimension.FLOW), (e.usual_flow, Dimension.FLOW))
    else:
        # 1200 gpd/ft² at peak (Ten States Standards, from memory); twice the usual flow comes near it.
        ratio, said = 2.0 * rate / 2.04, "Flow {0}, {1} of the surface"
        values = ((flow, Dimension.FLOW), (rate, Dimension.OVERFLOW_RATE))
    wet = curve(((0.9, 0.25), (1.15, 0.6), (1.35, 2.0), (1.7, 5.0), (2.5, 12.0)), ratio)
    dry = curve(((1.1, 1.5), (1.4, 0.8), (1.8, 0.35), (2.5, 0.25)), ratio)
    ratios = {
        FailureMode.THICKENING: wet,
        FailureMode.CLARIFICATION: wet,
        FailureMode.SURGE: 1.5 * wet,
        FailureMode.DENSITY_CURRENT: wet,
        FailureMode.INVENTORY: dry,
        FailureMode.BULKING: curve(((1.1, 1.2), (1.8, 0.7)), ratio),
        FailureMode.GAS: dry,
        FailureMode.SEPTIC: dry,
        FailureMode.POOR_FLOC: curve(((1.2, 1.0), (1.8, 0.5)), ratio),
        FailureMode.ALGAE: dry,
        FailureMode.SCUM: dry,
    }
    return Clue("flow", said, values, ratios)


def _height(e: Evidence) -> Clue | None:
    """How high the blanket stands: some causes need a high one, others have nothing to do with it."""
    share = e.blanket_share
    if share is None or e.height is None or e.kind is TankKind.THICKENER:  # which keeps a deep one on purpose
        return None
    needs = curve(((0.05, 0.3), (0.2, 0.8), (0.4, 1.5)), share)
    beside = curve(((0.15, 1.5), (0.3, 0.7), (0.45, 0.2)), share)
    raises = (
        FailureMode.RETURN_LOST, FailureMode.THICKENING, FailureMode.BULKING, FailureMode.UNEVEN, FailureMode.INVENTORY, FailureMode.RAT_HOLE, FailureMode.SLUDGE_PUMP,
    )  # fmt: skip
    others = (
        FailureMode.POOR_FLOC,
        FailureMode.CHEMICAL_LOST,
        FailureMode.SCUM,
        FailureMode.ALGAE,
        FailureMode.DENSITY_CURRENT,
    )
    said, values = "Blanket at {0} of the side water depth", ((share, Dimension.RATIO),)
    return Clue("blanket", said, values, {**dict.fromkeys(raises, needs), **dict.fromkeys(others, beside)})


def _rising(e: Evidence) -> Clue | None:
    """How fast the blanket rises, and whether it does."""
    if e.rate is None or e.height is None:
        return None
    fast = curve(((-0.1, 0.5), (0.05, 0.8), (0.2, 1.3), (0.5, 2.0)), e.rate)
    slow = curve(((-0.1, 1.2), (0.05, 1.2), (0.2, 0.5), (0.5, 0.15)), e.rate)
    ratios = {
        FailureMode.RETURN_LOST: fast,
        FailureMode.SLUDGE_PUMP: fast,
        FailureMode.THICKENING: fast,
        FailureMode.CLARIFICATION: fast,
        FailureMode.UNEVEN: fast,
        FailureMode.SOLIDS_OVERLOAD: fast,
        FailureMode.INVENTORY: slow,
        FailureMode.BULKING: curve(((0.05, 1.0), (0.5, 0.6)), e.rate),
        FailureMode.SCUM: slow,
        FailureMode.ALGAE: slow,
        FailureMode.POOR_FLOC: slow,
    }
    moves = "rising {1} an hour" if e.rate >= 0.0 else "falling {1} an hour"
    values = ((e.height, Dimension.LENGTH), (abs(e.rate), Dimension.LENGTH))
    return Clue("rate of rise", f"Blanket {{0}} above the floor at the wall, {moves}", values, ratios)


def _thickening(e: Evidence) -> Clue | None:
    load = e.thickening
    if load is None or e.load.solids_loading is None:
        return None
    load = min(load, 10.0)
    ratios = {
        FailureMode.THICKENING: curve(((0.4, 0.1), (0.6, 0.5), (0.8, 1.5), (0.9, 3.0), (1.0, 6.0), (1.2, 12.0)), load),
        # Their way to a high blanket leads through the same limit.
        **dict.fromkeys(
            (FailureMode.RETURN_LOST, FailureMode.UNEVEN, FailureMode.BULKING, FailureMode.INVENTORY),
            curve(((0.4, 0.4), (0.7, 0.8), (1.0, 3.0), (1.2, 5.0)), load),
        ),
        FailureMode.POOR_FLOC: curve(((0.7, 1.2), (1.1, 0.5)), load),
    }
    said = "Solids loading {0}, {1} of what thickening passes by theory"
    values = ((e.load.solids_loading, Dimension.SOLIDS_LOADING), (load, Dimension.RATIO))
    return Clue(
        "state point, thickening", said, values, ratios, "state point analysis: Keinath et al. 1977; ratios " + _J
    )


def _clarification(e: Evidence) -> Clue | None:
    load, rate = e.clarification, e.load.overflow_rate
    if load is None or rate is None or e.load.state is None:
        return None
    load = min(load, 10.0)
    ratios = {
        FailureMode.CLARIFICATION: curve(((0.4, 0.05), (0.6, 0.3), (0.8, 3.0), (1.0, 15.0), (1.3, 50.0)), load),
        FailureMode.THICKENING: curve(((0.8, 1.0), (1.0, 0.5)), load),
        **dict.fromkeys(
            (FailureMode.UNEVEN, FailureMode.BULKING, FailureMode.INVENTORY),
            curve(((0.7, 1.0), (1.0, 3.0), (1.3, 6.0)), load),
        ),
    }
    speed = e.load.state.settling_speed
    said = "Overflow rate {0} against a settling speed of {1}: {2} of what clarification passes by theory"
    values = (rate, Dimension.OVERFLOW_RATE), (speed, Dimension.OVERFLOW_RATE), (load, Dimension.RATIO)
    source = "state point analysis: Keinath et al. 1977; ratios " + _J
    return Clue("state point, clarification", said, values, ratios, source)


_J = "engineering judgement"


def _index(e: Evidence) -> Clue | None:
    """The sludge index in itself and beside its usual; an old test says less."""
    index = e.load.sludge_index
    if index is None:
        return None
    absolute = curve(
        ((80.0, 0.03), (130.0, 0.08), (160.0, 0.3), (190.0, 0.9), (220.0, 3.0), (250.0, 14.0), (350.0, 60.0)), index
    )
    beside = 1.0
    if e.usual_index and index > 130.0:
        beside = curve(((1.15, 1.0), (1.4, 2.5), (1.7, 6.0)), index / e.usual_index)
    # Sludge of yesterday morning may settle otherwise tonight: half the weight.
    weight = 0.5 if e.test_age is not None and e.test_age > 30.0 else 1.0
    bulking = max(absolute, min(absolute * beside, 60.0)) ** weight
    ratios = {
        FailureMode.BULKING: bulking,
        FailureMode.POOR_FLOC: curve(((60.0, 3.0), (90.0, 1.5), (130.0, 1.0), (200.0, 0.8), (300.0, 0.5)), index),
        FailureMode.THICKENING: curve(((200.0, 1.0), (260.0, 0.6)), index),
        FailureMode.CLARIFICATION: curve(((200.0, 1.0), (260.0, 0.6)), index),
    }
    said, values = "Sludge index {0}", [(index, Dimension.SLUDGE_INDEX)]
    if e.usual_index:
        said += ", usually {1}"
        values.append((e.usual_index, Dimension.SLUDGE_INDEX))
    if e.test_age is not None and e.test_age > 12.0:
        said += f" (test {e.test_age:.0f} h ago)"
    source = "bands: Spellman, Handbook of Water and Wastewater Treatment Plant Operations; ratios " + _J
    return Clue("sludge index", said, tuple(values), ratios, source)


def _solids(e: Evidence) -> list[Clue]:
    """Mixed liquor in itself, and beside its usual: a storm thins it, so a high value in one says still more."""
    feed = e.streams.feed_solids
    if feed is None:
        return []
    clues = [
        Clue(
            "mixed liquor",
            "Mixed liquor {0}",
            ((feed, Dimension.CONCENTRATION),),
            {FailureMode.INVENTORY: curve(((2.0, 0.1), (3.0, 0.4), (4.0, 1.5), (5.0, 5.0), (6.5, 15.0)), feed)},
        )
    ]
    if e.usual_feed:
        ratio = curve(((0.9, 0.1), (1.0, 0.3), (1.15, 2.0), (1.3, 8.0), (1.6, 25.0)), feed / e.usual_feed)
        values = ((feed, Dimension.CONCENTRATION), (e.usual_feed, Dimension.CONCENTRATION))
        beside = Clue("mixed liquor", "Mixed liquor {0}, usually {1}", values, {FailureMode.INVENTORY: ratio})
        # Its own usual says more than what is usual elsewhere.
        clues = [beside]
    return clues


def _thickener_load(e: Evidence) -> Clue | None:
    """Solids on a gravity thickener; usual design loads reach from 20 to 80 kg/(m²·d) by the kind of sludge (from memory)."""
    loading = e.load.solids_loading
    if loading is None:
        return None
    daily = 24.0 * loading
    ratio = curve(((20.0, 0.1), (40.0, 0.4), (80.0, 2.0), (120.0, 10.0), (200.0, 40.0)), daily)
    return Clue(
        "solids loading",
        "Solids loading {0}",
        ((loading, Dimension.SOLIDS_LOADING),),
        {FailureMode.SOLIDS_OVERLOAD: ratio},
        "design loads of gravity thickeners, from memory; ratios " + _J,
    )


def _stay(e: Evidence) -> Clue | None:
    """How long the sludge stays: alone it never makes gas the likeliest."""
    stay = e.load.sludge_detention
    if stay is None:
        return None
    stay = min(stay, 99.0)
    if e.kind is TankKind.SECONDARY:
        ratios = {FailureMode.GAS: curve(((0.5, 0.3), (1.5, 0.8), (3.0, 1.5), (6.0, 2.0)), stay)}
    else:
        usual = 8.0 if e.kind is TankKind.PRIMARY else 24.0
        ratios = {FailureMode.SEPTIC: curve(((0.3, 0.3), (1.0, 1.0), (2.0, 1.8), (4.0, 2.5)), stay / usual)}
    return Clue("stay of the sludge", "Sludge stays {0} in the tank", ((stay, Dimension.TIME),), ratios)
