"""Clues from what people saw, the effluent, the water, the drive and the sensors.

The ratios are engineering judgement (common practice, no source) unless a clue names a source.
"""

from __future__ import annotations

from service.domain.cores.core import OVER_THE_WEIR, Surface
from service.domain.diagnosis.clue import JUDGEMENT, Clue, curve
from service.domain.diagnosis.evidence import Evidence
from service.domain.diagnosis.modes import FailureMode
from service.domain.plant.units import Dimension

_DIAGNOSTICS = (
    "categories: Parker, Wahlberg and Gerges (2000), Water Science and Technology 41(9), 201-208; ratios " + JUDGEMENT
)

#: What each word of a round speaks for.
_SEEN: dict[Surface, dict[FailureMode, float]] = {
    Surface.CLEAR: {FailureMode.CLARIFICATION: 0.3, FailureMode.POOR_FLOC: 0.1, FailureMode.CHEMICAL_LOST: 0.2, FailureMode.DENSITY_CURRENT: 0.2},
    Surface.TURBID: {
        FailureMode.POOR_FLOC: 5.0, FailureMode.CHEMICAL_LOST: 4.0, FailureMode.CLARIFICATION: 2.0, FailureMode.DENSITY_CURRENT: 2.0, FailureMode.SURGE: 2.0,
    },
    Surface.PIN_FLOC: {FailureMode.POOR_FLOC: 25.0, FailureMode.CHEMICAL_LOST: 2.0},
    Surface.STRAGGLER_FLOC: {FailureMode.POOR_FLOC: 20.0, FailureMode.DENSITY_CURRENT: 1.5},
    Surface.CLUMPS: {FailureMode.GAS: 25.0, FailureMode.SEPTIC: 25.0, FailureMode.SCUM: 1.5},
    Surface.BUBBLES: {FailureMode.GAS: 25.0, FailureMode.SEPTIC: 30.0},
    Surface.FOAM: {FailureMode.SCUM: 6.0},
    Surface.SCUM: {FailureMode.SCUM: 20.0, FailureMode.GAS: 1.5},
    Surface.ALGAE: {FailureMode.ALGAE: 60.0, FailureMode.UNEVEN: 1.3},
    Surface.ARM_STOPPED: {FailureMode.MECHANICAL: 300.0},
    Surface.HIGH_TORQUE: {FailureMode.MECHANICAL: 60.0},
    Surface.BROKEN_FLIGHT: {FailureMode.MECHANICAL: 200.0},
}  # fmt: skip
_OVER_WEIR = {
    FailureMode.THICKENING: 2.0, FailureMode.CLARIFICATION: 2.5, FailureMode.RETURN_LOST: 2.0, FailureMode.BULKING: 2.0, FailureMode.UNEVEN: 1.5,
    FailureMode.SENSOR: 0.3,
}  # fmt: skip


def seen_clues(e: Evidence) -> list[Clue]:
    """Everything seen, and what the effluent, the water, the drive and the sensors say."""
    found = [
        *_surface(e),
        _effluent(e),
        _fluff(e),
        _alone(e),
        _cold(e),
        _nitrate(e),
        *_drive(e),
        _chemical(e),
        *_sensors(e),
    ]
    return [clue for clue in found if clue is not None]


def _surface(e: Evidence) -> list[Clue]:
    seen = set(e.surface)
    clues = [
        Clue(f"seen: {word.value}", f"A round saw {word.value}", (), _SEEN[word], _DIAGNOSTICS)
        for word in Surface
        if word in seen and word in _SEEN
    ]
    if over := seen & OVER_THE_WEIR:
        word = " and ".join(sorted(one.value for one in over))
        clues.append(Clue("seen: sludge at the weir", f"A round saw {word}", (), _OVER_WEIR))
    if not seen & {Surface.CLUMPS, Surface.BUBBLES}:
        looked = bool(seen)
        ratios = (
            {FailureMode.GAS: 0.15, FailureMode.SEPTIC: 0.2}
            if looked
            else {FailureMode.GAS: 0.4, FailureMode.SEPTIC: 0.5}
        )
        said = (
            "A round wrote the surface down, without clumps or bubbles"
            if looked
            else "Nobody wrote of clumps or bubbles"
        )
        clues.append(Clue("seen: no gas", said, (), ratios))
    return clues


