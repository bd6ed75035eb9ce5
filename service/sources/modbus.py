"""Makes a Modbus connector from its section of the site file."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from connectors.modbus.connector import ModbusConnector
from connectors.modbus.points import (
    ByteOrder,
    Framing,
    ModbusDevice,
    ModbusLine,
    ModbusPoint,
    RegisterTable,
    StatusBit,
    ValueType,
)
from connectors.scaling import CurrentLoop, Linear, ScaledSpan, Scaling
from service.site.sections.modbus import ModbusPointSection, ModbusSection


def line(section: ModbusSection, clock: Callable[[], datetime]) -> ModbusConnector:
    """The connector of a section.

    Raises
    ------
    ValueError
        when the section asks for something impossible.
    """
    return ModbusConnector(_line(section), clock)


def _line(section: ModbusSection) -> ModbusLine:
    return ModbusLine(
        key=section.key,
        host=section.host,
        port=section.port,
        framing=Framing(section.framing),
        timeout=section.timeout.total_seconds(),
        retries=section.retries,
        devices=tuple(
            ModbusDevice(
                name=device.name or f"unit {device.unit}",
                unit=device.unit,
                gap=device.gap,
                max_registers=device.max_registers,
                points=tuple(_point(point) for point in device.point),
            )
            for device in section.device
        ),
    )


def _point(point: ModbusPointSection) -> ModbusPoint:
    fault = point.fault
    return ModbusPoint(
        name=point.name,
        table=RegisterTable(point.table),
        address=point.address,
        type=ValueType(point.type or ("bit" if point.is_bit else "uint16")),
        order=ByteOrder(point.order),
        scaling=_scaling(point),
        fault=None if fault is None else StatusBit(RegisterTable(fault.table), fault.address, fault.bit, fault.when),
        low=point.expect_low,
        high=point.expect_high,
    )


def _scaling(point: ModbusPointSection) -> Scaling:
    if point.value_low is not None and point.value_high is not None:
        if point.loop:
            raw_4ma = 4.0 if point.raw_low is None else point.raw_low
            raw_20ma = 20.0 if point.raw_high is None else point.raw_high
            return CurrentLoop(point.value_low, point.value_high, raw_4ma, raw_20ma)
        if point.raw_low is not None and point.raw_high is not None:
            return ScaledSpan(point.raw_low, point.raw_high, point.value_low, point.value_high)
    return Linear(1.0 if point.scale is None else point.scale, point.offset or 0.0)
