"""The failure modes of a tank: what each is called, and how often it is the cause before anything is known."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from service.domain.plant.tank import TankKind


class FailureMode(StrEnum):
    """What may be wrong with a tank."""

    RETURN_LOST = "return sludge lost"
    THICKENING = "thickening overload"
    CLARIFICATION = "clarification overload"
    BULKING = "sludge settles poorly (bulking)"
    GAS = "gas lifts the sludge"
    UNEVEN = "uneven split"
    POOR_FLOC = "poor floc"
    INVENTORY = "too much sludge held"
    SENSOR = "sensor blind or wrong"
    MECHANICAL = "scraper or drive"
    RAT_HOLE = "water drawn through the sludge"
    DENSITY_CURRENT = "density current"
    CHEMICAL_LOST = "polymer or ferric lost"
    SCUM = "ponding scum"
    ALGAE = "algae on the weirs"
    SLUDGE_PUMP = "sludge pump lost"
    SURGE = "flow surge"
    SOLIDS_OVERLOAD = "more solids than the thickener passes"
    SEPTIC = "septic sludge lifts"
    NONE = "none of these"


#: A mode in a word or two, for a text message.
HINTS: dict[FailureMode, str] = {
    FailureMode.RETURN_LOST: "Return flow down",
    FailureMode.THICKENING: "Solids overload",
    FailureMode.CLARIFICATION: "Too much flow",
    FailureMode.BULKING: "Settles badly",
    FailureMode.GAS: "Gas lifts sludge",
    FailureMode.UNEVEN: "Uneven split",
    FailureMode.POOR_FLOC: "Poor floc",
    FailureMode.INVENTORY: "Too much sludge held",
    FailureMode.SENSOR: "Core first",
    FailureMode.MECHANICAL: "Scraper or drive",
    FailureMode.RAT_HOLE: "Thin sludge drawn",
    FailureMode.DENSITY_CURRENT: "Cold density current",
    FailureMode.CHEMICAL_LOST: "Chemical feed down",
    FailureMode.SCUM: "Scum",
    FailureMode.ALGAE: "Algae on weirs",
    FailureMode.SLUDGE_PUMP: "Sludge pump down",
    FailureMode.SURGE: "Flow surge",
    FailureMode.SOLIDS_OVERLOAD: "Solids overload",
    FailureMode.SEPTIC: "Septic sludge",
    FailureMode.NONE: "",
}

#: Share of bad nights with that cause before anything is known of the night. Engineering judgement: common practice, no source.
PRIORS: Mapping[TankKind, Mapping[FailureMode, float]] = {
    TankKind.SECONDARY: {
        FailureMode.RETURN_LOST: 0.12,
        FailureMode.THICKENING: 0.14,
        FailureMode.CLARIFICATION: 0.07,
        FailureMode.BULKING: 0.11,
        FailureMode.GAS: 0.06,
        FailureMode.UNEVEN: 0.08,
        FailureMode.POOR_FLOC: 0.06,
        FailureMode.INVENTORY: 0.07,
        FailureMode.SENSOR: 0.08,
        FailureMode.MECHANICAL: 0.04,
        FailureMode.RAT_HOLE: 0.02,
        FailureMode.DENSITY_CURRENT: 0.02,
        FailureMode.CHEMICAL_LOST: 0.02,
        FailureMode.SCUM: 0.02,
        FailureMode.ALGAE: 0.01,
        FailureMode.NONE: 0.08,
    },
    TankKind.PRIMARY: {
        FailureMode.SLUDGE_PUMP: 0.22,
        FailureMode.RAT_HOLE: 0.08,
        FailureMode.SURGE: 0.14,
        FailureMode.SEPTIC: 0.12,
        FailureMode.UNEVEN: 0.08,
        FailureMode.SENSOR: 0.10,
        FailureMode.MECHANICAL: 0.09,
        FailureMode.SCUM: 0.04,
        FailureMode.DENSITY_CURRENT: 0.02,
        FailureMode.CHEMICAL_LOST: 0.02,
        FailureMode.NONE: 0.09,
    },
    TankKind.THICKENER: {
        FailureMode.SLUDGE_PUMP: 0.24,
        FailureMode.RAT_HOLE: 0.08,
        FailureMode.SOLIDS_OVERLOAD: 0.20,
        FailureMode.SEPTIC: 0.12,
        FailureMode.SENSOR: 0.10,
        FailureMode.MECHANICAL: 0.10,
        FailureMode.CHEMICAL_LOST: 0.05,
        FailureMode.SCUM: 0.02,
        FailureMode.NONE: 0.09,
    },
}