def _effluent(e: Evidence) -> Clue | None:
    """Solids in the effluent, with a low blanket or a high one: only the first is not the blanket's doing."""
    over, share = e.effluent_over, e.blanket_share
    if over is None:
        return None
    if share is not None and share < 0.35:
        dirty = curve(((0.3, 0.15), (0.7, 0.7), (1.0, 3.0), (2.0, 12.0)), over)
        ratios = {
            FailureMode.POOR_FLOC: dirty,
            FailureMode.CHEMICAL_LOST: dirty,
            FailureMode.DENSITY_CURRENT: dirty,
            FailureMode.ALGAE: curve(((0.7, 1.0), (1.5, 2.0)), over),
            **dict.fromkeys(
                (FailureMode.THICKENING, FailureMode.RETURN_LOST, FailureMode.INVENTORY, FailureMode.GAS),
                curve(((1.0, 1.0), (2.0, 0.3)), over),
            ),
        }
        where = "with a low blanket"
    else:
        clear = curve(((0.3, 0.3), (1.0, 1.0), (3.0, 2.0)), over)
        ratios = {FailureMode.CLARIFICATION: clear, FailureMode.POOR_FLOC: min(clear, 1.0), FailureMode.DENSITY_CURRENT: clear,
                  FailureMode.SENSOR: curve(((0.5, 1.3), (1.0, 1.0), (4.0, 0.3)), over)}  # fmt: skip
        where = "with a high blanket" if share is not None else "with a blanket nobody knows"
    said: list[str] = []
    values: list[tuple[float, Dimension]] = []
    if e.effluent_solids is not None:
        said.append(f"effluent solids {{{len(values)}}}")
        values.append((e.effluent_solids, Dimension.CONCENTRATION))
    if e.turbidity is not None:
        said.append(f"turbidity {{{len(values)}}}")
        values.append((e.turbidity, Dimension.TURBIDITY))
    sentence = f"{' and '.join(said)} {where}"
    return Clue("effluent", sentence[0].upper() + sentence[1:], tuple(values), ratios, _DIAGNOSTICS)


def _fluff(e: Evidence) -> Clue | None:
    """A dispersed layer high above the compact blanket: what clarification cannot hold."""
    if e.fluff is None:
        return None
    ratios = {
        FailureMode.CLARIFICATION: curve(((0.1, 0.5), (0.4, 1.5), (1.0, 6.0), (2.0, 12.0)), e.fluff),
        FailureMode.THICKENING: curve(((0.1, 1.5), (0.6, 0.9), (1.5, 0.5)), e.fluff),
        FailureMode.BULKING: curve(((0.1, 0.9), (1.0, 1.5)), e.fluff),
    }
    return Clue(
        "dispersed layer", "Dispersed sludge {0} over the compact blanket", ((e.fluff, Dimension.LENGTH),), ratios
    )


def _alone(e: Evidence) -> Clue | None:
    """One tank of several, or all of them."""
    above = e.above_sisters
    if above is None:
        return None
    one = curve(((0.1, 0.6), (0.3, 1.0), (0.6, 2.0), (1.2, 3.0)), above)
    every = curve(((0.1, 1.5), (0.3, 1.0), (0.6, 0.4), (1.2, 0.2)), above)
    lone = (
        FailureMode.RETURN_LOST,
        FailureMode.SLUDGE_PUMP,
        FailureMode.UNEVEN,
        FailureMode.MECHANICAL,
        FailureMode.SENSOR,
        FailureMode.RAT_HOLE,
    )
    all_of_them = (
        FailureMode.THICKENING,
        FailureMode.CLARIFICATION,
        FailureMode.BULKING,
        FailureMode.INVENTORY,
        FailureMode.SURGE,
        FailureMode.SOLIDS_OVERLOAD,
    )
    ratios = {**dict.fromkeys(lone, one), **dict.fromkeys(all_of_them, every)}
    said = f"Blanket {{0}} {'over' if above >= 0.0 else 'under'} that of its sister tanks"
    if abs(above) < 0.3:
        said = "Blanket like that of its sister tanks, {0} apart"
    return Clue("sister tanks", said, ((abs(above), Dimension.LENGTH),), ratios)


