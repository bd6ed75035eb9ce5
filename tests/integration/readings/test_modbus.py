"""The Modbus connector against real servers on a bad network."""

from __future__ import annotations

import contextlib
import math
import struct
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from pymodbus.constants import ExcCodes

from connectors.base import SourceQuality, SourceReason
from connectors.errors import Unreachable
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
from connectors.scaling import CurrentLoop, Linear, ScaledSpan
from tests.support.connector_contract import ConnectorContract, read_once, samples_of
from tests.support.plant_servers import FaultProxy, ModbusPlant, Unit, float_registers, free_port

NOW = datetime(2026, 3, 1, 3, 0, tzinfo=UTC)
HOLDING, INPUT = RegisterTable.HOLDING_REGISTER, RegisterTable.INPUT_REGISTER
COIL, DISCRETE = RegisterTable.COIL, RegisterTable.DISCRETE_INPUT


def clock() -> datetime:
    return NOW


def blanket(name: str = "blanket", address: int = 0, **more: object) -> ModbusPoint:
    settings: dict[str, object] = {
        "name": name,
        "table": HOLDING,
        "address": address,
        "type": ValueType.FLOAT32,
        **more,
    }
    return ModbusPoint(**settings)  # type: ignore[arg-type]


def connector_for(
    port: int, *devices: ModbusDevice, framing: Framing = Framing.TCP, timeout: float = 0.3, retries: int = 0
) -> ModbusConnector:
    line = ModbusLine(
        key="plc", host="127.0.0.1", port=port, framing=framing, timeout=timeout, retries=retries, devices=devices
    )
    return ModbusConnector(line, clock)


def values(connector: ModbusConnector) -> dict[str, tuple[float, SourceQuality, SourceReason]]:
    return {a: (v, SourceQuality(q), SourceReason(r)) for a, _, v, q, r in samples_of(read_once(connector))}


class TestContract(ConnectorContract):
    @pytest.fixture
    def connector(self) -> Iterator[ModbusConnector]:
        high, low = float_registers(2.5)
        with ModbusPlant(Unit(1, holding={0: high, 1: low})) as plant:
            connector = connector_for(plant.port, ModbusDevice(name="panel", unit=1, points=(blanket(),)))
            yield connector
            connector.close()

    @pytest.fixture
    def dead_connector(self) -> ModbusConnector:
        return connector_for(free_port(), ModbusDevice(name="panel", unit=1, points=(blanket(),)))


@pytest.mark.parametrize("framing", list(Framing))
def test_every_table_type_and_order(framing: Framing) -> None:
    holding: dict[int, int] = {}
    points: list[ModbusPoint] = []

    def put(name: str, kind: ValueType, order: ByteOrder, data: bytes) -> None:
        words = [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]
        if order.words_reversed:
            words.reverse()
        if order.bytes_swapped:
            words = [(w & 0xFF) << 8 | w >> 8 for w in words]
        address = len(holding)
        holding.update({address + i: w for i, w in enumerate(words)})
        points.append(ModbusPoint(name=name, table=HOLDING, address=address, type=kind, order=order))

    for order in ByteOrder:
        put(f"i16{order}", ValueType.INT16, order, struct.pack(">h", -321))
        put(f"u16{order}", ValueType.UINT16, order, struct.pack(">H", 64000))
        put(f"i32{order}", ValueType.INT32, order, struct.pack(">i", -70000))
        put(f"u32{order}", ValueType.UINT32, order, struct.pack(">I", 4_000_000_000))
        put(f"f32{order}", ValueType.FLOAT32, order, struct.pack(">f", 1.625))
        put(f"f64{order}", ValueType.FLOAT64, order, struct.pack(">d", math.pi))
    points += [
        ModbusPoint(name="input", table=INPUT, address=7, type=ValueType.INT16, scaling=Linear(0.01, 1.0)),
        ModbusPoint(name="coil", table=COIL, address=16, type=ValueType.BIT),
        ModbusPoint(name="discrete", table=DISCRETE, address=3, type=ValueType.BIT),
    ]
    unit = Unit(7, holding=holding, inputs={7: 250}, coils={16: True}, discretes={3: True})
    with ModbusPlant(unit, framing=framing) as plant:
        connector = connector_for(
            plant.port, ModbusDevice(name="d", unit=7, points=tuple(points)), framing=framing, timeout=2.0
        )
        got = values(connector)
        connector.close()
    for order in ByteOrder:
        assert [got[f"{k}{order}"][0] for k in ("i16", "u16", "i32", "u32", "f32", "f64")] == [
            -321,
            64000,
            -70000,
            4_000_000_000,
            1.625,
            math.pi,
        ]
    assert got["input"][0] == 3.5
    assert (got["coil"][0], got["discrete"][0]) == (1.0, 1.0)
    assert {q for _, q, _ in got.values()} == {SourceQuality.GOOD}
    # One request for the holding registers, one for each other table.
    assert len(unit.requests) == 4


