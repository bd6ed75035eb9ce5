"""Configuration of Modbus: points, the devices that have them, and the line to the devices.

Addresses are those of the protocol, counted from 0 (MODBUS Application Protocol V1.1b3, 4.4); a manual that writes
40001 or 30001 means address 0 of the holding or input registers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from connectors.scaling import Linear, Scaling


class RegisterTable(StrEnum):
    """The four tables of a Modbus device."""

    COIL = "coil"
    DISCRETE_INPUT = "discrete_input"
    INPUT_REGISTER = "input_register"
    HOLDING_REGISTER = "holding_register"

    @property
    def is_bits(self) -> bool:
        """Whether the table holds single bits rather than 16-bit registers."""
        return self in (RegisterTable.COIL, RegisterTable.DISCRETE_INPUT)

    @property
    def limit(self) -> int:
        """How many items one request may ask for: 125 registers or 2000 bits (V1.1b3, 6.1 to 6.4)."""
        return 2000 if self.is_bits else 125


class ValueType(StrEnum):
    """The type of a value in registers."""

    BIT = "bit"
    INT16 = "int16"
    UINT16 = "uint16"
    INT32 = "int32"
    UINT32 = "uint32"
    FLOAT32 = "float32"
    FLOAT64 = "float64"

    @property
    def registers(self) -> int:
        """Number of registers (or bits, for a bit) of one value."""
        return _REGISTERS[self]


_REGISTERS = {
    ValueType.BIT: 1,
    ValueType.INT16: 1,
    ValueType.UINT16: 1,
    ValueType.INT32: 2,
    ValueType.UINT32: 2,
    ValueType.FLOAT32: 2,
    ValueType.FLOAT64: 4,
}


class ByteOrder(StrEnum):
    """Order of a value's bytes on the wire, A the most significant of four; the protocol fixes it only within a register.

    Eight-byte values follow the same pattern: words in order or reversed, bytes of each word in order or swapped.
    """

    ABCD = "ABCD"
    CDAB = "CDAB"
    BADC = "BADC"
    DCBA = "DCBA"

    @property
    def words_reversed(self) -> bool:
        """Whether the least significant word comes first."""
        return self in (ByteOrder.CDAB, ByteOrder.DCBA)

    @property
    def bytes_swapped(self) -> bool:
        """Whether the two bytes of each word are swapped."""
        return self in (ByteOrder.BADC, ByteOrder.DCBA)


@dataclass(frozen=True, slots=True)
class StatusBit:
    """The instrument's own fault flag: one bit of a register, or one coil or discrete input."""

    table: RegisterTable
    address: int
    bit: int = 0
    fault_when: bool = True

    def __post_init__(self) -> None:
        _check_address(self.table, self.address, 1)
        if not 0 <= self.bit <= 15 or (self.table.is_bits and self.bit != 0):
            raise ValueError(f"status bit {self.bit}: a register has bits 0 to 15, a coil or discrete input only bit 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusPoint:
    """One value to read; ``name`` is the address its samples carry. ``low`` and ``high`` bound what is plausible."""

    name: str
    table: RegisterTable
    address: int
    type: ValueType = ValueType.UINT16
    order: ByteOrder = ByteOrder.ABCD
    scaling: Scaling = field(default_factory=Linear)
    fault: StatusBit | None = None
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.table.is_bits != (self.type is ValueType.BIT):
            raise ValueError(f"{self.name}: a {self.table} cannot hold a {self.type}")
        _check_address(self.table, self.address, self.type.registers)


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusDevice:
    """One unit on a line. ``gap`` is how many unused registers may be read to save a request."""

    name: str
    unit: int
    points: tuple[ModbusPoint, ...]
    gap: int = 8
    max_registers: int = 125

    def __post_init__(self) -> None:
        if not 0 <= self.unit <= 255:
            raise ValueError(f"{self.name}: unit {self.unit} is not between 0 and 255")
        if not 4 <= self.max_registers <= 125:
            raise ValueError(f"{self.name}: max_registers {self.max_registers} is not between 4 and 125")
        if not 0 <= self.gap <= 125:
            raise ValueError(f"{self.name}: gap {self.gap} is not between 0 and 125")


class Framing(StrEnum):
    """The framing of requests on the TCP connection."""

    TCP = "tcp"
    RTU_OVER_TCP = "rtu_over_tcp"


@dataclass(frozen=True, slots=True, kw_only=True)
class ModbusLine:
    """One TCP connection and the units behind it. Times in [s].

    Units on one line are polled one after the other, as a serial bus behind a gateway demands; lines are independent.
    """

    key: str
    host: str
    port: int = 502
    framing: Framing = Framing.TCP
    timeout: float = 1.0
    retries: int = 1
    devices: tuple[ModbusDevice, ...]

    def __post_init__(self) -> None:
        if not self.devices:
            raise ValueError(f"{self.key}: no device on this line")
        if self.timeout <= 0.0 or self.retries < 0:
            raise ValueError(f"{self.key}: timeout must be above 0 s and retries not below 0")
        names = [p.name for d in self.devices for p in d.points]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"{self.key}: point names used twice: {', '.join(twice)}")
        units = [d.unit for d in self.devices]
        if len(set(units)) != len(units):
            raise ValueError(f"{self.key}: two devices have the same unit number")


def _check_address(table: RegisterTable, address: int, count: int) -> None:
    if not 0 <= address <= 65_536 - count:
        raise ValueError(f"{table} {address}: protocol addresses run from 0 to 65535")
