"""The invented plant's live devices: a Modbus pump panel and an OPC UA server, both on this machine only."""

from __future__ import annotations

import asyncio
import socket
import struct
import threading
from collections.abc import Coroutine
from datetime import datetime
from typing import Any, TypeVar, cast

from asyncua import ua
from asyncua.common.node import Node
from asyncua.server.server import Server
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

T = TypeVar("T")
_PATIENCE_S = 30.0


class Devices:
    """Both devices, in one thread; use as a context manager.

    The panel's registers hold the return flows of tank 1 and 2 [MGD] as float32, most significant word first; the server's
    ``ns=2;s=Feed.Solids`` holds the mixed liquor's solids [mg/L].
    """

    def __init__(self) -> None:
        self.modbus_port, self.opcua_port = free_port(), free_port()
        self._registers = [0, 0, 0, 0]
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="demo devices", daemon=True)

    def __enter__(self) -> Devices:
        self._thread.start()
        self._run(self._start())
        return self

    def __exit__(self, *exc_info: object) -> None:
        self._run(self._stop())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_PATIENCE_S)
        self._loop.close()

    def show(self, returns: tuple[float, float], feed_solids: float, at: datetime) -> None:
        """What the devices show from now on.

        Parameters
        ----------
        returns : return flow of each tank. [MGD]
        feed_solids : solids of the mixed liquor. [mg/L]
        at : the source time the OPC UA server gives.
        """
        self._registers = [word for flow in returns for word in struct.unpack(">HH", struct.pack(">f", flow))]
        value = ua.DataValue(ua.Variant(feed_solids, ua.VariantType.Double), SourceTimestamp=cast("ua.DateTime", at))
        self._run(self._opcua.write_attribute_value(self._solids.nodeid, value))

    async def _start(self) -> None:
        device = SimDevice(1, simdata=[SimData(0, values=[0] * 4, datatype=DataType.REGISTERS)], action=self._answer)
        self._modbus = ModbusTcpServer([device], address=("127.0.0.1", self.modbus_port))
        await self._modbus.serve_forever(background=True)
        self._opcua = Server()
        await self._opcua.init()
        self._opcua.set_endpoint(f"opc.tcp://127.0.0.1:{self.opcua_port}/plant")
        await self._opcua.set_application_uri("urn:example.org:invented-plant")
        self._opcua.set_security_policy([ua.SecurityPolicyType.NoSecurity])
        index = await self._opcua.register_namespace("http://example.org/invented-plant")
        self._solids: Node = await self._opcua.nodes.objects.add_variable(
            ua.NodeId.from_string(f"ns={index};s=Feed.Solids"), "Feed solids", 0.0
        )
        await self._opcua.start()

    async def _stop(self) -> None:
        await self._opcua.stop()
        await self._modbus.shutdown()  # type: ignore[no-untyped-call]

    async def _answer(
        self, code: int, start: int, address: int, count: int, registers: list[int], written: Any
    ) -> ExcCodes | None:
        if address + count > len(self._registers):
            return ExcCodes.ILLEGAL_ADDRESS
        for place in range(address, address + count):
            registers[place - start] = self._registers[place]
        return None

    def _run(self, work: Coroutine[Any, Any, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(_PATIENCE_S)


def free_port() -> int:
    """A TCP port of the loopback interface that nothing listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
