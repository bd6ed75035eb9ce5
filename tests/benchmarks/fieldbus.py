"""What live sources cost: 2,000 Modbus registers on 40 devices and 2,000 OPC UA items, all once a second.

    python -m tests.benchmarks.fieldbus                        one minute a way, embedded database
    python -m tests.benchmarks.fieldbus --seconds 20 --ways modbus opcua
    UNDERWEIR_DATABASE_URL=postgresql://… python -m tests.benchmarks.fieldbus

The devices and servers run in a process of their own, and so does each way; CPU share is that of the reading process alone,
in percent of one core, database and servers not counted. Latency runs from source timestamp (Modbus: the answer's arrival)
to the committed row. The bare ways do the same reads with the client library and throw the values away. All values are
invented.

modbus         40 lines of 50 registers → connector → supervisor → ingest → PostgreSQL
bare modbus    40 threads, one read of 50 registers each a second
opcua          2,000 items that change every second → subscription → connector → supervisor → ingest → PostgreSQL
bare opcua     the same subscription, its values dropped as they come
both           modbus and opcua together
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from asyncua import ua
from asyncua.client.client import Client
from asyncua.common.subscription import DataChangeEvent
from pymodbus.client import ModbusTcpClient

from connectors.base import Connector, Delivery
from connectors.modbus.connector import ModbusConnector
from connectors.modbus.points import ModbusDevice, ModbusLine, ModbusPoint, RegisterTable
from connectors.opcua.connector import OpcuaConnector
from connectors.opcua.items import OpcuaItem, OpcuaSource
from service.domain.blanket.estimate import TankSetup
from service.domain.plant.signal import Signal, SignalKind
from service.jobs.ingest import IngestStep, Plant, ingest
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.status import StatusWriter
from service.jobs.ingest.supervise import SupervisedSource, Supervisor
from service.storage.database.schema import migrate
from service.storage.database.session import make_engine, transaction
from service.storage.plant.site_tables import sync_site
from service.storage.readings.spool import Spool
from tests.benchmarks.ingest import _server
from tests.support.alarm_plant import alarm_setup
from tests.support.plant import TANKS
from tests.support.plant_servers import ModbusPlant, OpcuaPlant, Unit
from tests.support.stopping import in_order

DEVICES, REGISTERS, ITEMS = 40, 50, 2_000
WAYS = ("modbus", "bare modbus", "opcua", "bare opcua", "both")
#: Connecting and subscribing are not what is measured.
SETTLE_S = 5


def main() -> None:
    """Run all ways and print one table."""
    arguments = argparse.ArgumentParser(description="Benchmark of live sources.")
    arguments.add_argument("--seconds", type=int, default=60)
    arguments.add_argument("--ways", nargs="+", choices=WAYS, default=WAYS)
    arguments.add_argument("--json", action="store_true")
    arguments.add_argument("--serve", choices=("modbus", "opcua"), help=argparse.SUPPRESS)
    arguments.add_argument("--one", nargs=3, metavar=("WAY", "URL", "PORTS"), help=argparse.SUPPRESS)
    given = arguments.parse_args()
    if given.serve:
        _serve(given.serve)
        return
    if given.one:
        way, url, ports = given.one
        print(json.dumps(_measure(way, url, json.loads(ports), given.seconds)))
        return
    rows = []
    with tempfile.TemporaryDirectory(prefix="underweir-bench-") as folder, _server(Path(folder)) as url:
        for way in given.ways:
            with _plant(way) as ports:
                rows.append(_run(way, url, ports, given.seconds))
    if given.json:
        print(json.dumps(rows))
        return
    print(f"{'way':12} {'values/s':>9} {'CPU %':>6} {'latency ms: median':>19} {'95 %':>7} {'worst':>7}")
    for row in rows:
        times = [f"{row[k]:.0f}" if row[k] is not None else "-" for k in ("median_ms", "p95_ms", "worst_ms")]
        print(
            f"{row['way']:12} {row['values_per_s']:9.0f} {row['cpu_percent']:6.1f} {times[0]:>19} {times[1]:>7} {times[2]:>7}"
        )


def _run(way: str, url: str, ports: dict[str, list[int]], seconds: int) -> dict[str, Any]:
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.benchmarks.fieldbus",
            "--seconds",
            str(seconds),
            "--one",
            way,
            url,
            json.dumps(ports),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    row: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return row


@contextmanager
def _plant(way: str) -> Iterator[dict[str, list[int]]]:
    kinds = [k for k in ("modbus", "opcua") if k in way or way == "both"]
    servers = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.fieldbus", "--serve", kind],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for kind in kinds
    ]
    try:
        ports = {}
        for kind, server in zip(kinds, servers, strict=True):
            assert server.stdout is not None
            ports[kind] = json.loads(server.stdout.readline())
        yield ports
    finally:
        for server in servers:
            server.kill()
            server.communicate()


def _serve(kind: str) -> None:
    """Devices until the parent goes."""
    if kind == "modbus":
        plants = [
            ModbusPlant(Unit(1, holding={a: random.randrange(65_536) for a in range(REGISTERS)})).start()
            for _ in range(DEVICES)
        ]
        print(json.dumps([p.port for p in plants]), flush=True)
        sys.stdin.read()
        return
    server = OpcuaPlant(ITEMS).start()
    print(json.dumps([server.port]), flush=True)
    threading.Thread(target=lambda: (sys.stdin.read(), sys.exit()), daemon=True).start()
    value = 0.0
    while True:
        begun = time.monotonic()
        value += 1.0
        server.write_all(value, datetime.now(UTC))
        time.sleep(max(0.0, 1.0 - (time.monotonic() - begun)))


def _measure(way: str, url: str, ports: dict[str, list[int]], seconds: int) -> dict[str, Any]:
    count = [0]
    latencies: list[np.ndarray[Any, np.dtype[np.float64]]] = []
    if way == "bare modbus":
        stop = _bare_modbus(ports["modbus"], count)
    elif way == "bare opcua":
        stop = _bare_opcua(ports["opcua"][0], count)
    else:
        stop = _whole(url, ports, count, latencies)
    time.sleep(SETTLE_S)
    count[0], latencies[:] = 0, []
    cpu, begun = time.process_time(), time.monotonic()
    time.sleep(seconds)
    spent, took, values = time.process_time() - cpu, time.monotonic() - begun, count[0]
    waits = np.concatenate(latencies) * 1e3 if latencies else None
    stop()
    return {
        "way": way,
        "values_per_s": values / took,
        "cpu_percent": 100.0 * spent / took,
        "median_ms": None if waits is None else float(np.median(waits)),
        "p95_ms": None if waits is None else float(np.percentile(waits, 95)),
        "worst_ms": None if waits is None else float(waits.max()),
    }


def _whole(url: str, ports: dict[str, list[int]], count: list[int], latencies: list[Any]) -> Callable[[], None]:
    def clock() -> datetime:
        return datetime.now(UTC)

    connectors: list[Connector] = []
    tags: list[str] = []
    for number, port in enumerate(ports.get("modbus", [])):
        points = tuple(
            ModbusPoint(name=f"M{number}.{a}", table=RegisterTable.HOLDING_REGISTER, address=a)
            for a in range(REGISTERS)
        )
        tags += [p.name for p in points]
        device = ModbusDevice(name="d", unit=1, points=points)
        connectors.append(
            ModbusConnector(ModbusLine(key=f"line{number}", host="127.0.0.1", port=port, devices=(device,)), clock)
        )
    for port in ports.get("opcua", []):
        items = tuple(OpcuaItem(name=f"U{i}", node=f"ns=2;s=Level{i}") for i in range(ITEMS))
        tags += [i.name for i in items]
        source = OpcuaSource(key="plc", endpoint=f"opc.tcp://127.0.0.1:{port}/plant", items=items, timeout=10.0)
        connectors.append(OpcuaConnector(source, clock))
    engine = make_engine(url, application_name="bench", pool_size=20)
    migrate(engine)
    signals = [Signal(tag=tag, kind=SignalKind.STATUS, tank=None, unit="state") for tag in tags]
    with transaction(engine) as conn:
        ids = sync_site(conn, TANKS, signals)
    plant = Plant(
        setups=[TankSetup(tank=t, blankets=()) for t in TANKS],
        signals={s.tag: s for s in signals},
        ids=ids,
        alarms=alarm_setup(),
    )

    def on_step(step: IngestStep, delivery: Delivery) -> None:
        if step is IngestStep.COMMITTED:
            count[0] += len(delivery.samples)
            latencies.append(time.time() - delivery.samples.time_us / 1e6)

    folder = tempfile.mkdtemp(prefix="underweir-bench-spool-")
    sources = [ForwardingSource(c, Spool(Path(folder) / c.key, max_bytes=1 << 24)) for c in connectors]

    def supervised(source: ForwardingSource) -> SupervisedSource:
        return SupervisedSource(
            key=source.key,
            read=lambda: ingest(source, plant, engine, clock, on_step=on_step),
            every=timedelta(seconds=1),
            poll_to_spool=source.poll_to_spool,
            report=StatusWriter(engine, source, clock).write,
            close=source.close,
        )

    supervisor = Supervisor([supervised(s) for s in sources], clock=clock, draw=random.random)
    supervisor.start()

    def stop() -> None:
        supervisor.stop()
        engine.dispose()

    return stop


def _bare_modbus(ports: list[int], count: list[int]) -> Callable[[], None]:
    over = threading.Event()

    def read(port: int) -> None:
        with ModbusTcpClient("127.0.0.1", port=port) as client:
            while not over.is_set():
                begun = time.monotonic()
                count[0] += len(client.read_holding_registers(0, count=REGISTERS, device_id=1).registers)
                over.wait(max(0.0, 1.0 - (time.monotonic() - begun)))

    for port in ports:
        threading.Thread(target=read, args=(port,), daemon=True).start()
    return over.set


def _bare_opcua(port: int, count: list[int]) -> Callable[[], None]:
    async def listen() -> None:
        async with Client(f"opc.tcp://127.0.0.1:{port}/plant", timeout=10.0, watchdog_intervall=10.0) as client:
            subscription = await client.create_subscription(1000, handler=None, queue_maxsize=0)
            nodes = [client.get_node(f"ns=2;s=Level{i}") for i in range(ITEMS)]
            await subscription.subscribe_data_change(nodes, queuesize=10, sampling_interval=ua.Duration(1000))
            async for event in subscription:
                if isinstance(event, DataChangeEvent):
                    count[0] += 1

    threading.Thread(target=lambda: asyncio.run(listen()), daemon=True).start()
    return lambda: None


if __name__ == "__main__":
    in_order(main)