def test_scalings_and_faults_reach_the_sample() -> None:
    loop = CurrentLoop(low=0.0, high=5.0, raw_4ma=4000, raw_20ma=20000)
    points = (
        ModbusPoint(name="good", table=HOLDING, address=0, scaling=loop),
        ModbusPoint(name="broken", table=HOLDING, address=1, scaling=loop),
        ModbusPoint(name="over", table=HOLDING, address=2, scaling=loop),
        ModbusPoint(name="span", table=HOLDING, address=3, scaling=ScaledSpan(0, 1000, 0.0, 4.0)),
        ModbusPoint(name="faulty", table=HOLDING, address=4, fault=StatusBit(HOLDING, 6, bit=3)),
        ModbusPoint(name="sound", table=HOLDING, address=5, fault=StatusBit(HOLDING, 6, bit=2)),
        ModbusPoint(name="ready", table=HOLDING, address=5, fault=StatusBit(DISCRETE, 0, fault_when=False)),
    )
    unit = Unit(1, holding={0: 12000, 1: 0, 2: 20800, 3: 500, 4: 7, 5: 8, 6: 0b1000}, discretes={0: True})
    with ModbusPlant(unit) as plant:
        connector = connector_for(plant.port, ModbusDevice(name="d", unit=1, points=points))
        got = values(connector)
        connector.close()
    assert got["good"] == (2.5, SourceQuality.GOOD, SourceReason.NONE)
    assert got["broken"][1:] == (SourceQuality.BAD, SourceReason.LOOP_FAULT_LOW)
    assert got["over"][1:] == (SourceQuality.UNCERTAIN, SourceReason.OVER_RANGE)
    assert got["span"][0] == 2.0
    assert got["faulty"] == (7.0, SourceQuality.BAD, SourceReason.INSTRUMENT_FAULT)
    assert got["sound"][1] is SourceQuality.GOOD
    assert got["ready"][1] is SourceQuality.GOOD


def test_one_wrong_address_costs_only_its_own_point() -> None:
    points = tuple(ModbusPoint(name=f"p{a}", table=HOLDING, address=a) for a in (0, 1, 2, 5))
    unit = Unit(1, holding={0: 10, 1: 11, 5: 15})
    with ModbusPlant(unit) as plant:
        connector = connector_for(plant.port, ModbusDevice(name="d", unit=1, points=points))
        got = values(connector)
        assert [got[f"p{a}"][0] for a in (0, 1, 5)] == [10, 11, 15]
        assert got["p2"][1:] == (SourceQuality.BAD, SourceReason.SOURCE_BAD)
        assert any("illegal data address" in p for p in connector.health().problems)
        # What was learned is kept: the second poll asks four times, not the seven of finding out.
        before = len(unit.requests)
        values(connector)
        assert len(unit.requests) - before == 4
        connector.close()


