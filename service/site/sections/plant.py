"""``[site]``, ``[[tank]]`` and ``[[signal]]``: the plant, its tanks and its signals."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from service.domain.laboratory.day import USUAL_WASTE_STEP
from service.domain.loading.limits import Process, Quantity
from service.domain.loading.settling import CORRELATIONS
from service.domain.plant.action import SiteAction
from service.domain.plant.signal import Measures, SignalKind
from service.domain.plant.tank import TankKind, TankShape
from service.domain.plant.units import UNITS, Dimension, shown_unit
from service.site.sections.quantity import closest_word, quantity, wrong
from service.site.sections.section import (
    Duration,
    Flow,
    Key,
    Length,
    LimitValue,
    ReachShare,
    Section,
    Slope,
    TimeZone,
    UnitSymbol,
    Volume,
    Words,
)


class SiteSection(Section):
    """``[site]``: the plant as a whole. ``design_flow``, the average [m³/s] after reading, decides which published limits hold."""

    name: Words = Field(examples=['"Invented Creek Works"'])
    units: Literal["us", "si"] = Field(examples=['"us" or "si"'])
    time_zone: TimeZone = Field(examples=['"America/New_York"'])
    design_flow: float | None = Field(None, examples=["0.8"])

    @field_validator("design_flow", mode="before")
    @classmethod
    def _in_its_own_units(cls, value: Any, info: ValidationInfo) -> float | None:
        units = info.data.get("units")
        if units is None:  # they are wrong and reported
            return None
        symbol = shown_unit(Dimension.FLOW, units)
        found = quantity(value, Dimension.FLOW, symbol, f'6 or "6 {symbol}"')
        if not found > 0.0:
            raise wrong("is not above zero", "write the average flow the plant was built for, or leave it out")
        return found


class LaboratorySection(Section):
    """``[laboratory]``: what the day's sheet has to know of the aeration, and its aims. In SI after reading."""

    basin_volume: Volume | None = Field(None, examples=['1.2 or "1.2 MG"'])
    target_age: Duration | None = Field(None, examples=['"9 d"'])
    waste_step: ReachShare = Field(USUAL_WASTE_STEP, gt=0, le=1, examples=['"10 %"'])


class RoundsSection(Section):
    """``[rounds]``: words for the surface and the machine, beside those of the trade."""

    words: tuple[Annotated[Words, Field(max_length=40)], ...] = Field((), max_length=30, examples=['["gate B sticks"]'])


class LimitsSection(Section):
    """``limits`` of a tank, which override published limits on its loading. In SI after reading."""

    overflow_rate: LimitValue | None = None
    solids_loading: LimitValue | None = None
    weir_loading: LimitValue | None = None
    blanket_share: LimitValue | None = None
    sludge_index: LimitValue | None = None

    def by_quantity(self) -> dict[Quantity, float]:
        """The limits that are given."""
        return {Quantity[name.upper()]: value for name in type(self).model_fields if (value := getattr(self, name))}


class TankSection(Section):
    """``[[tank]]``: one clarifier. Lengths [m] after reading."""

    key: Key = Field(examples=['"east"'])
    label: Words | None = None
    kind: TankKind = Field(examples=['"secondary"'])
    shape: TankShape = Field(examples=['"circular"'])
    diameter: Length | None = None
    length: Length | None = None
    width: Length | None = None
    side_water_depth: Length = Field(examples=["14"])
    floor_slope: Slope = 0.0
    weir_length: Length | None = None
    notch_angle: float | None = Field(None, gt=0, lt=180, examples=["90"])  # [degree]
    notch_count: int | None = Field(None, ge=1, le=100_000, examples=["480"])
    discharge_coefficient: float | None = Field(None, ge=0.4, le=0.8, examples=["0.58"])  # [–]
    core_distance_from_wall: Length | None = None
    core_position: ReachShare | None = None
    arm_period: Duration | None = None
    arms: int = Field(1, ge=1, le=8, examples=["2"])
    return_capacity: Flow | None = None
    actions: tuple[SiteAction, ...] | None = Field(None, examples=['["return", "flow off"]'])
    settling: str | None = None
    process: Process | None = Field(None, examples=['"nitrifying"'])
    limits: LimitsSection | None = None
    out_of_service: Words | None = Field(None, examples=['"empty until spring"'])

    @field_validator("settling")
    @classmethod
    def _known_correlation(cls, value: str | None) -> str | None:
        if value is not None and value not in CORRELATIONS:
            near = closest_word(value, tuple(CORRELATIONS))
            remedy = f'write "{near}"' if near else f"use one of {', '.join(CORRELATIONS)}"
            raise wrong(f'"{value}" is no known correlation of settling with the sludge index', remedy, near=near)
        return value


class SignalSection(Section):
    """``[[signal]]``: one measured channel. ``low``, ``high``, ``flat_band`` and ``limit`` in SI after reading."""

    tag: Words = Field(examples=['"EAST_BLANKET"'])
    kind: SignalKind = Field(examples=['"blanket"'])
    tank: Words | None = None
    unit: UnitSymbol = Field(examples=['"ft"'])
    connector: Words | None = None
    address: Words | None = None
    measures: Measures | None = None
    zero_height: Length | None = None
    distance_from_wall: Length | None = None
    low: float | None = None
    high: float | None = None
    expected_interval: Duration | None = None
    stale_after: Duration | None = None
    flat_after: Duration | None = None
    flat_band: float | None = None
    limit: float | None = None
    sensor: Words | None = None
    in_service: tuple[float, ...] | None = Field(None, min_length=1, examples=["[1]"])

    @field_validator("low", "high", "flat_band", "limit", mode="before")
    @classmethod
    def _in_own_unit(cls, value: Any, info: ValidationInfo) -> float | None:
        symbol = info.data.get("unit")
        if symbol is None:  # the unit itself is wrong and reported
            return None
        return quantity(value, UNITS[symbol].dimension, symbol, f'10 or "10 {symbol}"')
