"""Wire frames against the specification's worked examples, and the lock that lets only reads out."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from pymodbus.framer import FramerRTU

from connectors.errors import Refused, Unreachable
from connectors.modbus.connection import ExceptionCode, ReadOnlyLine, WriteBlocked, exception_name
from connectors.modbus.points import Framing, ModbusDevice, ModbusLine, RegisterTable
from connectors.modbus.registers import ReadRequest

H, I = RegisterTable.HOLDING_REGISTER, RegisterTable.INPUT_REGISTER  # noqa: E741  (the specification's own letters)


@contextmanager
def answering(*answers: str) -> Iterator[tuple[int, list[bytes]]]:
    """A socket that gives canned answers (hex) to whatever comes, and keeps what came."""
    received: list[bytes] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with peer:
                for answer in answers:
                    data = peer.recv(300)
                    if not data:
                        return
                    received.append(data)
                    peer.sendall(bytes.fromhex(answer))
                peer.recv(1)

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield listener.getsockname()[1], received


def line(port: int, framing: Framing = Framing.TCP, **more: object) -> ModbusLine:
    settings: dict[str, object] = {"timeout": 0.3, "retries": 0, **more}
    return ModbusLine(
        key="plc",
        host="127.0.0.1",
        port=port,
        framing=framing,
        devices=(ModbusDevice(name="d", unit=0x11, points=()),),
        **settings,  # type: ignore[arg-type]
    )


def test_function_03_over_tcp_is_the_worked_example() -> None:
    # MODBUS Application Protocol V1.1b3, 6.3: registers 108 to 110 hold 555, 0, 100. MBAP header from the Messaging on
    # TCP/IP guide: transaction 1, protocol 0, length 6, unit 0x11.
    with (
        answering("00 01 00 00 00 09 11 03 06 02 2B 00 00 00 64") as (port, received),
        ReadOnlyLine(line(port)) as wire,
    ):
        assert wire.read(0x11, ReadRequest(H, 0x6B, 3)) == [555, 0, 100]
    assert received == [bytes.fromhex("00 01 00 00 00 06 11 03 00 6B 00 03")]


def test_function_04_over_tcp_is_the_worked_example() -> None:
    # V1.1b3, 6.4: input register 9 holds 10.
    with answering("00 01 00 00 00 05 11 04 02 00 0A") as (port, received), ReadOnlyLine(line(port)) as wire:
        assert wire.read(0x11, ReadRequest(I, 8, 1)) == [10]
    assert received == [bytes.fromhex("00 01 00 00 00 06 11 04 00 08 00 01")]


def test_function_03_over_rtu_framing_with_its_crc() -> None:
    # Same request on RTU: CRC 76 87 for unit 0x11; answer CRC C8 BA (recomputed with CRC-16/MODBUS).
    with (
        answering("11 03 06 02 2B 00 00 00 64 C8 BA") as (port, received),
        ReadOnlyLine(line(port, Framing.RTU_OVER_TCP)) as wire,
    ):
        assert wire.read(0x11, ReadRequest(H, 0x6B, 3)) == [555, 0, 100]
    assert received == [bytes.fromhex("11 03 00 6B 00 03 76 87")]


def test_function_04_over_rtu_framing() -> None:
    with (
        answering("11 04 02 00 0A F8 F4") as (port, received),
        ReadOnlyLine(line(port, Framing.RTU_OVER_TCP)) as wire,
    ):
        assert wire.read(0x11, ReadRequest(I, 8, 1)) == [10]
    assert received == [bytes.fromhex("11 04 00 08 00 01 B2 98")]


def test_functions_01_and_02_are_the_worked_examples() -> None:
    # V1.1b3, 6.1: coils 20 to 38 answer CD 6B 05; 6.2: inputs 197 to 218 answer AC DB 35. Least significant bit first.
    with (
        answering("00 01 00 00 00 06 11 01 03 CD 6B 05", "00 02 00 00 00 06 11 02 03 AC DB 35") as (port, received),
        ReadOnlyLine(line(port)) as wire,
    ):
        coils = wire.read(0x11, ReadRequest(RegisterTable.COIL, 0x13, 0x13))
        inputs = wire.read(0x11, ReadRequest(RegisterTable.DISCRETE_INPUT, 0xC4, 0x16))
    assert coils == [int(b) for b in "1011001111010110101"[:19]]
    assert inputs == [int(b) for b in "0011010111011011101011"]
    assert [r[7:] for r in received] == [bytes.fromhex("01 00 13 00 13"), bytes.fromhex("02 00 C4 00 16")]


def test_crc_check_value() -> None:
    # CRC-16/MODBUS in the catalogue of parametrised CRC algorithms: check("123456789") = 0x4B37, low byte sent first.
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B


@pytest.mark.parametrize("bad_crc", ["11 03 06 02 2B 00 00 00 64 C8 BB", "11 03 06 02 2B 00 01 00 64 C8 BA"])
def test_a_frame_with_a_wrong_crc_is_no_answer(bad_crc: str) -> None:
    with (
        answering(bad_crc) as (port, _),
        ReadOnlyLine(line(port, Framing.RTU_OVER_TCP)) as wire,
        pytest.raises(Unreachable, match="no valid answer"),
    ):
        wire.read(0x11, ReadRequest(H, 0x6B, 3))


def test_an_exception_is_named() -> None:
    # V1.1b3, 6.3: exception 02 to function 03 is 83 02.
    with (
        answering("00 01 00 00 00 03 11 83 02") as (port, _),
        ReadOnlyLine(line(port)) as wire,
        pytest.raises(Refused, match=r"exception 02 \(illegal data address\) for 3 of holding_register from 107"),
    ):
        wire.read(0x11, ReadRequest(H, 0x6B, 3))


@pytest.mark.parametrize(
    ("code", "name", "retryable"),
    # V1.1b3, section 7, table of exception codes.
    [
        (0x01, "illegal function", False),
        (0x02, "illegal data address", False),
        (0x03, "illegal data value", False),
        (0x04, "server device failure", True),
        (0x05, "acknowledge", True),
        (0x06, "server device busy", True),
        (0x08, "memory parity error", True),
        (0x0A, "gateway path unavailable", True),
        (0x0B, "gateway target device failed to respond", True),
        (0x77, "not in the specification", False),
    ],
)
def test_every_exception_code_by_name(code: int, name: str, retryable: bool) -> None:
    assert name in exception_name(code)
    with (
        answering(f"00 01 00 00 00 03 11 83 {code:02X}") as (port, _),
        ReadOnlyLine(line(port)) as wire,
        pytest.raises(Refused) as caught,
    ):
        wire.read(0x11, ReadRequest(H, 0, 1))
    assert caught.value.code == code
    assert caught.value.retryable is retryable


def test_exception_codes_are_all_of_the_specification() -> None:
    assert {int(c) for c in ExceptionCode} == {1, 2, 3, 4, 5, 6, 8, 10, 11}


@pytest.mark.parametrize(
    "answer",
    [
        "00 01 00 00 00 05 11 03 02 00 0A",  # one register instead of three
        "00 01 00 00 00 09 11 04 06 02 2B 00 00 00 64",  # another function
        "00 01 00 00 00 09 12 03 06 02 2B 00 00 00 64",  # another unit
        "00 07 00 00 00 09 11 03 06 02 2B 00 00 00 64",  # another transaction
        "00 01 00 63 00 09 11 03 06 02 2B 00 00 00 64",  # another protocol
        "00 01 00 00 00 09 11 03 FF 02 2B 00 00 00 64",  # byte count beyond the frame
        "00 01 00 00 00 02 11 63",  # no such function
    ],
)
def test_an_answer_that_does_not_fit_is_never_taken(answer: str) -> None:
    with answering(answer) as (port, _), ReadOnlyLine(line(port)) as wire, pytest.raises(Exception) as caught:  # noqa: PT011
        wire.read(0x11, ReadRequest(H, 0x6B, 3))
    assert type(caught.value).__name__ in ("Unreachable", "Malformed")


WRITES = [
    ("write_coil", (0, True)),
    ("write_register", (0, 1)),
    ("write_coils", (0, [True])),
    ("write_registers", (0, [1])),
    ("mask_write_register", ()),
    ("write_file_record", ([],)),
]


@pytest.mark.parametrize("framing", list(Framing))
@pytest.mark.parametrize(("call", "arguments"), WRITES)
def test_no_write_leaves_the_process(call: str, arguments: tuple[object, ...], framing: Framing) -> None:
    with answering("") as (port, received):
        wire = ReadOnlyLine(line(port, framing))
        with pytest.raises(WriteBlocked, match="not a read"):
            getattr(wire._client, call)(*arguments, device_id=1)
        wire.close()
    assert received == []


@pytest.mark.parametrize("framing", list(Framing))
def test_every_function_code_but_four_is_stopped_at_the_frame(framing: Framing) -> None:
    wire = ReadOnlyLine(line(1, framing))
    passed = []
    for code in range(256):
        frame = bytes([0, 1, 0, 0, 0, 6, 1, code, 0, 0, 0, 1]) if framing is Framing.TCP else bytes([1, code, 0, 0])
        try:
            assert wire._guard_frame(True, frame) == frame
        except WriteBlocked:
            continue
        passed.append(code)
    # V1.1b3, 6.1 to 6.4: read coils, discrete inputs, holding registers, input registers.
    assert passed == [1, 2, 3, 4]
