"""Plant devices that run inside the tests, and the bad network in front of them. Everything here is invented."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import pickle
import random
import select
import socket
import struct
import sys
import threading
import time
from collections.abc import Coroutine
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar, cast

from asyncua import ua
from asyncua.common.node import Node
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from asyncua.ua.status_codes import StatusCodes
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

T = TypeVar("T")


#: Ports to choose from: below those that the kernel hands out by itself, of which one could be somebody's before the service takes it.
PORTS = range(20_000, 32_000)


def free_port() -> int:
    """A TCP port of the loopback interface that nothing listens on, and that no other test is given while this process lives."""
    chance = random.SystemRandom()  # every test begins with the same seed
    while True:
        port = chance.choice(PORTS)
        taken = socket.socket(socket.AF_UNIX)
        with socket.socket() as tried:
            try:
                taken.bind(f"\0underweir-test-port-{port}")  # a name without a file; it is gone with the process
                tried.bind(("127.0.0.1", port))
            except OSError:
                taken.close()
                continue
        taken.detach()
        return port


class LoopThread:
    """An asyncio loop in a thread of its own."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        asyncio.set_event_loop(self.loop)
        self.loop.run_forever()

    def call(self, work: Coroutine[Any, Any, T], timeout: float = 300.0) -> T:
        """Run *work* on the loop and wait for its result."""
        future: Future[T] = asyncio.run_coroutine_threadsafe(work, self.loop)
        return future.result(timeout)

    def stop(self) -> None:
        """Cancel what runs, close what is open and end the thread."""

        async def cancel() -> None:
            # A connection that has just been accepted belongs to nobody until its task has had a turn.
            await asyncio.sleep(0)
            tasks = [t for t in asyncio.all_tasks() if t is not asyncio.current_task()]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            # Servers close those they know, not those that come meanwhile; no public name of asyncio lists them all.
            for transport in list(self.loop._transports.values()):  # type: ignore[attr-defined]
                transport.abort()
            # Transports let go of their sockets in a callback: give it its turn.
            await asyncio.sleep(0)

        with contextlib.suppress(Exception):
            self.call(cancel())
        self.loop.call_soon_threadsafe(self.loop.stop)
        self._thread.join(120.0)
        self.loop.close()


