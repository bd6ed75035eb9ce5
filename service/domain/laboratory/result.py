"""One value of the laboratory or of a field instrument, and how each kind is read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from uuid import UUID

from service.domain.plant.units import Dimension, UnitSystem


class LaboratoryKind(StrEnum):
    """What was measured."""

    MIXED_LIQUOR_SOLIDS = "mixed_liquor_solids"
    RETURN_SOLIDS = "return_solids"
    WASTE_SOLIDS = "waste_solids"
    EFFLUENT_SOLIDS = "effluent_solids"
    TURBIDITY = "turbidity"  #: of the effluent
    SETTLED_VOLUME = "settled_volume"  #: with its minute, stirred or not, and how far the sample was diluted
    NITRATE = "nitrate"  #: as nitrogen, of the mixed liquor at the end of aeration
    AMMONIUM = "ammonium"  #: as nitrogen, of the effluent
    OXYGEN = "oxygen"  #: of the mixed liquor at the end of aeration
    TEMPERATURE = "temperature"  #: of the mixed liquor
    VOLATILE_FRACTION = "volatile_fraction"  #: of the mixed-liquor solids
    WASTE_FLOW = "waste_flow"  #: mean of the day, where no meter keeps it


#: Minutes at which a settling test is read.
MINUTES = (5, 10, 15, 20, 25, 30, 40, 50, 60)


@dataclass(frozen=True, slots=True)
class KindTraits:
    """How a kind is called, read and bounded.

    ``possible`` is what can be at all, ``usual`` what a plant sees on ordinary days; both in SI, common practice, no source.
    """

    name: str
    dimension: Dimension
    units: tuple[str, ...]  #: in which it may be typed, the usual first
    possible: tuple[float, float]
    usual: tuple[float, float]


_SOLIDS = ("mg/L", "g/L", "%solids")
TRAITS: dict[LaboratoryKind, KindTraits] = {
    LaboratoryKind.MIXED_LIQUOR_SOLIDS: KindTraits(
        "mixed-liquor solids", Dimension.CONCENTRATION, _SOLIDS, (0.0, 30.0), (0.8, 8.0)
    ),
    LaboratoryKind.RETURN_SOLIDS: KindTraits(
        "return solids", Dimension.CONCENTRATION, _SOLIDS, (0.0, 60.0), (2.0, 20.0)
    ),
    LaboratoryKind.WASTE_SOLIDS: KindTraits(
        "waste solids", Dimension.CONCENTRATION, _SOLIDS, (0.0, 120.0), (2.0, 40.0)
    ),
    LaboratoryKind.EFFLUENT_SOLIDS: KindTraits(
        "effluent solids", Dimension.CONCENTRATION, ("mg/L", "g/L"), (0.0, 10.0), (0.001, 0.1)
    ),
    LaboratoryKind.TURBIDITY: KindTraits(
        "effluent turbidity", Dimension.TURBIDITY, ("NTU",), (0.0, 4000.0), (0.1, 60.0)
    ),
    LaboratoryKind.SETTLED_VOLUME: KindTraits(
        "settled volume", Dimension.SETTLED_VOLUME, ("mL/L",), (1.0, 1000.0), (40.0, 1000.0)
    ),
    LaboratoryKind.NITRATE: KindTraits(
        "nitrate, as N", Dimension.CONCENTRATION, ("mg/L", "g/m3"), (0.0, 0.3), (0.0, 0.035)
    ),
    LaboratoryKind.AMMONIUM: KindTraits(
        "ammonium, as N", Dimension.CONCENTRATION, ("mg/L", "g/m3"), (0.0, 0.3), (0.0, 0.05)
    ),
    LaboratoryKind.OXYGEN: KindTraits("oxygen", Dimension.CONCENTRATION, ("mg/L", "g/m3"), (0.0, 0.05), (0.0, 0.012)),
    LaboratoryKind.TEMPERATURE: KindTraits(
        "temperature", Dimension.TEMPERATURE, ("degC", "degF"), (-5.0, 60.0), (3.0, 35.0)
    ),
    LaboratoryKind.VOLATILE_FRACTION: KindTraits(
        "volatile part of the solids", Dimension.RATIO, ("%",), (0.0, 1.0), (0.5, 0.95)
    ),
    LaboratoryKind.WASTE_FLOW: KindTraits(
        "waste flow, mean of the day", Dimension.FLOW, ("m3/d", "gpd", "gpm", "MGD"), (0.0, 2.0), (0.0, 0.2)
    ),
}


def units_of(kind: LaboratoryKind, system: UnitSystem) -> tuple[str, ...]:
    """The units in which a kind may be typed, the country's own first.

    >>> units_of(LaboratoryKind.TEMPERATURE, "us")[0], units_of(LaboratoryKind.TEMPERATURE, "si")[0]
    ('degF', 'degC')
    """
    units = TRAITS[kind].units
    if system == "us" and kind in (LaboratoryKind.TEMPERATURE, LaboratoryKind.WASTE_FLOW):
        return (*units[1:], units[0])
    return units


@dataclass(frozen=True, slots=True, kw_only=True)
class LaboratoryResult:
    """One value as it stands after corrections, in SI.

    ``tank`` is None for the whole plant. ``minute``, ``stirred`` and ``dilution`` (final over original volume) are those of a
    settling test: the value is what the cylinder showed, not yet multiplied by the dilution.
    """

    id: UUID
    kind: LaboratoryKind
    tank: str | None
    taken_at: datetime
    recorded_at: datetime
    value: float
    minute: int | None = None
    stirred: bool = False
    dilution: float = 1.0
    taken_by: str = ""
    note: str = ""

    @property
    def name(self) -> str:
        """What was measured, in words.

        >>> from datetime import UTC
        >>> at = datetime(2026, 3, 1, tzinfo=UTC)
        >>> LaboratoryResult(id=UUID(int=1), kind=LaboratoryKind.SETTLED_VOLUME, tank=None, taken_at=at, recorded_at=at,
        ...                  value=240.0, minute=30, dilution=2.0).name
        'settled volume after 30 min, diluted 2 times'
        """
        name = TRAITS[self.kind].name
        if self.kind is not LaboratoryKind.SETTLED_VOLUME:
            return name
        name += f" after {self.minute} min"
        if self.stirred:
            name += ", stirred"
        return name + (f", diluted {self.dilution:g} times" if self.dilution != 1.0 else "")
