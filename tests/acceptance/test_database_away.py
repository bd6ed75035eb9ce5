"""The service while its database is away: devices are read, people hear that nobody looks, and it mends what is its own to mend."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import LiteralString

import pytest

from service.demo.mail_sink import MailSink
from tests.acceptance.test_live_sources import SITE as LIVE
from tests.acceptance.test_service import SITE
from tests.acceptance.test_switch_over import export
from tests.conftest import reachable_folder
from tests.support.embedded_server import kill_all, server_processes
from tests.support.plant_servers import ModbusPlant, OpcuaPlant, Unit, float_registers
from tests.support.postgres_servers import PostgresServer
from tests.support.service_process import PATIENCE_S, ServiceProcess

pytestmark = pytest.mark.slow

CONTACT = """
[[contact]]
name = "Night operator (invented)"
email = "night@example.org"
"""


@pytest.fixture
def mails() -> Iterator[MailSink]:
    with MailSink() as sink:
        yield sink


@pytest.fixture
def folder() -> Iterator[Path]:
    made = reachable_folder("underweir-away-", in_memory=True)
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def server(folder: Path) -> Iterator[PostgresServer]:
    """One with an empty database, to be taken away and given back."""
    made = PostgresServer(folder / "server")
    made.create()
    made.start()
    made.ask("CREATE DATABASE underweir", database="postgres")
    yield made
    made.stop()


def until(node: ServiceProcess, done: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not done():
        if time.monotonic() > deadline:
            pytest.fail(f"it did not happen; the service said:\n{node.log_file.read_text('utf-8')[-6000:]}")
        time.sleep(0.1)


def said(mails: MailSink, words: str) -> bool:
    return any(str(mail["Subject"]).startswith(words) for mail in mails.mails)


@pytest.mark.postgresql
def test_started_before_its_database_it_reads_devices_and_says_that_nobody_watches(
    folder: Path, mails: MailSink, server: PostgresServer
) -> None:
    server.stop()
    panel = Unit(3, holding={0: 0, 1: 0})
    device = ModbusPlant(panel).start()
    shown = [float(feet) for feet in range(2, 7)]
    with OpcuaPlant(1, history=True) as plc:
        site = folder / "site.toml"
        site.write_text(LIVE.format(modbus=device.port, opcua=plc.url) + CONTACT, "utf-8")
        node = ServiceProcess("north", folder, site_file=site, database_url=server.url, smtp_port=mails.port)
        node.environment["UNDERWEIR_NOT_WATCHED_MINUTES"] = "0.05"
        node.start()
        try:
            until(node, lambda: said(mails, "NOT WATCHED Invented Creek Works"))
            for feet in shown:  # each for a few readings, while there is no database
                high, low = float_registers(feet)
                panel.holding[0], panel.holding[1] = low, high
                asked = len(panel.requests)
                until(node, lambda asked=asked: len(panel.requests) >= asked + 2)  # type: ignore[misc]
            assert node.running
            server.start()
            until(node, lambda: said(mails, "WATCHED AGAIN Invented Creek Works"))
            until(node, lambda: set(shown) <= set(server.ask(FEET) or ()))
            assert node.started_again == 0
            assert node.end() == 0
        finally:
            node.end(signal.SIGKILL)
            device.stop()


def test_an_embedded_database_that_ended_is_started_again_and_calls_go_on(folder: Path, mails: MailSink) -> None:
    drop = folder / "drop"
    drop.mkdir()
    site = folder / "site.toml"
    site.write_text(SITE, "utf-8")
    node = ServiceProcess("north", folder, site_file=site, database_url="", smtp_port=mails.port)
    node.start()
    try:
        until(node, lambda: any(line["event"] == "watching" for line in node.log()))
        kill_all(node.data / "database")
        start = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(minutes=230)
        export(drop, "night", start, [4.0 + max(0, i - 30) * 0.04 for i in range(230)])  # 2.4 ft/h, to 12 of 14 ft
        until(node, lambda: said(mails, "DANGER"))
        assert any(line["event"] == "the embedded database had ended and was started again" for line in node.log())
        assert node.end() == 0
        assert server_processes(node.data / "database") == []
    finally:
        node.end(signal.SIGKILL)


@pytest.mark.postgresql
def test_a_node_that_stands_by_speaks_up_where_database_and_the_node_at_work_die_together(
    folder: Path, mails: MailSink, server: PostgresServer
) -> None:
    (folder / "drop").mkdir()
    site = folder / "site.toml"
    site.write_text(SITE, "utf-8")
    north, south = (
        ServiceProcess(name, folder, site_file=site, database_url=server.url, smtp_port=mails.port)
        for name in ("north", "south")
    )
    north.environment["UNDERWEIR_NOT_WATCHED_MINUTES"] = "0"
    south.environment["UNDERWEIR_NOT_WATCHED_MINUTES"] = "0.1"
    try:
        for node in (north, south):
            node.start()
            until(node, lambda node=node: any(line["event"] == "watching" for line in node.log()))  # type: ignore[misc]
        server.kill()
        north.end(signal.SIGKILL)
        until(south, lambda: said(mails, "PERHAPS NOT WATCHED Invented Creek Works"))
        server.recover()
        until(south, lambda: said(mails, "WATCHED AGAIN Invented Creek Works: south looks"))
        assert south.end() == 0
    finally:
        for node in (north, south):
            if node.running:
                node.end(signal.SIGKILL)


FEET: LiteralString = (
    "SELECT array_agg(DISTINCT round((value / 0.3048)::numeric, 2)::float8) FROM reading JOIN signal ON signal.id = signal_id"
    " WHERE tag = 'EAST_BLANKET'"
)
