"""``[permit]``: what may leave the plant."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from service.domain.effluent.permit import Measure, Term
from service.domain.plant.units import Dimension
from service.site.sections.quantity import wrong
from service.site.sections.section import DepthShare, Section, Words, in_site_unit

_Concentration = Annotated[float, in_site_unit(Dimension.CONCENTRATION, positive=True)]  # [kg/m³]
_Load = Annotated[float, in_site_unit(Dimension.MASS_RATE, positive=True)]  # [kg/s]
_Turbidity = Annotated[float, in_site_unit(Dimension.TURBIDITY, positive=True)]  # [NTU]

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


class _Limits(Section):
    @model_validator(mode="before")
    @classmethod
    def _daily_average(cls, value: Any) -> Any:
        if isinstance(value, dict) and "daily_average" in value:
            raise wrong(
                "daily_average is not how a day's limit is called",
                "write daily_maximum: 40 CFR 122.2 takes a day's average as the day's value;"
                " for single values write instantaneous_maximum",
            )
        return value

    def by_term(self) -> dict[Term, float]:
        """The limits that are given, in SI."""
        return {
            Term[name.split("_")[0].upper()]: value
            for name in type(self).model_fields
            if (value := getattr(self, name))
        }


class PermitSolids(_Limits):
    """``solids`` of the permit. [kg/m³] after reading."""

    monthly_average: _Concentration | None = None
    weekly_average: _Concentration | None = None
    daily_maximum: _Concentration | None = None
    instantaneous_maximum: _Concentration | None = None


class PermitLoad(_Limits):
    """``load`` of the permit. [kg/s] after reading."""

    monthly_average: _Load | None = None
    weekly_average: _Load | None = None
    daily_maximum: _Load | None = None


class PermitTurbidity(_Limits):
    """``turbidity`` of the permit. [NTU]"""

    monthly_average: _Turbidity | None = None
    weekly_average: _Turbidity | None = None
    daily_maximum: _Turbidity | None = None
    instantaneous_maximum: _Turbidity | None = None


class PermitSection(Section):
    """``[permit]``: the limits on what leaves the plant."""

    name: Words | None = Field(None, examples=['"Discharge permit (invented)"'])
    outfall: Words | None = Field(None, examples=['"001"'])
    solids: PermitSolids | None = Field(None, examples=["{ monthly_average = 30, weekly_average = 45 }"])
    load: PermitLoad | None = Field(None, examples=["{ monthly_average = 1000 }"])
    turbidity: PermitTurbidity | None = Field(None, examples=["{ daily_maximum = 10 }"])
    approaching: DepthShare | None = Field(None, examples=['"80 %"'])
    week_starts: Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] = "sunday"

    sampled_tanks: tuple[Words, ...] = Field((), examples=['["east"]'])

    def limits(self) -> dict[Measure, dict[Term, float]]:
        """Every limit that is given, in SI or [NTU]."""
        written = {Measure.SOLIDS: self.solids, Measure.LOAD: self.load, Measure.TURBIDITY: self.turbidity}
        return {measure: one.by_term() for measure, one in written.items() if one is not None}
