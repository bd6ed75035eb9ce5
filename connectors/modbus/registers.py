"""Plans which registers to read, decodes them to numbers, and suggests a byte order where a number is implausible."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from connectors.modbus.points import ByteOrder, ModbusDevice, ModbusPoint, RegisterTable, ValueType

#: Table, first address, number of registers or bits.
RegisterRange = tuple[RegisterTable, int, int]


@dataclass(frozen=True, slots=True, order=True)
class ReadRequest:
    """One read: ``count`` registers or bits of ``table`` from ``address``."""

    table: RegisterTable
    address: int
    count: int

    def covers(self, wanted: RegisterRange) -> bool:
        """Whether the response contains all of *wanted*."""
        table, address, count = wanted
        return table is self.table and self.address <= address and address + count <= self.address + self.count


def ranges_of(device: ModbusDevice) -> list[RegisterRange]:
    """The ranges of every value and every fault flag of a device, once each, in address order."""
    ranges: set[RegisterRange] = set()
    for point in device.points:
        ranges.add((point.table, point.address, point.type.registers))
        if point.fault is not None:
            ranges.add((point.fault.table, point.fault.address, 1))
    return sorted(ranges)


def plan_requests(ranges: Iterable[RegisterRange], *, gap: int = 8, max_registers: int = 125) -> list[ReadRequest]:
    """Requests that cover all *ranges*; a value is never split over two.

    A gap of up to *gap* unused registers is read too (sixteen times as many bits, which cost as much).

    >>> H = RegisterTable.HOLDING_REGISTER
    >>> [(r.address, r.count) for r in plan_requests([(H, 0, 2), (H, 4, 2), (H, 100, 2)], gap=8)]
    [(0, 6), (100, 2)]
    """
    requests: list[ReadRequest] = []
    for table, address, count in sorted(set(ranges)):
        limit = table.limit if table.is_bits else min(table.limit, max_registers)
        tolerated = gap * 16 if table.is_bits else gap
        if requests and requests[-1].table is table:
            last = requests[-1]
            end = max(last.address + last.count, address + count)
            if address <= last.address + last.count + tolerated and end - last.address <= limit:
                requests[-1] = ReadRequest(table, last.address, end - last.address)
                continue
        requests.append(ReadRequest(table, address, count))
    return requests


_FORMAT = {
    ValueType.INT16: ">h",
    ValueType.UINT16: ">H",
    ValueType.INT32: ">i",
    ValueType.UINT32: ">I",
    ValueType.FLOAT32: ">f",
    ValueType.FLOAT64: ">d",
}

#: Values smaller than this (but not zero) or larger are measured by no instrument, in any unit in use.
_SMALLEST, _LARGEST = 1e-6, 1e9


def decode(registers: Sequence[int], kind: ValueType, order: ByteOrder = ByteOrder.ABCD) -> float:
    """The number held by *registers*.

    The worked values are 123.45 and its four layouts as public Modbus float guides print them.

    >>> round(decode([0x42F6, 0xE666], ValueType.FLOAT32), 2)
    123.45
    >>> round(decode([0xE666, 0x42F6], ValueType.FLOAT32, ByteOrder.CDAB), 2)
    123.45
    >>> decode([0xFFFF], ValueType.INT16)
    -1.0
    """
    if kind is ValueType.BIT:
        return float(bool(registers[0]))
    words = list(reversed(registers)) if order.words_reversed else list(registers)
    data = b"".join(word.to_bytes(2, "little" if order.bytes_swapped else "big") for word in words)
    return float(struct.unpack(_FORMAT[kind], data)[0])


def is_implausible(value: float, low: float | None = None, high: float | None = None) -> bool:
    """Whether no instrument would report *value*: not finite, vanishing, huge, or outside the bounds given.

    >>> is_implausible(2.3418e-41), is_implausible(-2.7e23), is_implausible(0.0), is_implausible(3.2), is_implausible(3.2, high=3.0)
    (True, True, False, False, True)
    """
    if not math.isfinite(value):
        return True
    if value != 0.0 and not _SMALLEST <= abs(value) <= _LARGEST:
        return True
    return (low is not None and value < low) or (high is not None and value > high)


def likely_order(point: ModbusPoint, registers: Sequence[int]) -> ByteOrder | None:
    """The byte order under which implausible registers become plausible; None when the point's own is plausible or none is.

    Of several orders the one with words reversed and bytes kept (CDAB) is taken first, then BADC and DCBA: common practice, no
    source. Bounds on the point (``low``, ``high``) make the guess much sharper; without bounds any integer is plausible.
    """
    if point.type is ValueType.BIT:
        return None
    if not math.isfinite(decode(registers, point.type, point.order)) and point.low is None and point.high is None:
        # An instrument without a value sends NaN; without bounds that says nothing of the byte order.
        return None

    def implausible(order: ByteOrder) -> bool:
        raw = decode(registers, point.type, order)
        if point.type in (ValueType.FLOAT32, ValueType.FLOAT64) and is_implausible(raw):
            return True
        return is_implausible(point.scaling.apply(raw).value, point.low, point.high)

    if not implausible(point.order):
        return None
    one_word = point.type.registers == 1
    seen = {decode(registers, point.type, point.order)}
    for order in (ByteOrder.ABCD, ByteOrder.CDAB, ByteOrder.BADC, ByteOrder.DCBA):
        if order is point.order or (one_word and order.words_reversed):
            continue
        raw = decode(registers, point.type, order)
        if raw not in seen and not implausible(order):
            return order
    return None
