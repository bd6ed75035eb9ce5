"""Live sources under fault after fault: every sample is stored, spooled or reported lost, and the sums agree.

A Modbus device and an OPC UA server stand behind hops that refuse, swallow, garble and cut; the database goes away and
comes back; the service is stopped and started. All of it invented, with a fixed seed.
"""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from sqlalchemy import Engine, event, text

from connectors.base import Connector, Delivery
from connectors.modbus.connector import ModbusConnector
from connectors.modbus.points import ModbusDevice, ModbusLine, ModbusPoint, RegisterTable
from connectors.opcua.connector import OpcuaConnector
from connectors.opcua.items import OpcuaItem, OpcuaSource
from service.jobs.ingest import Plant, ingest
from service.jobs.ingest.forward import ForwardingSource
from service.jobs.ingest.status import StatusWriter
from service.jobs.ingest.supervise import SupervisedSource, Supervisor
from service.storage.database.session import make_engine, transaction
from service.storage.readings.connector_state import ConnectorHealth, connector_health
from service.storage.readings.spool import Spool
from tests.support.ingest_victim import plant as described_plant
from tests.support.plant import describe
from tests.support.plant_servers import FaultProxy, ModbusPlant, OpcuaPlant, Unit

SEED = 20260301


class Ticking:
    """A clock that never tells the same time twice: each sample has a key of its own."""

    def __init__(self) -> None:
        self._last = datetime.now(UTC)
        self._lock = threading.Lock()

    def __call__(self) -> datetime:
        with self._lock:
            self._last = max(datetime.now(UTC), self._last + timedelta(microseconds=1))
            return self._last


class Counted:
    """A connector whose samples are counted as they leave it."""

    def __init__(self, connector: Connector) -> None:
        self.key = connector.key
        self.produced: set[tuple[str, int]] = set()
        self._connector = connector

    def poll(self, state: Mapping[str, Any]) -> Iterator[Delivery]:
        for delivery in self._connector.poll(state):
            block = delivery.samples
            self.produced |= {
                (block.addresses[a], int(t)) for a, t in zip(block.address_index, block.time_us, strict=True)
            }
            yield delivery

    def committed(self, delivery: Delivery) -> None:
        self._connector.committed(delivery)

    def health(self) -> Any:
        return self._connector.health()  # type: ignore[attr-defined]

    def close(self) -> None:
        self._connector.close()


class Outage:
    """Takes the database away from one engine: what is open breaks, what is tried fails."""

    def __init__(self, engine: Engine, admin: Engine) -> None:
        self._engine, self._admin, self._away = engine, admin, False
        event.listen(engine, "do_connect", self._refuse)

    def _refuse(self, *_: object) -> None:
        if self._away:
            raise psycopg.OperationalError("connection refused (by the test)")

    def begin(self) -> None:
        self._away = True
        with self._admin.begin() as conn:
            conn.execute(
                text(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity "
                    "WHERE datname = current_database() AND application_name = 'soak'"
                )
            )

    def end(self) -> None:
        self._away = False


@pytest.fixture
def worked(database_url: str) -> Iterator[Engine]:
    """The engine the service under test works with; another one looks on."""
    made = make_engine(database_url, application_name="soak", pool_size=4)
    yield made
    made.dispose()


def modbus(port: int, clock: Callable[[], datetime]) -> ModbusConnector:
    points = (ModbusPoint(name="LT-E", table=RegisterTable.HOLDING_REGISTER, address=0),)
    device = ModbusDevice(name="panel", unit=1, points=points)
    return ModbusConnector(
        ModbusLine(key="panel", host="127.0.0.1", port=port, timeout=0.2, retries=0, devices=(device,)), clock
    )


def opcua(port: int, clock: Callable[[], datetime]) -> OpcuaConnector:
    source = OpcuaSource(
        key="plc",
        endpoint=f"opc.tcp://127.0.0.1:{port}/plant",
        items=(OpcuaItem(name="FT-1", node="ns=2;s=Level0"),),
        sampling_interval=0.05,
        publishing_interval=0.05,
        queue_size=1000,
        timeout=1.0,
    )
    return OpcuaConnector(source, clock)


class Service:
    """The part of the service that reads live sources."""

    def __init__(self, engine: Engine, folder: Path, clock: Ticking, *connectors: Connector, spool_bytes: int) -> None:
        self._engine, self._plant, self._clock = engine, described_plant(engine), clock
        self.sources = [
            ForwardingSource(c, Spool(folder / c.key, max_bytes=spool_bytes, segment_bytes=4096)) for c in connectors
        ]
        self.supervisor = Supervisor(
            [self._supervised(s) for s in self.sources], clock=clock, draw=random.Random(SEED).random
        )
        self.supervisor.start()

    def _supervised(self, source: ForwardingSource) -> SupervisedSource:
        return SupervisedSource(
            key=source.key,
            read=lambda: ingest(source, self._plant, self._engine, self._clock),
            every=timedelta(milliseconds=20),
            poll_to_spool=source.poll_to_spool,
            report=StatusWriter(self._engine, source, self._clock).write,
            close=source.close,
            max_backoff=timedelta(milliseconds=200),
        )

    def stop(self) -> None:
        self.supervisor.stop(timeout_s=60.0)


