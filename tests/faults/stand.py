"""The test stand: two servers, one or two nodes, and a network between them that can be spoilt."""

from __future__ import annotations

import math
import random
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

from tests.faults.plant import Plant
from tests.faults.slow_sink import SlowSink
from tests.support.http_gateway import Gateway, http_gateway
from tests.support.plant_servers import FaultProxy, ModbusPlant, free_port
from tests.support.postgres_servers import USER, PostgresPair, PostgresServer, postgres_pair
from tests.support.service_process import ServiceProcess
from tests.support.small_disk import SmallDisk

#: Makes the time of day of one process another one (Debian's package libfaketime); steady clocks go on as they are.
FAKETIME = next(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"), None)

#: A node's own disk.
SPOOL_DISK = "4m"
#: A database server's: the database and its log take about 150 MB of it.
SERVER_DISK = "320m"


@dataclass
class Node:
    """One node with its own way to both servers, its own disk and its own clock."""

    process: ServiceProcess
    ways: dict[int, FaultProxy]  #: by server port
    clock: Path
    disk: SmallDisk

    port: int  #: of its pages

    @property
    def name(self) -> str:
        return self.process.name

    def set_clock(self, seconds: int) -> None:
        """Step its time of day."""
        self.clock.write_text(f"{seconds:+d}\n", "ascii")


@dataclass
class Stand:
    """Everything that runs."""

    pair: PostgresPair
    plant: Plant
    device: ModbusPlant
    panel: FaultProxy
    mails: SlowSink
    post: FaultProxy
    gateway: Gateway
    nodes: list[Node]
    rng: random.Random
    #: When faults were played that can come between handing a message over and noting it.
    disturbed: list[tuple[float, float]] = field(default_factory=list)
    #: Times in which a number the register showed may be lost: a process was killed, or the line to it was bad.
    excused: list[tuple[float, float]] = field(default_factory=list)
    #: From when to when a node's disk was full, or nearly still: what it kept in memory meanwhile falls to a kill.
    full: tuple[float, float] = (math.inf, -math.inf)

    @property
    def disks(self) -> bool:
        """Whether every node and every server has a small disk of its own."""
        disks = [node.disk for node in self.nodes] + [self.pair.primary.disk, self.pair.standby.disk]
        return all(disk is not None and disk.mounted for disk in disks)

    def holder(self) -> Node:
        """The node that has the work; any where none has, or the database is away."""
        name = self.pair.primary.ask("SELECT node_name FROM lease WHERE process IS NOT NULL AND name = 'deliver'")
        return next((node for node in self.nodes if node.name == name), self.rng.choice(self.nodes))

    def some_node(self) -> Node:
        """The one that works, mostly: that is where it hurts."""
        return self.holder() if self.rng.random() < 0.7 else self.rng.choice(self.nodes)

    def disk_was_full(self) -> bool:
        """Whether something may wait in memory for a disk."""
        return self.full[0] <= time.monotonic() <= self.full[1]

    def excuse(self, before: float = 3.0, after: float = 3.0) -> None:
        """Numbers shown about now may be lost."""
        now = time.monotonic()
        begins = min(self.full[0], now - before) if self.disk_was_full() else now - before
        self.excused.append((begins, now + after))

    def records(self) -> list[Path]:
        """The records that nodes have set aside, and those that wait to be tried again."""
        return [path for node in self.nodes for path in node.process.data.rglob("*.record")]

    def try_refused_again(self) -> None:
        """Move what is set aside where the note beside it says."""
        for path in self.records():
            if path.parent.name == "refused":
                path.rename(path.parent.parent / path.name)

    def connect(self) -> psycopg.Connection:
        """A connection to the database."""
        return psycopg.connect(self.pair.primary.url, connect_timeout=3)

    def page_ports(self) -> list[int]:
        """Where the pages answer."""
        return [node.port for node in self.nodes]

    def heal(self) -> None:
        """Everything is well: all run, nothing is slow, every clock is right."""
        self.panel.mode = self.post.mode = "pass"
        self.mails.wait, self.mails.vanish, self.mails.refuse = 0.0, False, False
        self.gateway.status, self.gateway.delay, self.gateway.hang_up = 200, 0.0, False
        for node in self.nodes:
            for way in node.ways.values():
                way.mode, way.delay = "pass", 0.0
            node.set_clock(0)
            node.process.send(signal.SIGCONT)
            if not node.process.running:
                node.process.start()
        self.try_refused_again()

    def forget(self) -> None:
        """Empty the records of the network: they would fill the memory."""
        for proxy in (self.panel, self.post, *(way for node in self.nodes for way in node.ways.values())):
            proxy.sent.clear()
            proxy.requests.clear()


@contextmanager
def stand(folder: Path, plant: Plant, nodes: int, rng: random.Random) -> Iterator[Stand]:
    """Build everything, start the nodes, and take it all down afterwards."""
    with ExitStack() as stack:
        pair = stack.enter_context(postgres_pair(folder / "servers", disk_size=SERVER_DISK))
        device = stack.enter_context(ModbusPlant(plant.register))
        panel = stack.enter_context(FaultProxy(device.port, seed=rng.randrange(1 << 30)))
        mails = stack.enter_context(SlowSink())
        post = stack.enter_context(FaultProxy(mails.port, seed=rng.randrange(1 << 30)))
        gateway = stack.enter_context(http_gateway())
        site = plant.write_site(panel.port, gateway.url)
        made = [
            _node(stack, name, folder, pair, site, post, rng) for name in ("north", "south", "west", "east")[:nodes]
        ]
        found = Stand(pair, plant, device, panel, mails, post, gateway, made, rng)
        try:
            for node in made:
                node.process.start()
            yield found
        finally:
            for node in made:
                node.process.send(signal.SIGCONT)
                if node.process.running:
                    node.process.end(signal.SIGKILL)
            time.sleep(0.2)


def _node(
    stack: ExitStack, name: str, folder: Path, pair: PostgresPair, site: Path, post: FaultProxy, rng: random.Random
) -> Node:
    servers: list[PostgresServer] = [pair.primary, pair.standby]
    ways = {s.port: stack.enter_context(FaultProxy(s.port, seed=rng.randrange(1 << 30))) for s in servers}
    hosts = ",".join(f"127.0.0.1:{way.port}" for way in ways.values())
    process = ServiceProcess(
        name,
        folder,
        site_file=site,
        database_url=f"postgresql://{USER}@{hosts}/underweir?connect_timeout=3",
        smtp_port=post.port,
    )
    port = free_port()
    process.environment["UNDERWEIR_HTTP_PORT"] = str(port)
    clock = folder / f"{name}.clock"
    disk = SmallDisk(process.data, SPOOL_DISK)
    stack.callback(disk.unmount)
    node = Node(process, ways, clock, disk, port)
    node.set_clock(0)
    if FAKETIME is not None:
        process.environment |= {
            "LD_PRELOAD": str(FAKETIME),
            "FAKETIME_TIMESTAMP_FILE": str(clock),
            "FAKETIME_NO_CACHE": "1",
            "DONT_FAKE_MONOTONIC": "1",
        }
    return node
