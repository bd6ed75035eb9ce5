"""``[[connector]] kind = "modbus"``: one network address, and the points of the units behind it."""

from __future__ import annotations

from datetime import timedelta
from typing import Literal, Self

from pydantic import Field, model_validator

from service.site.sections.quantity import wrong
from service.site.sections.section import Duration, Section, SourceSection, Words

TableName = Literal["holding_register", "input_register", "discrete_input", "coil"]


class FaultSection(Section):
    """The instrument's own fault flag."""

    table: TableName = "holding_register"
    address: int = Field(ge=0, le=65_535, examples=["8"])
    bit: int = Field(0, ge=0, le=15)
    when: bool = True


class ModbusPointSection(Section):
    """One value: address, type and scaling."""

    name: Words = Field(examples=['"EAST_BLANKET"'])
    table: TableName = "holding_register"
    address: int = Field(ge=0, le=65_535, examples=["100"])
    type: Literal["bit", "int16", "uint16", "int32", "uint32", "float32", "float64"] | None = None
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = "ABCD"
    scale: float | None = None
    offset: float | None = None
    loop: bool = False
    raw_low: float | None = None
    raw_high: float | None = None
    value_low: float | None = None
    value_high: float | None = None
    expect_low: float | None = None
    expect_high: float | None = None
    fault: FaultSection | None = None

    @property
    def is_bit(self) -> bool:
        """Whether it is one bit of a table of bits."""
        return self.table in ("discrete_input", "coil")

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if self.type is not None and self.is_bit != (self.type == "bit"):
            right = 'leave type out, or write "bit"' if self.is_bit else 'write type = "uint16" or another of registers'
            raise wrong(f"a {self.table} cannot hold a {self.type}", right)
        spanned = [self.raw_low, self.raw_high, self.value_low, self.value_high]
        linear = self.scale is not None or self.offset is not None
        if linear and (self.loop or any(n is not None for n in spanned)):
            raise wrong("has two scalings", "write either scale and offset, or value_low and value_high")
        if self.scale == 0.0:
            raise wrong(
                "scale is 0, so that every value would be the same", "write scale = 0.01 or what the manual says"
            )
        if self.loop or any(n is not None for n in spanned):
            needed = {"value_low": self.value_low, "value_high": self.value_high}
            if not self.loop:
                needed |= {"raw_low": self.raw_low, "raw_high": self.raw_high}
            missing = [name for name, value in needed.items() if value is None]
            if missing:
                raise wrong(f"lacks {' and '.join(missing)}", "write the numbers at both ends of the span")
            if self.loop and (self.raw_low is None) != (self.raw_high is None):
                raise wrong("has one raw end only", "write raw_low (at 4 mA) and raw_high (at 20 mA), or neither")
            if self.value_low == self.value_high or (self.raw_low is not None and self.raw_low == self.raw_high):
                raise wrong("has a span without extent", "write two different numbers")
        return self


class ModbusDeviceSection(Section):
    """One unit on the line."""

    name: Words | None = None
    unit: int = Field(1, ge=0, le=255)
    gap: int = Field(8, ge=0, le=125)
    max_registers: int = Field(125, ge=4, le=125)
    point: tuple[ModbusPointSection, ...] = Field(min_length=1, examples=['[{ name = "EAST_BLANKET", address = 100 }]'])


class ModbusSection(SourceSection):
    """One network address; its units are polled one after the other."""

    kind: Literal["modbus"] = "modbus"
    host: Words = Field(examples=['"192.0.2.10"'])
    port: int = Field(502, ge=1, le=65_535)
    framing: Literal["tcp", "rtu_over_tcp"] = "tcp"
    every: Duration = timedelta(seconds=5)
    timeout: Duration = timedelta(seconds=1)
    retries: int = Field(1, ge=0, le=10)
    device: tuple[ModbusDeviceSection, ...] = Field(min_length=1, examples=["[{ unit = 1, point = [] }]"])

    def address_problem(self, address: str) -> tuple[str, str] | None:
        names = [point.name for device in self.device for point in device.point]
        return None if address in names else (f'no point "{address}" is read', f"known are {', '.join(names)}")

    @model_validator(mode="after")
    def _names_once(self) -> Self:
        names = [point.name for device in self.device for point in device.point]
        for name in names:
            if names.count(name) > 1:
                raise wrong(f'two points are called "{name}"', "give each point a name of its own")
        units = [device.unit for device in self.device]
        for unit in units:
            if units.count(unit) > 1:
                raise wrong(f"two devices have unit = {unit}", "put their points under one device")
        return self