@pytest.mark.parametrize(
    ("code", "reason", "name"),
    [
        (ExcCodes.DEVICE_FAILURE, SourceReason.INSTRUMENT_FAULT, "server device failure"),
        (ExcCodes.DEVICE_BUSY, SourceReason.SOURCE_BAD, "server device busy"),
        (ExcCodes.GATEWAY_NO_RESPONSE, SourceReason.NO_COMMUNICATION, "gateway target device failed to respond"),
    ],
)
def test_an_exception_becomes_a_bad_sample_and_a_named_problem(code: ExcCodes, reason: SourceReason, name: str) -> None:
    unit = Unit(1, holding={0: 1})
    unit.exception = code
    with ModbusPlant(unit) as plant:
        connector = connector_for(
            plant.port, ModbusDevice(name="d", unit=1, points=(ModbusPoint(name="p", table=HOLDING, address=0),))
        )
        assert values(connector)["p"][1:] == (SourceQuality.BAD, reason)
        assert name in connector.health().problems[0]
        unit.exception = None
        assert values(connector)["p"][0] == 1.0
        assert connector.health().problems == ()
        connector.close()


def test_a_silent_unit_does_not_take_its_neighbours_down() -> None:
    here = Unit(1, holding={0: 1})
    gone = Unit(2, holding={0: 2})
    gone.delay = 60.0
    devices = tuple(
        ModbusDevice(name=f"d{u}", unit=u, points=(ModbusPoint(name=f"p{u}", table=HOLDING, address=0),))
        for u in (1, 2)
    )
    with ModbusPlant(here, gone) as plant:
        connector = connector_for(plant.port, *devices)
        got = values(connector)
        assert got["p1"][0] == 1.0
        assert got["p2"][1:] == (SourceQuality.BAD, SourceReason.NO_COMMUNICATION)
        asked = len(gone.requests)
        polls = [values(connector) for _ in range(10)]
        assert all(p["p1"][0] == 1.0 for p in polls)
        # Asked again after 1, 2, 4 polls: three times in ten, not ten times.
        assert len(gone.requests) - asked == 3
        gone.delay = 0.0
        assert any(values(connector).get("p2", (0,))[0] == 2.0 for _ in range(16))
        assert connector.health().problems == ()
        connector.close()


def test_when_no_unit_answers_the_poll_says_so() -> None:
    gone = [Unit(u, holding={0: u}) for u in (1, 2)]
    devices = tuple(
        ModbusDevice(name=f"d{u}", unit=u, points=(ModbusPoint(name=f"p{u}", table=HOLDING, address=0),))
        for u in (1, 2)
    )
    for unit in gone:
        unit.delay = 60.0
    with ModbusPlant(*gone) as plant:
        connector = connector_for(plant.port, *devices)
        with pytest.raises(Unreachable, match="none of 2 units answers"):
            read_once(connector)
        assert connector.health().problems
        connector.close()


FAULTS = ("refuse", "swallow", "drop", "garbage", "cut", "trickle")


# A flipped bit is caught by the CRC of RTU framing; a Modbus TCP frame has no check sum of its own, TCP's guards it.
@pytest.mark.parametrize(
    ("fault", "framing"), [*((f, g) for f in FAULTS for g in Framing), ("flip", Framing.RTU_OVER_TCP)]
)
def test_every_network_fault_is_unreachable_and_heals(fault: str, framing: Framing) -> None:
    high, low = float_registers(2.5)
    with ModbusPlant(Unit(1, holding={0: high, 1: low}), framing=framing) as plant, FaultProxy(plant.port) as proxy:
        connector = connector_for(
            proxy.port, ModbusDevice(name="d", unit=1, points=(blanket(),)), framing=framing, timeout=0.2
        )
        assert values(connector)["blanket"][0] == 2.5
        proxy.mode = fault
        if fault == "refuse":
            proxy.sever()
        with pytest.raises(Unreachable):
            read_once(connector)
        proxy.mode = "pass"
        proxy.sever()
        # The first poll may meet the corpse of the old connection; the second may not.
        with contextlib.suppress(Unreachable):
            read_once(connector)
        assert values(connector)["blanket"][0] == 2.5
        connector.close()


def test_a_restarted_device_is_found_again() -> None:
    unit = Unit(1, holding={0: 5})
    plant = ModbusPlant(unit).start()
    connector = connector_for(
        plant.port, ModbusDevice(name="d", unit=1, points=(ModbusPoint(name="p", table=HOLDING, address=0),)), retries=1
    )
    assert values(connector)["p"][0] == 5.0
    plant.stop()
    with pytest.raises(Unreachable):
        read_once(connector)
    unit.holding[0] = 6
    again = ModbusPlant(unit, port=plant.port).start()
    assert values(connector)["p"][0] == 6.0
    again.stop()
    connector.close()


