"""One read-only Modbus connection: checks every frame that is sent and every response."""

from __future__ import annotations

from enum import IntEnum
from types import TracebackType
from typing import Self

from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerType
from pymodbus.pdu import ExceptionResponse, ModbusPDU

from connectors.errors import ConnectorError, Malformed, Refused, Unreachable
from connectors.modbus.points import Framing, ModbusLine, RegisterTable
from connectors.modbus.registers import ReadRequest

#: Function codes that read (V1.1b3, 6.1 to 6.4). Nothing else ever leaves this process.
READ_CODES = {
    RegisterTable.COIL: 0x01,
    RegisterTable.DISCRETE_INPUT: 0x02,
    RegisterTable.HOLDING_REGISTER: 0x03,
    RegisterTable.INPUT_REGISTER: 0x04,
}
_ALLOWED = frozenset(READ_CODES.values())


class ExceptionCode(IntEnum):
    """Exception codes of V1.1b3, section 7, by the names the specification gives them."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND = 0x0B


#: Codes for which the same request may succeed later.
_TRANSIENT = frozenset(
    {
        ExceptionCode.SERVER_DEVICE_FAILURE,
        ExceptionCode.ACKNOWLEDGE,
        ExceptionCode.SERVER_DEVICE_BUSY,
        ExceptionCode.MEMORY_PARITY_ERROR,
        ExceptionCode.GATEWAY_PATH_UNAVAILABLE,
        ExceptionCode.GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND,
    }
)

_REMEDY: dict[int, str] = {
    ExceptionCode.ILLEGAL_FUNCTION: "The device does not offer this table; try the other register table.",
    ExceptionCode.ILLEGAL_DATA_ADDRESS: "Check the address against the device's list; manuals often count from 1.",
    ExceptionCode.ILLEGAL_DATA_VALUE: "The device does not allow so many registers in one request; lower max_registers.",
    ExceptionCode.GATEWAY_PATH_UNAVAILABLE: "Check the gateway's settings for this unit number.",
    ExceptionCode.GATEWAY_TARGET_DEVICE_FAILED_TO_RESPOND: "Check the device's power, wiring and unit number.",
}


def exception_name(code: int) -> str:
    """An exception code with its name in the specification.

    >>> exception_name(2)
    'exception 02 (illegal data address)'
    """
    try:
        return f"exception {code:02X} ({ExceptionCode(code).name.lower().replace('_', ' ')})"
    except ValueError:
        return f"exception {code:02X} (not in the specification)"


class WriteBlocked(ConnectorError):
    """A Modbus request that is not a read was to be sent, and was not."""


class ReadOnlyLine:
    """A connection to one line's TCP endpoint, opened when first needed.

    It is closed after a timeout or a garbled response: with RTU framing a late response cannot be told from the response to the
    next request.
    """

    def __init__(self, line: ModbusLine) -> None:
        self._line = line
        self._client = ModbusTcpClient(
            line.host,
            port=line.port,
            framer=FramerType.RTU if line.framing is Framing.RTU_OVER_TCP else FramerType.SOCKET,
            timeout=line.timeout,
            retries=0,
            trace_pdu=self._guard_request,
            trace_packet=self._guard_frame,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def connected(self) -> bool:
        """Whether the connection is open, as far as is known."""
        return bool(self._client.connected)

    def connect(self) -> None:
        """Open the connection unless it is open.

        Raises
        ------
        Unreachable
            when nothing accepts the connection within the line's timeout.
        """
        if not self._client.connect():  # type: ignore[no-untyped-call]
            raise Unreachable(
                self._line.key,
                f"{self._line.host}:{self._line.port} does not accept a connection within {self._line.timeout:g} s.",
                "Check the network, the address and whether the device allows one more client.",
            )

    def close(self) -> None:
        """Close the connection; safe to call again."""
        self._client.close()  # type: ignore[no-untyped-call]

    def read(self, unit: int, request: ReadRequest) -> list[int]:
        """The registers or bits (0 or 1) that *request* names, from *unit*.

        Raises
        ------
        Unreachable
            when no valid answer came, the line's retries included.
        Refused
            when the device answered with an exception code.
        Malformed
            when the answer does not fit the request.
        """
        last: ConnectorError | None = None
        for _ in range(self._line.retries + 1):
            try:
                return self._read_once(unit, request)
            except Refused:
                raise
            except ConnectorError as exc:
                self.close()
                last = exc
        assert last is not None
        raise last

    def _read_once(self, unit: int, request: ReadRequest) -> list[int]:
        where = f"{self._line.key} unit {unit}"
        self.connect()
        try:
            answer = self._send(unit, request)
        except (ModbusException, OSError) as exc:
            raise Unreachable(
                where, f"no valid answer within {self._line.timeout:g} s ({_message(exc)}).", "Check the unit number."
            ) from exc
        if isinstance(answer, ExceptionResponse):
            raise _refused(where, request, answer.exception_code)
        if answer.function_code != READ_CODES[request.table]:
            raise Malformed(where, f"asked for {request.table} and was answered with function {answer.function_code}.")
        values = [int(b) for b in answer.bits[: request.count]] if request.table.is_bits else list(answer.registers)
        if len(values) != request.count:
            raise Malformed(where, f"asked for {request.count} of {request.table} and got {len(values)}.")
        return values

    def _send(self, unit: int, request: ReadRequest) -> ModbusPDU:
        client = self._client
        match request.table:
            case RegisterTable.COIL:
                return client.read_coils(request.address, count=request.count, device_id=unit)
            case RegisterTable.DISCRETE_INPUT:
                return client.read_discrete_inputs(request.address, count=request.count, device_id=unit)
            case RegisterTable.HOLDING_REGISTER:
                return client.read_holding_registers(request.address, count=request.count, device_id=unit)
            case RegisterTable.INPUT_REGISTER:
                return client.read_input_registers(request.address, count=request.count, device_id=unit)

    def _guard_request(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if sending and pdu.function_code not in _ALLOWED:
            raise self._blocked(pdu.function_code)
        return pdu

    def _guard_frame(self, sending: bool, frame: bytes) -> bytes:
        # A second check, of the bytes: the function code follows the unit number in both framings.
        if sending:
            code = frame[1] if self._line.framing is Framing.RTU_OVER_TCP else frame[7]
            if code not in _ALLOWED:
                raise self._blocked(code)
        return frame

    def _blocked(self, code: int) -> WriteBlocked:
        return WriteBlocked(self._line.key, f"function code {code:02X} is not a read and was not sent.")


def _refused(where: str, request: ReadRequest, code: int) -> Refused:
    return Refused(
        where,
        f"{exception_name(code)} for {request.count} of {request.table} from {request.address}.",
        _REMEDY.get(code, ""),
        code=code,
        retryable=code in _TRANSIENT,
    )


def _message(exc: Exception) -> str:
    text = str(exc).removeprefix("Modbus Error: ").strip()
    return text or type(exc).__name__