class Unit:
    """One Modbus unit's memory, and how it misbehaves. Registers not listed do not exist."""

    def __init__(
        self,
        unit: int,
        *,
        holding: dict[int, int] | None = None,
        inputs: dict[int, int] | None = None,
        coils: dict[int, bool] | None = None,
        discretes: dict[int, bool] | None = None,
    ) -> None:
        self.unit = unit
        self.holding = dict(holding or {})
        self.inputs = dict(inputs or {})
        self.coils = dict(coils or {})
        self.discretes = dict(discretes or {})
        #: Seconds before each answer, and an exception code to answer with instead.
        self.delay = 0.0
        self.exception: ExcCodes | None = None
        self.requests: list[tuple[int, int, int]] = []

    def device(self) -> SimDevice:
        """The same as pymodbus wants it; this object's dictionaries stay in charge of the values."""

        def words(bank: dict[int, int]) -> list[SimData]:
            return [SimData(0, values=[0] * (max(bank, default=0) + 1), datatype=DataType.REGISTERS)]

        def bits(bank: dict[int, bool]) -> list[SimData]:
            return [SimData(0, values=[False] * (max(bank, default=0) // 16 * 16 + 16), datatype=DataType.BITS)]

        banks = (bits(self.coils), bits(self.discretes), words(self.holding), words(self.inputs))
        return SimDevice(self.unit, simdata=banks, action=self._action)

    async def _action(
        self,
        code: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        written: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        self.requests.append((code, address, count))
        if self.delay:
            await asyncio.sleep(self.delay)
        if self.exception is not None:
            return self.exception
        if code in (3, 4):
            bank = self.holding if code == 3 else self.inputs
            for a in range(address, address + count):
                if a not in bank:
                    return ExcCodes.ILLEGAL_ADDRESS
                registers[a - start] = bank[a]
        else:
            # pymodbus hands over 16-bit words of bits; count is in words here, so only their first bit is checked.
            bits = self.coils if code == 1 else self.discretes
            if address not in bits:
                return ExcCodes.ILLEGAL_ADDRESS
            for word in range(address // 16, address // 16 + count):
                registers[word - start] = sum(1 << b for b in range(16) if bits.get(word * 16 + b, False))
        return None


class ModbusPlant:
    """A Modbus server with its units, on a loopback port; can be stopped and started again on the same port."""

    def __init__(self, *units: Unit, framing: str = "tcp", port: int | None = None) -> None:
        self.units = {u.unit: u for u in units}
        self.port = port or free_port()
        self._framer = FramerType.RTU if framing == "rtu_over_tcp" else FramerType.SOCKET
        self._thread: LoopThread | None = None
        self._server: ModbusTcpServer | None = None

    def start(self) -> Self:
        """Listen."""
        self._thread = LoopThread()
        self._thread.call(self._listen())
        return self

    async def _listen(self) -> None:
        self._server = ModbusTcpServer(
            [u.device() for u in self.units.values()],
            framer=self._framer,
            address=("127.0.0.1", self.port),
            ignore_missing_devices=True,
        )
        await self._server.serve_forever(background=True)

    def stop(self) -> None:
        """Drop every connection and stop listening."""
        if self._thread is None or self._server is None:
            return
        self._thread.call(self._shut(self._server))
        self._thread.stop()
        self._thread = self._server = None

    async def _shut(self, server: ModbusTcpServer) -> None:
        # A connection that is just being accepted would leak its socket: let it arrive first.
        await asyncio.sleep(0.05)
        await server.shutdown()  # type: ignore[no-untyped-call]

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class FaultProxy:
    """A TCP hop that records what the client sends and can spoil what the server answers.

    ``mode`` is one of: ``pass``; ``refuse`` (close at once); ``swallow`` (requests go nowhere, nothing comes back);
    ``drop`` (close when the answer comes); ``garbage`` (random bytes instead of the answer); ``cut`` (half the answer,
    then nothing); ``flip`` (one bit of the answer wrong); ``trickle`` (one byte of rubbish every 20 ms, for ever).
    """

    def __init__(self, target: int, seed: int = 1) -> None:
        self.mode = "pass"
        self.delay = 0.0
        self.sent = bytearray()
        self.requests: list[bytes] = []
        self.connections = 0
        self._target = target
        self._random = random.Random(seed)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.1)
        self.port = int(self._listener.getsockname()[1])
        self._over = threading.Event()
        self._live: set[socket.socket] = set()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        while not self._over.is_set():
            try:
                client, _ = self._listener.accept()
            except (TimeoutError, OSError):
                continue
            self.connections += 1
            if self.mode == "refuse":
                client.close()
                continue
            threading.Thread(target=self._carry, args=(client,), daemon=True).start()

    def _carry(self, client: socket.socket) -> None:
        try:
            server = socket.create_connection(("127.0.0.1", self._target), timeout=5.0)
        except OSError:
            client.close()
            return
        self._live |= {client, server}
        try:
            while not self._over.is_set():
                for ready in select.select([client, server], [], [], 0.1)[0]:
                    data = ready.recv(65_536)
                    if not data:
                        return
                    if ready is client:
                        self.sent += data
                        self.requests.append(data)
                        if self.mode != "swallow":
                            server.sendall(data)
                    elif not self._answer(client, data):
                        return
        except (OSError, ValueError):
            return
        finally:
            client.close()
            server.close()
            self._live -= {client, server}

    def _answer(self, client: socket.socket, data: bytes) -> bool:
        if self.delay:
            time.sleep(self.delay)
        match self.mode:
            case "drop":
                return False
            case "garbage":
                client.sendall(self._random.randbytes(len(data)))
            case "cut":
                client.sendall(data[: len(data) // 2])
            case "flip":
                spoiled = bytearray(data)
                spoiled[-1] ^= 0x10
                client.sendall(spoiled)
            case "trickle":
                while not self._over.wait(0.02) and self.mode == "trickle":
                    client.sendall(b"\xff")
            case _:
                client.sendall(data)
        return True

    def sever(self) -> None:
        """Cut every connection that is open now."""
        for s in list(self._live):
            with contextlib.suppress(OSError):
                s.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Stop for good."""
        self._over.set()
        self.sever()
        self._listener.close()
        self._thread.join(120.0)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def float_registers(value: float) -> list[int]:
    """The two registers of a float32, most significant word first."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [high, low]


class QuickInternalServer(InternalServer):
    """asyncua's server core, which builds the standard's thousands of nodes once and copies them from then on."""

    _standard: bytes | None = None

    async def load_standard_address_space(self, shelf_file: Path | None = None) -> None:
        """The standard address space, from the copy when there is one."""
        # Thousands of small objects at once: the collector would walk them over and over.
        gc.disable()
        try:
            if QuickInternalServer._standard is None:
                await super().load_standard_address_space(shelf_file)
                QuickInternalServer._standard = pickle.dumps(self.aspace._nodes, pickle.HIGHEST_PROTOCOL)
            else:
                self.aspace._nodes = pickle.loads(QuickInternalServer._standard)
        finally:
            gc.freeze()
            gc.enable()


class OpcuaPlant(UserManager):
    """An OPC UA server with numbered level variables ``ns=2;s=Level0`` …; can be stopped and started on the same port."""

    NAMESPACE = "http://example.org/plant"

    def __init__(
        self,
        items: int = 3,
        *,
        port: int | None = None,
        history: bool = False,
        certificate: tuple[Path, Path] | None = None,
        policies: tuple[ua.SecurityPolicyType, ...] = (ua.SecurityPolicyType.NoSecurity,),
        users: dict[str, str] | None = None,
        user_certificate: bytes | None = None,
        subscriptions: bool = True,
    ) -> None:
        self.port = port or free_port()
        self.items = items
        self._history = history
        self._certificate = certificate
        self._policies = policies
        self._users = users
        self._user_certificate = user_certificate
        self._subscriptions = subscriptions
        self._thread: LoopThread | None = None
        self.server: Server | None = None
        self.nodes: list[Node] = []

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"opc.tcp://127.0.0.1:{self.port}/plant"

    def start(self) -> Self:
        """Listen."""
        self._thread = LoopThread()
        self._thread.call(self._start())
        return self

    async def _start(self) -> None:
        server = Server(QuickInternalServer(user_manager=self))
        await server.init()
        server.set_endpoint(self.url)
        await server.set_application_uri("urn:example.org:plant")
        if self._certificate is not None:
            certificate, key = self._certificate
            await server.load_certificate(str(certificate))
            await server.load_private_key(str(key))
        server.set_security_policy(list(self._policies))
        tokens: list[type] = [ua.AnonymousIdentityToken]
        if self._users is not None:
            tokens = [ua.UserNameIdentityToken]
        if self._user_certificate is not None:
            tokens = [ua.X509IdentityToken]
        server.set_identity_tokens(tokens)
        index = await server.register_namespace(self.NAMESPACE)
        folder = await server.nodes.objects.add_object(index, "Tanks")
        self.nodes = [
            await folder.add_variable(ua.NodeId.from_string(f"ns={index};s=Level{i}"), f"Level{i}", 1.0)
            for i in range(self.items)
        ]
        if not self._subscriptions:

            async def refuse(*_: object, **__: object) -> None:
                raise ServiceError(StatusCodes.BadServiceUnsupported)

            server.iserver.subscription_service.create_subscription = refuse  # type: ignore[method-assign,assignment]
        await server.start()
        self.server = server
        if self._history:
            for node in self.nodes:
                await server.historize_node_data_change(node, period=timedelta(days=1), count=100_000)

    def get_user(
        self,
        iserver: object,
        username: str | None = None,
        password: str | None = None,
        certificate: bytes | None = None,
    ) -> User | None:
        """Whether somebody may come in (the server asks)."""
        if self._users is not None and (username is None or self._users.get(username) != password):
            return None
        if self._user_certificate is not None and certificate != self._user_certificate:
            return None
        return User(role=UserRole.User)

    def settle(self) -> None:
        """Every item at 1.0, as of now."""
        for item in range(self.items):
            self.write(item, 1.0, at=datetime.now(UTC))

    def write(
        self,
        item: int,
        value: float | None,
        *,
        at: datetime | None = None,
        server_at: datetime | None = None,
        status: int = 0,
    ) -> None:
        """Set one item, with the times and the status given."""
        assert self._thread is not None
        held = ua.Variant(value, ua.VariantType.Double) if value is not None else ua.Variant()
        data = ua.DataValue(
            held,
            ua.StatusCode(ua.UInt32(status)),
            SourceTimestamp=cast("ua.DateTime | None", at),
            ServerTimestamp=cast("ua.DateTime | None", server_at),
        )
        self._thread.call(self._write(item, data))

    def await_history(self, item: int, at: datetime) -> None:
        """Wait until the server's history, written behind and in order, holds the value an item was given for that time."""
        assert self._thread is not None
        deadline = time.monotonic() + 300.0
        while time.monotonic() < deadline:
            if self._thread.call(self.nodes[item].read_raw_history(at, at + timedelta(milliseconds=1), 10)):
                return
            time.sleep(0.05)
        raise TimeoutError(f"the history of item {item} holds nothing of {at:%H:%M:%S}")

    def write_all(self, value: float, at: datetime) -> None:
        """Set every item at once."""
        assert self._thread is not None

        async def write() -> None:
            for item in range(self.items):
                held = ua.Variant(value + item, ua.VariantType.Double)
                await self._write(item, ua.DataValue(held, SourceTimestamp=cast("ua.DateTime", at)))

        self._thread.call(write(), timeout=60.0)

    async def _write(self, item: int, data: ua.DataValue) -> None:
        assert self.server is not None
        await self.server.write_attribute_value(self.nodes[item].nodeid, data)

    def stop(self) -> None:
        """Drop every session and stop listening."""
        if self._thread is None or self.server is None:
            return
        with contextlib.suppress(Exception):
            self._thread.call(self.server.stop())
        self._thread.stop()
        self._thread = self.server = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


if __name__ == "__main__":
    ModbusPlant(Unit(1, holding={0: int(sys.argv[2])}), port=int(sys.argv[1])).start()
    print("listening", flush=True)
    threading.Event().wait()