def test_a_device_killed_in_the_middle_of_it_all_is_found_again() -> None:
    port = free_port()

    def device(value: int) -> subprocess.Popen[str]:
        started = subprocess.Popen(
            [sys.executable, "-m", "tests.support.plant_servers", str(port), str(value)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert started.stdout is not None
        assert started.stdout.readline() == "listening\n"
        return started

    connector = connector_for(
        port, ModbusDevice(name="d", unit=1, points=(ModbusPoint(name="p", table=HOLDING, address=0),)), retries=1
    )
    for value in (5, 6):
        running = device(value)
        try:
            assert values(connector)["p"][0] == value
        finally:
            running.kill()
            running.communicate()
        with pytest.raises(Unreachable):
            read_once(connector)
    connector.close()


def test_a_late_answer_is_not_taken_for_the_next_one() -> None:
    # RTU framing has no transaction number: an answer that comes after its timeout must not serve the next request.
    unit = Unit(1, holding={0: 111, 500: 222})
    points = (ModbusPoint(name="a", table=HOLDING, address=0), ModbusPoint(name="b", table=HOLDING, address=500))
    with ModbusPlant(unit, framing="rtu_over_tcp") as plant, FaultProxy(plant.port) as proxy:
        connector = connector_for(
            proxy.port, ModbusDevice(name="d", unit=1, points=points), framing=Framing.RTU_OVER_TCP, timeout=0.2
        )
        proxy.delay = 0.35
        with pytest.raises(Unreachable):
            read_once(connector)
        proxy.delay = 0.0
        got = values(connector)
        assert (got["a"][0], got["b"][0]) == (111.0, 222.0)
        connector.close()


def test_only_read_codes_are_seen_on_the_wire() -> None:
    points = (
        blanket(),
        ModbusPoint(name="i", table=INPUT, address=0),
        ModbusPoint(name="c", table=COIL, address=0, type=ValueType.BIT),
        ModbusPoint(name="d", table=DISCRETE, address=0, type=ValueType.BIT),
    )
    unit = Unit(1, holding={0: 0, 1: 0}, inputs={0: 0}, coils={0: True}, discretes={0: True})
    with ModbusPlant(unit) as plant, FaultProxy(plant.port) as proxy:
        connector = connector_for(proxy.port, ModbusDevice(name="d", unit=1, points=points))
        read_once(connector)
        connector.probe()
        connector.close()
        stream = bytes(proxy.sent)
    codes = set()
    while stream:  # MBAP: bytes 4 and 5 are the length of what follows, byte 7 the function code
        length = int.from_bytes(stream[4:6], "big") + 6
        codes.add(stream[7])
        stream = stream[length:]
    assert codes == {1, 2, 3, 4}


def test_probe_shows_raw_scaled_and_suggests_the_order() -> None:
    high, low = float_registers(2.75)
    unit = Unit(1, holding={0: low, 1: high, 2: 12000})
    points = (
        blanket(low=0.0, high=6.0),
        ModbusPoint(
            name="loop", table=HOLDING, address=2, scaling=CurrentLoop(low=0, high=5, raw_4ma=4000, raw_20ma=20000)
        ),
        ModbusPoint(name="missing", table=HOLDING, address=40),
    )
    with ModbusPlant(unit) as plant:
        connector = connector_for(plant.port, ModbusDevice(name="d", unit=1, points=points))
        rows = {r.address: r for r in connector.probe()}
        connector.close()
    assert rows["blanket"].raw == f"{low:04X} {high:04X}"
    assert "byte order CDAB" in rows["blanket"].remark
    assert "2.75" in rows["blanket"].remark
    assert (rows["loop"].value, rows["loop"].raw, rows["loop"].remark) == (2.5, "2EE0", "")
    assert "unit 1 holding_register 2" in rows["loop"].place
    assert "illegal data address" in rows["missing"].remark