def stored(engine: Engine, plant: Plant, tag: str) -> set[int]:
    with transaction(engine) as conn:
        rows = conn.execute(
            text("SELECT (extract(epoch FROM time) * 1000000)::bigint FROM reading WHERE signal_id = :id"),
            {"id": plant.ids.signals[tag]},
        )
        return {int(us) for (us,) in rows}


def health(engine: Engine, key: str) -> ConnectorHealth:
    with transaction(engine) as conn:
        return next(h for h in connector_health(conn) if h.connector == key)


def until(done: Callable[[], bool], what: str) -> None:
    """Wait for something that must come; the limit only ends a hopeless wait."""
    for _ in range(3000):
        if done():
            return
        time.sleep(0.02)
    raise AssertionError(f"never came: {what}")


@contextmanager
def described(engine: Engine) -> Iterator[Plant]:
    with transaction(engine) as conn:
        describe(conn)
    yield described_plant(engine)


@pytest.mark.slow
def test_every_sample_is_accounted_for(engine: Engine, worked: Engine, tmp_path: Path) -> None:
    dice, clock, outage = random.Random(SEED), Ticking(), Outage(worked, engine)
    written: dict[int, float] = {}

    def write(server: OpcuaPlant) -> None:
        at = clock().replace(microsecond=len(written) % 1000 * 1000 + dice.randrange(1000))
        us = round((at - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1))
        if us not in written:
            written[us] = float(len(written))
            server.write(0, written[us], at=at)

    with (
        described(engine) as plant,
        ModbusPlant(Unit(1, holding={0: 1})) as device,
        OpcuaPlant(1, history=True) as server,
        FaultProxy(device.port) as line,
        FaultProxy(server.port) as network,
    ):
        panel, plc = Counted(modbus(line.port, clock)), Counted(opcua(network.port, clock))
        service = Service(worked, tmp_path, clock, panel, plc, spool_bytes=1 << 22)
        until(lambda: len(panel.produced) > 3 and len(plc.produced) > 0, "first samples")
        for round_number in range(12):
            fault = dice.choice(["refuse", "swallow", "drop", "garbage", "cut", "pass"])
            hit = dice.choice([line, network])
            hit.mode = fault
            if fault != "pass":
                hit.sever()
            if round_number % 3 == 1:
                outage.begin()
            for _ in range(20):
                write(server)
            time.sleep(0.15)
            hit.mode = "pass"
            if fault != "pass":
                hit.sever()
            if round_number % 3 == 2:
                outage.end()
            if round_number == 6:
                # Stopped in the middle of an outage, and started anew from what is on disk.
                service.stop()
                panel_before, plc_before = panel.produced, plc.produced
                panel, plc = Counted(modbus(line.port, clock)), Counted(opcua(network.port, clock))
                panel.produced, plc.produced = panel_before, plc_before
                outage.end()
                service = Service(worked, tmp_path, clock, panel, plc, spool_bytes=1 << 22)
                outage.begin()
            for _ in range(5):
                write(server)
        outage.end()
        until(lambda: set(written) <= stored(engine, plant, "FT-1"), "all that the server produced")
        until(lambda: all(s.spooled().samples == 0 for s in service.sources), "empty spools")
        line.mode = "refuse"
        line.sever()
        service.stop()
    spools = [s.spooled() for s in service.sources]
    assert [s.lost_samples for s in spools] == [0, 0]
    panel_stored = stored(engine, plant, "LT-E")
    assert {t for _, t in panel.produced} == panel_stored, "each Modbus sample stored, none invented"
    assert len(panel_stored) == len(panel.produced)
    assert set(written) <= stored(engine, plant, "FT-1"), "each value the OPC UA server ever had is stored"


@pytest.mark.slow
def test_what_does_not_fit_is_reported_lost_and_the_sums_agree(engine: Engine, worked: Engine, tmp_path: Path) -> None:
    clock, outage = Ticking(), Outage(worked, engine)
    with described(engine) as plant, ModbusPlant(Unit(1, holding={0: 1})) as device:
        panel = Counted(modbus(device.port, clock))
        service = Service(worked, tmp_path, clock, panel, spool_bytes=12_000)
        (source,) = service.sources
        until(lambda: len(panel.produced) > 3, "first samples")
        outage.begin()
        until(lambda: source.spooled().lost_samples > 20, "an overflow")
        lost_while_away = source.spooled().lost_samples
        outage.end()
        until(lambda: source.spooled().samples == 0, "the replay")
        until(lambda: health(engine, "panel").lost >= lost_while_away, "the report")
        service.stop()
    reported = health(engine, "panel")
    left = source.spooled()
    kept = stored(engine, plant, "LT-E")
    assert reported.lost_at is not None
    assert len(panel.produced) == len(kept) + left.samples + left.lost_samples + reported.lost
    # The oldest of the outage are what is missing.
    order = sorted(t for _, t in panel.produced)
    missing = [i for i, t in enumerate(order) if t not in kept]
    assert missing == list(range(missing[0], missing[0] + len(missing)))