def _cold(e: Evidence) -> Clue | None:
    if e.cooled is None or e.temperature is None:
        return None
    ratio = curve(((0.3, 0.3), (1.0, 2.0), (2.0, 15.0), (4.0, 40.0)), e.cooled)
    ratios = {FailureMode.DENSITY_CURRENT: ratio, FailureMode.GAS: curve(((0.5, 1.0), (3.0, 0.5)), e.cooled)}
    return Clue(
        "temperature", "Water {0} colder than some hours ago", ((max(e.cooled, 0.0), Dimension.TEMPERATURE),), ratios
    )


def _nitrate(e: Evidence) -> Clue | None:
    """Nitrate enough to lift sludge: about 6 to 8 mg N/L near 20 °C, more when it is colder."""
    if e.nitrate is None:
        return None
    critical = 0.007
    if e.temperature is not None:
        critical *= 1.07 ** (20.0 - min(max(e.temperature, 5.0), 30.0))
    ratios = {
        FailureMode.GAS: curve(((0.3, 0.08), (0.8, 0.5), (1.0, 2.5), (1.5, 6.0), (2.5, 10.0)), e.nitrate / critical)
    }
    return Clue(
        "nitrate",
        "Nitrate {0} as nitrogen; sludge begins to lift at about {1}",
        ((e.nitrate, Dimension.CONCENTRATION), (critical, Dimension.CONCENTRATION)),
        ratios,
        "critical nitrate near 20 °C: Henze et al. 1993 (from memory); 7 % a degree and the ratios " + JUDGEMENT,
    )


def _drive(e: Evidence) -> list[Clue]:
    clues = []
    if e.arm_still is not None:
        said = "The arm's angle does not move" if e.arm_still else "The arm turns, by its angle"
        clues.append(Clue("arm", said, (), {FailureMode.MECHANICAL: 200.0 if e.arm_still else 0.25}))
    if e.torque is not None:
        ratio = curve(
            ((0.0, 4.0), (0.03, 2.0), (0.1, 0.4), (0.4, 0.5), (0.6, 3.0), (0.85, 40.0), (1.0, 100.0)), e.torque
        )
        clues.append(
            Clue(
                "torque",
                "Torque {0} of the drive's rating",
                ((e.torque, Dimension.RATIO),),
                {FailureMode.MECHANICAL: ratio},
            )
        )
    return clues


def _chemical(e: Evidence) -> Clue | None:
    if e.chemical is None:
        return None
    ratio = curve(((0.1, 150.0), (0.5, 20.0), (0.8, 2.0), (1.0, 0.1)), e.chemical)
    return Clue(
        "chemical feed",
        "Chemical feed at {0} of what it was",
        ((e.chemical, Dimension.RATIO),),
        {FailureMode.CHEMICAL_LOST: ratio},
    )


def _sensors(e: Evidence) -> list[Clue]:
    clues: list[Clue] = []
    fresh = e.core_age is not None and e.core_age <= 2.0
    if not e.blind and e.core_off is not None and e.core_age is not None and e.core_age <= 8.0:
        agree = curve(((0.2, 0.05), (0.4, 0.4), (0.7, 8.0), (1.5, 60.0)), abs(e.core_off))
        ratio = agree if fresh else agree**0.5
        said = "Sensor {0} off the hand core of {1} ago"
        values = ((abs(e.core_off), Dimension.LENGTH), (e.core_age, Dimension.TIME))
        clues.append(Clue("hand core", said, values, {FailureMode.SENSOR: ratio}))
    if e.blind:
        clues.append(
            Clue("sensor", "No sensor of this tank can be believed", (), {FailureMode.SENSOR: 8.0 if fresh else 40.0})
        )
    elif e.rivals is not None:
        ratio = curve(((0.02, 0.2), (0.1, 1.5), (0.3, 8.0), (0.5, 25.0)), e.rivals)
        said = "Chance of {0} that the sensor sees something other than the blanket, or has shifted"
        clues.append(
            Clue(
                "sensor",
                said,
                ((e.rivals, Dimension.RATIO),),
                {FailureMode.SENSOR: min(ratio, 1.5) if fresh else ratio},
            )
        )
    return clues
