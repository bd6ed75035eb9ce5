"""The service as a process of its own, reading live devices: from register and node to stored reading and alarm."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, text

from service.storage.database.session import transaction
from service.storage.readings.connector_state import ConnectorHealth, connector_health
from tests.support.plant_servers import ModbusPlant, OpcuaPlant, Unit, float_registers

SITE = """\
[site]
name = "Invented Creek Works"
units = "us"
time_zone = "America/New_York"

[[tank]]
key = "east"
label = "East clarifier"
kind = "secondary"
shape = "circular"
diameter = 80
side_water_depth = 14
core_position = "1/3"

[[signal]]
tag = "EAST_BLANKET"
connector = "panel"
address = "level east"
kind = "blanket"
tank = "east"
unit = "ft"
measures = "height"
zero_height = 0
distance_from_wall = 20
low = 0
high = 14

[[signal]]
tag = "PLANT_FLOW"
connector = "plc"
address = "ns=2;s=Level0"
kind = "flow"
unit = "MGD"
low = 0
high = 20

[[connector]]
key = "panel"
kind = "modbus"
host = "127.0.0.1"
port = {modbus}
every = "1 s"
[[connector.device]]
unit = 3
[[connector.device.point]]
name = "level east"
address = 0
type = "float32"
order = "CDAB"

[[connector]]
key = "plc"
kind = "opcua"
endpoint = "{opcua}"
sampling = "1 s"
publishing = "1 s"

[[alarm]]
kind = "system"
watch = "connector"
after = "3 s"
on_delay = "0 s"
"""

PATIENCE_S = 300.0


class Service:
    """``underweir run`` on a site with live sources."""

    def __init__(self, folder: Path, database_url: str, site: str) -> None:
        (folder / "site.toml").write_text(site, "utf-8")
        self._log = folder / "service.log"
        self._environment = {
            **os.environ,
            "UNDERWEIR_DATABASE_URL": database_url,
            "UNDERWEIR_DATA_DIR": str(folder / "data"),
            "UNDERWEIR_SITE_FILE": str(folder / "site.toml"),
            "UNDERWEIR_HTTP_PORT": "0",
        }
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service", "run"], env=self._environment, stdout=log, stderr=log
            )

    def end(self, number: signal.Signals) -> int:
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(timeout=PATIENCE_S)

    def log(self) -> list[dict[str, object]]:
        return [json.loads(line) for line in self._log.read_text("utf-8").splitlines()]

    def until(self, done: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not done():
            if time.monotonic() > deadline:
                pytest.fail(f"it did not happen; the service said:\n{self._log.read_text('utf-8')[-6000:]}")
            time.sleep(0.2)


@pytest.fixture
def panel() -> Unit:
    high, low = float_registers(4.25)
    return Unit(3, holding={0: low, 1: high})


@pytest.fixture
def device(panel: Unit) -> Iterator[ModbusPlant]:
    plant = ModbusPlant(panel).start()
    yield plant
    plant.stop()


@pytest.fixture
def server() -> Iterator[OpcuaPlant]:
    with OpcuaPlant(1, history=True) as plant:
        yield plant


@pytest.fixture
def service(tmp_path: Path, database_url: str, device: ModbusPlant, server: OpcuaPlant) -> Iterator[Service]:
    made = Service(tmp_path, database_url, SITE.format(modbus=device.port, opcua=server.url))
    yield made
    if made.process is not None and made.process.poll() is None:
        made.end(signal.SIGKILL)


def values(engine: Engine, tag: str) -> list[float]:
    with transaction(engine) as conn:
        rows = conn.execute(
            text("SELECT value FROM reading JOIN signal ON signal.id = signal_id WHERE tag = :tag ORDER BY time"),
            {"tag": tag},
        )
        return [float(value) for (value,) in rows]


def health(engine: Engine, key: str) -> ConnectorHealth | None:
    with transaction(engine) as conn:
        return next((h for h in connector_health(conn) if h.connector == key), None)


def alarm_states(engine: Engine) -> dict[str, str]:
    with transaction(engine) as conn:
        return {row.key: row.state for row in conn.execute(text("SELECT key, state FROM alarm"))}


def test_registers_and_nodes_become_readings_across_a_kill(
    service: Service, server: OpcuaPlant, engine: Engine
) -> None:
    service.start()
    service.until(lambda: len(values(engine, "EAST_BLANKET")) >= 3 and len(values(engine, "PLANT_FLOW")) >= 1)
    assert values(engine, "EAST_BLANKET")[0] == pytest.approx(4.25 * 0.3048)
    service.end(signal.SIGKILL)
    # What the plant did while nobody looked is read back from its history.
    missed = [float(i) for i in range(2, 9)]
    start = datetime.now(UTC)
    for i, value in enumerate(missed):
        server.write(0, value, at=start + timedelta(milliseconds=i))
    service.start()
    mgd = 3785.411784 / 86_400
    service.until(lambda: {round(v / mgd, 6) for v in values(engine, "PLANT_FLOW")} >= set(missed))
    found = health(engine, "plc")
    assert found is not None
    assert found.standing["circuit"] == "working"
    assert abs(found.standing["clock_skew"]) < 60
    assert service.end(signal.SIGTERM) == 0
    assert service.log()[-1]["event"] == "stopped"


@pytest.mark.slow
def test_a_device_that_stays_away_raises_the_alarm_of_its_source_and_nobody_elses(
    service: Service, device: ModbusPlant, panel: Unit, server: OpcuaPlant, engine: Engine
) -> None:
    service.start()
    service.until(lambda: len(values(engine, "EAST_BLANKET")) >= 1 and len(values(engine, "PLANT_FLOW")) >= 1)
    device.stop()
    alarm = "system.connector.panel"
    service.until(lambda: alarm_states(engine).get(alarm, "normal") != "normal")
    assert alarm_states(engine)["system.connector.plc"] == "normal"
    found = health(engine, "panel")
    assert found is not None
    assert found.failures > 0
    assert "does not accept a connection" in found.last_error
    again = ModbusPlant(panel, port=device.port).start()
    try:
        seen = len(values(engine, "EAST_BLANKET"))
        service.until(lambda: len(values(engine, "EAST_BLANKET")) > seen)
        assert service.end(signal.SIGTERM) == 0
    finally:
        again.stop()
