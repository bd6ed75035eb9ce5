"""Plans the read requests for a device's points: neighbors share one, within the protocol's limits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from connectors.modbus.points import ModbusDevice, RegisterTable

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
